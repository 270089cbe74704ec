"""Mutants of a source text: plausible typing errors, made by Cosmic Ray's operators and two of our own.

Left out on purpose: changes inside f-strings (the wording of a message decides nothing), the star before keyword-only
arguments, ``return None`` at the end of a function (it changes nothing), swaps of ``==`` or ``<`` for ``is`` (true for
small integers by accident of the interpreter), and arithmetic swaps that nobody would type, such as ``+`` for ``<<``.
What lives here: making mutants. Never: running tests.
"""

from __future__ import annotations

import difflib
import pickle
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator
from parso.tree import search_ancestor

_ORDER: Final = ("Eq", "NotEq", "Lt", "LtE", "Gt", "GtE")
_ARITHMETIC: Final = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Mul", "Mod_Mul")
_NAMES: Final = (
    *(f"ReplaceComparisonOperator_{a}_{b}" for a in _ORDER for b in _ORDER if a != b),
    *("ReplaceComparisonOperator_Is_IsNot", "ReplaceComparisonOperator_IsNot_Is"),
    *(f"ReplaceBinaryOperator_{swap}" for swap in _ARITHMETIC),
    *("ReplaceUnaryOperator_Delete_USub", "ReplaceUnaryOperator_Delete_Not"),
    *("ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd"),
    *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ZeroIterationForLoop", "RemoveDecorator"),
    *("AddNot", "NumberReplacer"),
)


class DeleteStatement(Operator):  # type: ignore[misc]  # Cosmic Ray has no type hints
    """Replaces an assignment, a call or a return inside a function with ``pass``."""

    def mutation_positions(self, node: Any) -> Iterator[Any]:
        """Position of a statement that can be deleted."""
        if node.type in ("expr_stmt", "atom_expr", "return_stmt") and node.parent.type == "simple_stmt":
            block = node.parent.parent
            if block.type == "suite" and search_ancestor(block, "funcdef") is not None and not _last_return(node):
                yield (node.start_pos, node.end_pos)

    def mutate(self, node: Any, index: int) -> Any:  # noqa: ARG002 - a statement is deleted in one way
        """Replace the statement with ``pass``."""
        nothing = get_ast("pass").children[0]
        nothing.get_first_leaf().prefix = node.get_first_leaf().prefix
        return nothing

    @classmethod
    def examples(cls) -> tuple[()]:
        """None; the base class asks for the method."""
        return ()


class OtherMember(Operator):  # type: ignore[misc]  # Cosmic Ray has no type hints
    """Replaces a member of an enumeration with another one, since tables consist of such members.

    Args:
        source: the text; only members that it names are used.
    """

    def __init__(self, source: str) -> None:
        self._members: dict[str, list[str]] = {}
        for name, member in re.findall(r"\b([A-Z][A-Za-z]+)\.([A-Z_]+)\b", source):
            if member not in self._members.setdefault(name, []):
                self._members[name].append(member)

    def mutation_positions(self, node: Any) -> Iterator[Any]:
        """Position of a member that can be replaced."""
        if node.type == "atom_expr" and len(node.children) == 2 and self._other(node) is not None:
            yield (node.start_pos, node.end_pos)

    def mutate(self, node: Any, index: int) -> Any:  # noqa: ARG002 - one other member is enough
        """Replace it with the next member that the text names."""
        node.children[1].children[1].value = self._other(node)
        return node

    def _other(self, node: Any) -> str | None:
        name, trailer = node.children
        if name.type != "name" or trailer.type != "trailer" or trailer.children[0].value != ".":
            return None
        members, member = self._members.get(name.value, []), trailer.children[1].value
        if member not in members or len(members) < 2:
            return None
        return members[(members.index(member) + 1) % len(members)]

    @classmethod
    def examples(cls) -> tuple[()]:
        """None; the base class asks for the method."""
        return ()


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed source text.

    Attributes:
        line: first changed line, 1-based.
        was: the changed lines before, without indentation.
        becomes: the same after.
        source: the whole text.
    """

    line: int
    was: str
    becomes: str
    source: str


@dataclass(frozen=True, slots=True)
class Place:
    """One thing that can be changed.

    Attributes:
        operator: that changes it.
        node: number of the node in the tree, parents before children.
        index: which of the operator's changes to that node.
    """

    operator: Any
    node: int
    index: int


def places(source: str) -> list[Place]:
    """All places of a text that can be changed, operator by operator."""
    return _places(source, list(ast_nodes(get_ast(source))))


def _places(source: str, nodes: list[Any]) -> list[Place]:
    operators = [DeleteStatement(), OtherMember(source), *(get_operator(f"core/{name}")() for name in _NAMES)]
    deciding = [(number, node) for number, node in enumerate(nodes) if not _decides_nothing(node)]
    return [
        Place(operator, number, index)
        for operator in operators
        for number, node in deciding
        for index, _ in enumerate(operator.mutation_positions(node))
    ]


def mutants(source: str, *, sample: int | None = None, seed: int = 1) -> list[Mutant]:
    """Mutants of a text, in the order of its lines, without duplicates.

    Args:
        source: the text.
        sample: how many places to change, or None for all.
        seed: of the sample.
    """
    nodes = list(ast_nodes(get_ast(source)))
    chosen = _places(source, nodes)
    if sample is not None and sample < len(chosen):
        chosen = random.Random(seed).sample(chosen, sample)
    # copying the tree for each change takes a quarter of the time of parsing the text again
    copied = pickle.dumps(nodes)
    found: dict[str, Mutant] = {}
    for place in chosen:
        changed = _changed(pickle.loads(copied), place)
        if changed != source and changed not in found:
            found[changed] = _mutant(source, changed)
    return sorted(found.values(), key=lambda mutant: (mutant.line, mutant.becomes))


def _changed(nodes: list[Any], place: Place) -> str:
    node = nodes[place.node]
    parent = node.parent
    becomes = place.operator.mutate(node, place.index)
    if parent is not None:
        ours = [becomes if child is node else child for child in parent.children]
        parent.children = [child for child in ours if child is not None]
    return str(nodes[0].get_code())


def _decides_nothing(node: Any) -> bool:
    """True for a part of a message, and for the star before keyword-only arguments."""
    if node.parent is not None and node.parent.type in ("parameters", "param"):
        return bool(node.type == "operator")
    while node is not None:
        if node.type == "fstring":
            return True
        node = node.parent
    return False


def _last_return(node: Any) -> bool:
    """True for ``return None`` as the last statement of a function, where it changes nothing."""
    if node.get_code(include_prefix=False) != "return None":
        return False
    block = node.parent.parent
    return block.parent.type == "funcdef" and block.children[-1] is node.parent


def _mutant(source: str, changed: str) -> Mutant:
    before, after = source.splitlines(), changed.splitlines()
    spans = [
        span for span in difflib.SequenceMatcher(a=before, b=after, autojunk=False).get_opcodes() if span[0] != "equal"
    ]
    (_, a0, _, b0, _), (_, _, a1, _, b1) = spans[0], spans[-1]
    was, becomes = (" ".join(line.strip() for line in lines) for lines in (before[a0:a1], after[b0:b1]))
    return Mutant(a0 + 1, was, becomes, changed)
