"""A package of one's own with a drop policy in it, written from the files in ``new_policy``."""

from __future__ import annotations

import keyword
import re
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Final

_NAME: Final = re.compile(r"[a-z][a-z0-9_]{0,39}")
_FILES: Final = {
    "pyproject.toml.in": "pyproject.toml",
    "README.md.in": "README.md",
    "init.py.in": "$package/__init__.py",
    "policy.py.in": "$package/policy.py",
    "test_policy.py.in": "tests/test_policy.py",
}


class PackageNameError(ValueError):
    """A name that cannot be that of a policy; says what is allowed."""


def write_package(name: str, folder: Path) -> list[Path]:
    """Write the package.

    Args:
        name: of the policy.
        folder: to make; must not exist yet.

    Returns:
        The files, in the order written.

    Raises:
        PackageNameError: the name is none for a policy, or is taken by an installed one.
        OSError: the folder exists (`FileExistsError`) or cannot be written.
    """
    from ebbset.controller.service.policy_registry import discover

    if _NAME.fullmatch(name) is None or keyword.iskeyword(name):
        raise PackageNameError(f"name is {name!r}; allowed: small letters, digits and _, a letter first, at most 40")
    registry = discover()
    if name in registry.policies:
        raise PackageNameError(f"name is {name!r}; allowed: a name that {registry.origins[name]} does not use")
    facts = {
        "name": name,
        "package": f"{name}_policy",
        "distribution": f"ebbset-policy-{name.replace('_', '-')}",
        "class_name": "".join(part.capitalize() for part in name.split("_")),
        "ebbset": version("ebbset"),
    }
    folder.mkdir(parents=True)
    written: list[Path] = []
    templates = files("ebbset.console.policy_commands") / "new_policy"
    for source, target in _FILES.items():
        path = folder / Template(target).substitute(facts)
        path.parent.mkdir(exist_ok=True)
        path.write_text(Template((templates / source).read_text(encoding="utf-8")).substitute(facts), encoding="utf-8")
        written.append(path)
    return written
