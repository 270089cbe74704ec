"""The page as people use it: a real browser, broker, controller and virtual rig.

One of each for the whole module, since starting them takes longer than any test here.
"""

from __future__ import annotations

import http.server
import re
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.support.page_stack import RIG, STILL, Stack, Way, again_if_starved, chromium, patient_order, stack
from tests.support.session_plans import plan, step

pytestmark = pytest.mark.broker
PATIENT_MS = 120_000.0
PRESSES = 3
PRESS_AGAIN_S = 20.0
expect.set_options(timeout=PATIENT_MS)
VIEWS = (
    "/",
    f"/rig/{STILL}/lifter",
    f"/rig/{STILL}/coach",
    f"/rig/{STILL}/arm",
    f"/rig/{STILL}/stopping",
    "/stopping",
    "/sessions",
    "/lifters",
    "/recordings",
    "/nowhere",
)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stack]:
    with stack(tmp_path_factory.mktemp("page")) as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def context(parts: Stack, browser: Browser) -> Iterator[BrowserContext]:
    """A browser of somebody's own; afterwards the rigs are free again, whatever the test left."""
    made = browser.new_context()
    made.set_default_timeout(PATIENT_MS)
    yield made
    made.close()
    parts.free()


@pytest.fixture
def errors(context: BrowserContext) -> Iterator[list[str]]:
    """What the browser complained of; nothing, or the test fails."""
    found: list[str] = []

    def watch(page: Page) -> None:
        page.on("pageerror", lambda error: found.append(str(error)))
        page.on("console", lambda line: found.append(line.text) if line.type == "error" else None)

    context.on("page", watch)
    yield found
    assert found == []


def arm(page: Page, address: str) -> None:
    """Arm the rig with nobody on it."""
    page.goto(f"{address}/rig/{STILL}/arm")
    page.get_by_label("Patient row").check()
    page.get_by_label(re.compile("I have shown these cautions")).check()
    page.get_by_role("button", name=f"Arm {STILL}").click()
    expect(page).to_have_url(re.compile(f"/rig/{STILL}/coach"))


def start(page: Page, parts: Stack, rig: str = STILL) -> None:
    """Press start, and wait for the load; a press that no request followed is made again, as a person would."""
    wire = parts.wires[rig]

    def asked() -> int:
        return sum(one["action"] == "start" for one in wire.of("ops/request"))

    before = asked()
    for _ in range(PRESSES):
        page.get_by_role("button", name=re.compile("Start")).click()
        deadline_s = time.monotonic() + PRESS_AGAIN_S
        while asked() == before and time.monotonic() < deadline_s:
            time.sleep(0.02)
        if asked() > before:
            break
    else:
        raise AssertionError(f"no request to start after {PRESSES} presses; the page says {page.inner_text('main')}")
    wire.until(lambda: wire.newest("rig/frame")["applied_n"][0] > 100.0)


@pytest.mark.usefixtures("errors")
@again_if_starved
def test_a_coach_arms_starts_and_watches_a_set_and_reads_its_report(parts: Stack, context: BrowserContext) -> None:
    coach, lifter, room = (context.new_page() for _ in range(3))
    lifter.goto(f"{parts.page.address}/rig/{RIG}/lifter")
    room.goto(parts.page.address)
    coach.goto(f"{parts.page.address}/rig/{RIG}/arm")
    coach.get_by_label("Patient row").check()
    coach.get_by_role("button", name=f"Arm {RIG}").click()
    expect(coach).to_have_url(re.compile("/arm$"))  # the browser itself asks for the tick
    coach.get_by_label(re.compile("I have shown these cautions")).check()
    coach.get_by_role("button", name=f"Arm {RIG}").click()
    expect(coach.locator(".told")).to_contain_text("Armed")
    expect(lifter.locator("[data-figure=next]")).to_contain_text("The load comes on when the coach starts")
    start(coach, parts, RIG)
    for page in (coach, lifter, room):
        expect(page.locator(f"[data-rig={RIG}] [data-figure=load]")).to_have_text("40.8 kg")
        expect(page.locator(f"[data-rig={RIG}]")).not_to_have_class(re.compile("stale"))
    expect(coach.locator("[data-part=decisions] li")).to_have_count(2)
    expect(coach.locator("[data-part=decisions]")).to_contain_text("A person started the set")
    expect(coach.locator("[data-figure=repetitions]")).to_have_text(re.compile("[2-9]"))
    expect(lifter.locator("[data-figure=repetitions]")).to_have_text(re.compile("[2-9]"))
    expect(coach.locator("[data-part=repetitions] svg")).to_be_visible()
    expect(coach.locator("#trace polyline.load")).to_have_attribute("points", re.compile(r"\d+,\d+.* .*"))
    lifter.keyboard.press("Escape")
    expect(lifter).to_have_url(re.compile("/stopping"))
    expect(lifter.locator(".steps .reached")).to_have_count(3)
    expect(coach.locator("[data-figure=state]")).to_have_text("over")
    expect(coach.locator("[data-part=decisions]")).to_contain_text("A person asked to stop")
    expect(room.locator(f"[data-rig={RIG}] [data-figure=ended]")).to_contain_text("A person asked to stop")
    assert parts.wires[RIG].newest("ops/request")["operator"] == "tester"
    coach.goto(f"{parts.page.address}/recordings")
    coach.get_by_role("link", name="Patient row").first.click()
    expect(coach.get_by_role("heading", name="The set", exact=True)).to_be_visible()
    expect(coach.get_by_role("button", name="Stop every rig")).to_be_visible()


