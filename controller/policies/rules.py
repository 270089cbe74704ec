"""The rules for drop policies in words: why each one holds, and what to do about a policy that breaks it.

What is asked of a policy to find out is in `checker`. The wording is for somebody who writes their first policy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class PolicyRule:
    """Why a rule holds, and how a policy that breaks it is put right."""

    why: str
    fix: str


RULES: Final[dict[str, PolicyRule]] = {
    "refuses unknown parameters": PolicyRule(
        "A misspelt parameter would otherwise be left out in silence, and the set run with a default.",
        "Begin from_parameters with reject_unknown(parameters, (your names,), policy=cls.name).",
    ),
    "builds from its parameters": PolicyRule(
        "A policy that cannot be made cannot be armed.",
        "Give every parameter a default, and raise BadDocumentError (number_parameter does) for a value out of range.",
    ),
    "has name, initial and propose": PolicyRule(
        "The controller calls these and nothing else.",
        "Have from_parameters return an object with a name, initial() and propose(state, view).",
    ),
    "has a name": PolicyRule(
        "Decisions and reports say which policy proposed a load.",
        "Set name to the text under which the entry point is registered.",
    ),
    "answers every stall": PolicyRule(
        "A policy that raises ends the set at once, with the lifter in the middle of a repetition.",
        "Force, position and every estimate may be None: have an answer without them.",
    ),
    "answers with a Proposal": PolicyRule(
        "The controller reads a load and a reason from it.",
        "Return (next_state, Proposal(load_n, why)) from propose.",
    ),
    "proposes a finite number": PolicyRule(
        "Nothing else is a load, and what is none ends the set.",
        "Look for a division by zero, a NaN or a text where load_n is calculated.",
    ),
    "proposes less than the load now": PolicyRule(
        "The lifter has just failed at this load; the controller would only make its least drop of 1 % or 2 N.",
        "Propose less than view.load_n, for example min(your load, 0.97 * view.load_n).",
    ),
    "proposes no negative load": PolicyRule(
        "No rig can push, so a load below zero shows an error in the calculation.",
        "Propose at least 0; the controller raises it to the floor load by itself.",
    ),
    "says why in at most 300 characters": PolicyRule(
        "A person asks why the load dropped, and the report answers with this text.",
        "Put a short sentence with your numbers into Proposal.why.",
    ),
    "does not change the state that it was given": PolicyRule(
        "The controller keeps the state, and a replay must be able to give the same one again.",
        "Return a new value; use numbers, tuples or frozen dataclasses instead of lists and dictionaries.",
    ),
    "does not change the view that it was given": PolicyRule(
        "Others read the same view.",
        "Copy what you want to change.",
    ),
    "same state and view, same answer": PolicyRule(
        "A recording must replay to the same loads, bit for bit, or nobody can find out afterwards what happened.",
        "Keep nothing on self, in a class or in a module; use no clock, no file and no random number.",
    ),
    "its state is a plain value": PolicyRule(
        "States are copied, compared and sent to other processes.",
        "Return numbers, texts, tuples or frozen dataclasses of them; no functions, no open files.",
    ),
    "its state stays small": PolicyRule(
        "A set may hold dozens of stalls on a small computer inside a rig.",
        "Keep a sum or a count instead of the whole history.",
    ),
    "answers a dozen stalls in a row": PolicyRule(
        "The policy raised at a later stall of the same set, which would end it.",
        "Look at what the state has become by then.",
    ),
    "goes down at every stall in a row": PolicyRule(
        "Each stall is a load that could not be lifted, however many came before.",
        "Check the later drops, for example a step that shrinks to nothing.",
    ),
}
"""Every rule of the checker, by the name that a finding bears."""
