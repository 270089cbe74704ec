"""Public functions with two or more parameters document them under ``Args:``, in every room."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("models", "controller", "rig", "simulators", "conformance", "coaching", "study", "console", "public")


def undocumented(tree: ast.AST, owner: ast.ClassDef | None = None) -> Iterator[str]:
    """Names of the public functions and methods of a module whose docstring lacks ``Args:``.

    A command of the command line is left out: its docstring is the help text, and click lists the options below it.

    Args:
        tree: module or class.
        owner: the class, if the tree is one.
    """
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from undocumented(node, node)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not is_command(node):
            constructor = owner is not None and node.name == "__init__"
            if (constructor or not node.name.startswith("_")) and len(parameters(node, method=owner is not None)) > 1:
                documented = [ast.get_docstring(node) or ""]
                if constructor and owner is not None:
                    documented.append(ast.get_docstring(owner) or "")
                if not any("Args:" in text for text in documented):
                    yield node.name if owner is None else f"{owner.name}.{node.name}"


def is_command(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Whether a decorator makes the function a command of the command line."""
    return any(
        isinstance(one, ast.Call) and isinstance(one.func, ast.Attribute) and one.func.attr == "command"
        for one in function.decorator_list
    )


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef, *, method: bool) -> list[str]:
    """Names of a function's parameters.

    Args:
        function: the function.
        method: leave out ``self`` or ``cls``.
    """
    given = function.args
    variadic = [one for one in (given.vararg, given.kwarg) if one is not None]
    names = [one.arg for one in [*given.posonlyargs, *given.args, *given.kwonlyargs, *variadic]]
    return names[1:] if method and names[:1] in (["self"], ["cls"]) else names


@pytest.mark.parametrize("room", ROOMS)
def test_public_functions_with_two_or_more_parameters_document_them(room: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}: {name}"
        for path in sorted((ROOT / room).rglob("*.py"))
        for name in undocumented(ast.parse(path.read_text()))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ('def f(a, b):\n    """Text."""', ["f"]),
        ('def f(a, b):\n    """Text.\n\n    Args:\n        a: one.\n        b: two.\n    """', []),
        ('def f(a):\n    """Text."""', []),
        ("async def f(*, a, **b): ...", ["f"]),
        ("def _f(a, b): ...", []),
        ("@click.command()\ndef f(a, b): ...", []),
        ("@click.option()\ndef f(a, b): ...", ["f"]),
        ('class C:\n    """Text."""\n    def __init__(self, a, b): ...', ["C.__init__"]),
        ('class C:\n    """Text.\n\n    Args:\n        a: one.\n    """\n    def __init__(self, a, b): ...', []),
        ("class C:\n    def f(self, a, b): ...\n    def g(self, a): ...", ["C.f"]),
        ("class _C:\n    def f(self, a, b): ...", []),
    ],
)
def test_what_lacks_args_is_found(source: str, names: list[str]) -> None:
    assert list(undocumented(ast.parse(source))) == names


SECTIONS = ("Args:", "Attributes:", "Returns:", "Yields:", "Raises:")


def repeated_sections(tree: ast.Module) -> Iterator[str]:
    """Classes and functions whose docstring has a section twice."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (ast.get_docstring(node) or "").splitlines()
            if any(lines.count(section) > 1 for section in SECTIONS):
                yield node.name


def test_no_docstring_has_a_section_twice() -> None:
    paths = [path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]
    found = [
        f"{path.relative_to(ROOT)}: {name}" for path in paths for name in repeated_sections(ast.parse(path.read_text()))
    ]
    assert found == []
    twice = 'def f(a, b):\n    """Text.\n\n    Args:\n        a: one.\n\n    Args:\n        b: two.\n    """'
    assert list(repeated_sections(ast.parse(twice))) == ["f"]