def test_a_session_of_two_exercises_goes_from_its_plan_to_the_history_of_an_empty_store(
    parts: Stack, context: BrowserContext
) -> None:
    """On the rig with nobody on it, so the sets end as a person ends them; exercises and order are the session's."""
    sets = [
        step(1, "row", rig=STILL, prescription=patient_order(name="Rows")),
        step(2, "curl", rig=STILL, rest_before_s=1.0, prescription=patient_order(name="Curls", exercise="curl")),
    ]
    folder = parts.home / "sessions"
    folder.mkdir(exist_ok=True)
    (folder / "evening.plan.toml").write_text(plan(*sets, minutes=60.0).to_toml())
    page = context.new_page()
    page.goto(f"{parts.page.address}/lifters")
    expect(page.get_by_role("link", name="a7")).to_have_count(0)
    page.get_by_role("link", name="Sessions").click()
    page.get_by_role("link", name="Tuesday").click()
    page.get_by_role("button", name="Lead this session here").click()
    for number in (1, 2):
        page.get_by_role("link", name=re.compile("Arm the next set")).click()
        page.get_by_label(re.compile("I have shown these cautions")).check()
        page.get_by_role("button", name=f"Arm {STILL}").click()
        expect(page.locator(".told").first).to_contain_text("Armed")
        start(page, parts)
        page.goto(f"{parts.page.address}/rig/{STILL}/coach")
        expect(page.locator("[data-figure=session_left]")).to_have_text(re.compile(r"5\d:\d\d"))
        page.get_by_role("button", name=f"Stop {STILL}").click()
        expect(page.locator(".steps .unloaded.reached")).to_be_visible()
        page.goto(f"{parts.page.address}/sessions/evening")
        expect(page.locator(".plan .past")).to_have_count(number)
    expect(page.locator(".next").first).to_contain_text("every set is done")
    page.goto(f"{parts.page.address}/lifters")
    page.get_by_role("link", name="a7").click()
    expect(page.get_by_role("row", name=re.compile("evening 2 of 2"))).to_be_visible()
    expect(page.get_by_role("row", name=re.compile("(row|curl) .*A person asked to stop"))).to_have_count(2)
    expect(page.get_by_role("button", name="Stop every rig")).to_be_visible()


@again_if_starved
def test_the_stop_works_without_a_script_and_its_page_follows_it(parts: Stack, browser: Browser) -> None:
    plain = browser.new_context(java_script_enabled=False)
    plain.set_default_timeout(PATIENT_MS)
    page = plain.new_page()
    try:
        arm(page, parts.page.address)
        start(page, parts)
        page.goto(f"{parts.page.address}/rig/{STILL}/lifter")
        expect(page.locator("[data-figure=load]")).to_have_text("40.8 kg")
        assert page.get_by_role("button", name=f"Stop {STILL}").bounding_box()["height"] >= 48  # type: ignore[index]
        page.get_by_role("button", name=f"Stop {STILL}").click()
        expect(page.locator(".steps .asked.reached")).to_be_visible()
        expect(page.locator(".steps .unloaded.reached")).to_be_visible()
        assert parts.wires[STILL].newest("rig/frame")["applied_n"] == [0.0]
        assert [one["action"] for one in parts.wires[STILL].of("ops/request")][-1] == "stop"
    finally:
        plain.close()


