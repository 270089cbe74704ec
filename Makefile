# Two commands do everything on a fresh Debian or Ubuntu machine: `make demo` and `make test`.
# Each target installs what it needs, Debian packages included.

SHELL := /bin/sh
PYTHON ?= python3
VENV := .venv
PY := $(VENV)/bin/python
BROWSER_TESTS := tests/console/page/test_browser.py tests/campaigns/test_manual_in_a_browser.py
ROOMS := models controller rig simulators conformance coaching study console
# Beside the rooms and not in the wheel, but under the same type check.
BESIDE := tests examples benchmarks campaigns
FOLDERS := $(shell find $(ROOMS) public -type d -not -name __pycache__)
SUDO := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
APT := $(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get -qq -y
# The strict editable install links file by file, so a folder that gained or lost a file is installed anew.
# Contributors and CI get the versions in constraints.txt (`make lock` renews them); for everybody else the ranges in
# pyproject.toml hold. By environment, because pip's isolated build does not see -c; newer pips ask for the second name.
LOCKED := env PIP_CONSTRAINT=constraints.txt PIP_BUILD_CONSTRAINT=constraints.txt
INSTALL := $(LOCKED) $(VENV)/bin/pip install --quiet --disable-pip-version-check --config-settings editable_mode=strict -e

.PHONY: demo test check types coverage bench validate evaluate faults fuzz soak site tables-in-r mutate dist docs snippets public-names contract lock clean

demo: $(VENV)/console.stamp
	$(VENV)/bin/ebbset demo

# Three workers for two cores: many tests wait for real time. The real browser comes after them: with a broker, two
# controllers and two rigs beside it, it is eight programs that must all have their turn.
test: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp $(VENV)/postgresql.stamp $(VENV)/chromium.stamp check
	$(PY) -m pytest -n 3 --dist worksteal -q $(BROWSER_TESTS:%=--ignore=%)
	$(PY) -m pytest -q $(BROWSER_TESTS)

check: types
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .

# One call, so that nothing is checked twice. Rooms go by the name they are imported by, never as a top-level `models`.
types: $(VENV)/dev.stamp
	$(VENV)/bin/mypy -p ebbset $(BESIDE:%=-p %)

coverage: $(VENV)/dev.stamp
	$(PY) -m campaigns.mutation.coverage

bench: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp $(VENV)/chromium.stamp
	$(PY) -m benchmarks

validate: $(VENV)/dev.stamp
	$(VENV)/bin/ebbset validate

evaluate: $(VENV)/dev.stamp
	$(VENV)/bin/ebbset evaluate

# Long forms; each has a short form in the suite.
faults: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp
	$(PY) -m campaigns.faults.campaign

fuzz: $(VENV)/dev.stamp
	$(PY) -m campaigns.fuzz

soak: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp
	$(PY) -m campaigns.soak

# R is a large Debian package that nothing else needs.
tables-in-r: $(VENV)/dev.stamp
	@command -v Rscript >/dev/null || { $(APT) update && $(APT) install --no-install-recommends r-base-core; }
	$(PY) -m campaigns.tables_in_r

site: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp
	$(PY) -m campaigns.site

mutate: $(VENV)/dev.stamp
	$(PY) -m campaigns.mutation

# What is delivered, made twice, checked, installed without the sources and tested on each Python of this machine.
dist: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp $(VENV)/postgresql.stamp $(VENV)/chromium.stamp
	$(PY) -m campaigns.delivery

docs: $(VENV)/dev.stamp
	$(PY) -c "from ebbset.controller.regulation.transitions import as_markdown; print(as_markdown(), end='')" > docs/transitions.md
	$(PY) -c "from ebbset.models.contract.prescription_reference import prescription_reference as r; print(r(), end='')" > docs/prescription.md
	$(PY) -c "from ebbset._reference import api_page; print(api_page(), end='')" > docs/api.md
	$(PY) -c "from ebbset.controller.metrics.definitions import as_markdown; print(as_markdown(), end='')" > docs/metrics.md
	NO_MKDOCS_2_WARNING=1 PYTHONPATH=. $(PY) -m mkdocs build --quiet
	@echo "The manual is in build/manual; to read it with its search: $(PY) -m http.server --directory build/manual"

# Every command and piece of code of the manual, with those that take minutes; the suite runs the others.
snippets: $(VENV)/dev.stamp $(VENV)/mosquitto.stamp
	$(PY) -m campaigns.manual.snippets

# The copy that a test compares, so that no public name changes by accident: renew it with an entry in CHANGELOG.md.
public-names: $(VENV)/dev.stamp
	$(PY) -c "from ebbset._reference import snapshot; print(snapshot(), end='')" > tests/data/public-api.txt

contract: $(VENV)/dev.stamp
	$(PY) -m ebbset.controller.link.contract_documents --write contract

# One file for every Python from the oldest that pyproject.toml allows, with markers where versions differ.
lock: | $(VENV)/bin/pip
	$(VENV)/bin/pip install --quiet --disable-pip-version-check uv
	$(PY) -c "import tomllib; print(*tomllib.load(open('pyproject.toml', 'rb'))['build-system']['requires'], sep='\n')" \
		| $(VENV)/bin/uv pip compile --quiet --universal --python-version 3.11 --upgrade --extra dev \
		--no-emit-index-url --custom-compile-command 'make lock' --output-file constraints.txt pyproject.toml -

clean:
	rm -rf build *.egg-info $(VENV)

$(VENV)/bin/pip:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python is older than 3.11; allowed: 3.11 or newer (make PYTHON=python3.12 ...)"; exit 1; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null || { $(APT) update && $(APT) install python3-venv; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/console.stamp: pyproject.toml constraints.txt $(FOLDERS) | $(VENV)/bin/pip
	$(INSTALL) '.[page]'
	@touch $@

$(VENV)/dev.stamp: pyproject.toml constraints.txt $(FOLDERS) | $(VENV)/bin/pip
	$(INSTALL) '.[dev]'
	@touch $@ $(VENV)/console.stamp

$(VENV)/mosquitto.stamp: | $(VENV)/bin/pip
	@PATH="$$PATH:/usr/sbin" command -v mosquitto >/dev/null && command -v mosquitto_sub >/dev/null || \
		{ $(APT) update && $(APT) install mosquitto mosquitto-clients; }
	@touch $@

# The browser that the page is tested with, and the fonts that its pictures are made with.
$(VENV)/chromium.stamp: | $(VENV)/bin/pip
	@command -v chromium >/dev/null || { $(APT) update && $(APT) install --no-install-recommends chromium fonts-liberation; }
	@touch $@

# Debian keeps the programs of each version outside PATH. The tests start a private server with them (tests/support/postgres.py).
$(VENV)/postgresql.stamp: | $(VENV)/bin/pip
	@command -v initdb >/dev/null || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || \
		{ $(APT) update && $(APT) install --no-install-recommends postgresql; }
	@touch $@