def test_without_a_script_a_figure_looks_old_a_second_after_it_came(parts: Stack, browser: Browser) -> None:
    plain = browser.new_context(java_script_enabled=False)
    page = plain.new_page()
    page.route("**/lifter", lambda route: route.fulfill(response=(got := route.fetch()), body=_unrefreshed(got.text())))
    page.goto(f"{parts.page.address}/rig/{STILL}/lifter")
    age = page.locator(".age").text_content()
    assert re.search(r"As of \d\d:\d\d:\d\d; the data were \d\.\d s old then", age or ""), age
    animated = page.locator("[data-figure=load]").first
    expect(animated).to_have_css("opacity", "0.6")
    plain.close()


def _unrefreshed(text: str) -> str:
    """The same view without the order to load it again, which would hide what happens meanwhile."""
    assert "http-equiv" in text
    return text.replace('http-equiv="refresh"', "")


@again_if_starved
def test_when_the_network_dies_in_mid_set_every_figure_turns_grey_and_comes_back(
    parts: Stack, context: BrowserContext
) -> None:
    way = Way(int(parts.page.address.rpartition(":")[2]))
    page = context.new_page()
    try:
        arm(page, parts.page.address)
        start(page, parts)
        page.goto(f"http://127.0.0.1:{way.port}/rig/{STILL}/lifter")
        view = page.locator(f"[data-rig={STILL}]")
        expect(page.locator("[data-age]")).to_have_text("Current")
        load = page.locator("[data-figure=load]")
        colour = load.evaluate("one => getComputedStyle(one).color")
        way.cut()
        expect(view).to_have_class(re.compile("stale"))
        expect(page.locator("[data-age]")).to_contain_text("Old: the newest data came")
        assert load.evaluate("one => getComputedStyle(one).color") != colour
        assert "line-through" in load.evaluate("one => getComputedStyle(one).textDecorationLine")
        expect(page.locator("#said")).to_have_text(f"The data of {STILL} are old.")
        expect(page.get_by_role("button", name=f"Stop {STILL}")).to_be_visible()
        way.mend()
        expect(page.locator("[data-age]")).to_have_text("Current")
        expect(view).not_to_have_class(re.compile("stale"))
    finally:
        way.close()


@again_if_starved
def test_when_the_broker_restarts_the_page_says_so_and_nothing_is_armed_after(
    parts: Stack, context: BrowserContext
) -> None:
    coach, room = context.new_page(), context.new_page()
    room.goto(parts.page.address)
    arm(coach, parts.page.address)
    start(coach, parts)
    parts.broker.stop(without_warning=True)
    expect(coach.locator("[data-age]")).to_have_text(re.compile("no connection to the broker|Old: "))
    expect(coach.locator(f"[data-rig={STILL}]")).to_have_class(re.compile("stale"))
    expect(room.locator("[data-broker]")).to_contain_text("No connection to the broker")
    coach.get_by_role("button", name=f"Stop {STILL}").click()
    expect(coach.locator("[data-part]")).to_contain_text("Use the rig’s own stop")
    parts.broker.start()
    parts.wires[STILL].until_state("ended", "idle")
    coach.goto(f"{parts.page.address}/rig/{STILL}/coach")
    expect(coach.locator("[data-age]")).to_have_text("Current")
    expect(coach.locator("[data-figure=state]")).to_have_text(re.compile("over|free"))
    expect(coach.locator("[data-figure=load]")).to_have_text("unloaded")
    expect(coach.get_by_role("link", name=re.compile("Arm a set"))).to_be_visible()


@again_if_starved
def test_of_two_coaches_who_press_at_once_one_arms(parts: Stack, context: BrowserContext, browser: Browser) -> None:
    other = browser.new_context()
    pages = [context.new_page(), other.new_page()]
    for page in pages:
        page.goto(f"{parts.page.address}/rig/{STILL}/arm")
        page.get_by_label("Patient row").check()
        page.get_by_label(re.compile("I have shown these cautions")).check()
    # Both forms are on their way before either is answered.
    for page in pages:
        page.evaluate("document.querySelector('form.arm').requestSubmit()")
    for page in pages:
        expect(page.locator(".told")).to_be_visible()
    told = sorted(str(page.locator(".told").first.text_content()) for page in pages)
    assert told[0].startswith("Armed"), told
    assert told[1].startswith("Not armed"), told
    # Each presses start for the arming that is there: it starts once.
    for page in pages:
        page.goto(f"{parts.page.address}/rig/{STILL}/coach")
    before = len([one for one in parts.wires[STILL].of("ctl/answer") if one["code"] == "started"])
    for page in pages:
        page.evaluate("document.querySelector('form[action$=\"/start\"]').requestSubmit()")
    for page in pages:
        expect(page).to_have_url(re.compile("ask="))
    assert len([one for one in parts.wires[STILL].of("ctl/answer") if one["code"] == "started"]) == before + 1
    other.close()


def test_another_site_can_neither_start_nor_stop(parts: Stack, context: BrowserContext) -> None:
    """A page of another origin that knows every name and sends the forms; the browser sends what browsers send."""
    page = context.new_page()
    arm(page, parts.page.address)
    nonce = parts.wires[STILL].newest("ctl/state")["nonce"]
    before = len(parts.wires[STILL].of("ops/request"))
    decided = len(parts.wires[STILL].of("ctl/decision"))

    class Evil(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            action = self.path.partition("?")[2]
            form = (
                f"<form method=post action='{parts.page.address}/rig/{STILL}/{action}'>"
                f"<input name=arming value='{nonce}'><input name=csrf value=guess></form>"
                "<script>document.forms[0].submit()</script>"
            )
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(form.encode())

        def log_message(self, *_: Any) -> None:
            pass

    evil = http.server.HTTPServer(("127.0.0.1", 0), Evil)
    serving = threading.Thread(target=evil.serve_forever, daemon=True)
    serving.start()
    try:
        for action in ("start", "stop", "release"):
            page.goto(f"http://localhost:{evil.server_port}/?{action}")
            expect(page.locator("h1")).to_have_text("Not done")
            expect(page.locator("main")).to_contain_text("came from another site")
            assert page.goto(f"http://localhost:{evil.server_port}/nothing") is not None
        framed = page.goto(parts.page.address)
        assert framed is not None
        assert "frame-ancestors 'none'" in framed.headers["content-security-policy"]
    finally:
        evil.shutdown()
        serving.join()
        evil.server_close()
    assert len(parts.wires[STILL].of("ops/request")) == before
    reasons = {one["reason"] for one in parts.wires[STILL].of("ctl/decision")[decided:]}
    assert not reasons & {"started", "stop_requested", "release_requested"}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@again_if_starved
def test_no_view_has_a_serious_finding_of_axe(parts: Stack, browser: Browser, scheme: Any) -> None:
    context = browser.new_context(color_scheme=scheme, reduced_motion="reduce")
    page = context.new_page()
    arm(page, parts.page.address)
    start(page, parts)
    serious = []
    for path in VIEWS:
        page.goto(parts.page.address + path)
        if page.locator("[data-age]").count():
            expect(page.locator("[data-age]").first).to_have_text("Current")
        for finding in Axe().run(page).response["violations"]:
            if finding["impact"] in ("serious", "critical"):
                serious.append((path, finding["id"], [node["html"][:160] for node in finding["nodes"]][:3]))
    page.goto(f"{parts.page.address}/rig/{STILL}/lifter")
    page.get_by_role("button", name=f"Stop {STILL}").click()
    expect(page.locator(".steps .unloaded.reached")).to_be_visible()
    context.close()
    assert serious == []


def test_everything_is_reached_by_keyboard(parts: Stack, context: BrowserContext) -> None:
    page = context.new_page()
    page.goto(f"{parts.page.address}/rig/{STILL}/coach")
    expect(page.locator("[data-age]")).to_have_text("Current")
    reached = []
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("(document.activeElement.textContent || document.activeElement.tagName).trim().slice(0, 40)")
        )
    assert reached[0] == "To the content"
    for wanted in ("Rigs", "Recordings", "Lifter", "Coach", "Sounds off", "Arm a set …"):
        assert wanted in reached, reached
    assert any(one.startswith(f"Stop {STILL}") for one in reached)
    page.get_by_role("button", name="Sounds off").press("Enter")
    expect(page.get_by_role("button", name="Sounds on")).to_have_attribute("aria-pressed", "true")


def test_a_view_left_open_does_not_grow(parts: Stack, context: BrowserContext) -> None:
    """The trace keeps its window and the list of nodes stays, however many messages come."""
    page = context.new_page()
    page.goto(f"{parts.page.address}/rig/{RIG}/coach")
    line = page.locator("#trace polyline.load")
    expect(line).to_have_attribute("points", re.compile(r"\d"))
    nodes = page.evaluate("document.getElementsByTagName('*').length")
    before = len(parts.wires[RIG].of("rig/frame"))
    parts.wires[RIG].until(lambda: len(parts.wires[RIG].of("rig/frame")) > before + 100)
    assert page.evaluate("document.getElementsByTagName('*').length") == nodes
    assert len(str(line.get_attribute("points")).split()) <= 20 / 0.04 + 1
