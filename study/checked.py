"""What `study check` says about the people and the balance of a study: every sentence computed from the counts."""

from __future__ import annotations

from ebbset.models.contract import formatting
from ebbset.study.randomisation import Balance
from ebbset.study.study_file import Study, allocation_list, balance_in


def people_sentence(study: Study) -> str:
    """How many take part, how many were planned, and how many have withdrawn.

    Args:
        study: the study.
    """
    told = formatting.plural(len(study.people), "participant")
    planned, withdrawn = study.file.planned, sum(person.withdrawn is not None for person in study.people)
    further = [
        *([f"{planned} planned"] if planned is not None else []),
        *([f"{withdrawn} withdrawn"] if withdrawn else []),
    ]
    return f"{told} ({', '.join(further)})" if further else told


def balance_sentences(study: Study) -> list[str]:
    """How even the orders are, and how even they could be; where people withdrew, also of those who are left.

    Args:
        study: the study.
    """
    found = _sentences(study, study.balance)
    left = [person for person in study.people if person.withdrawn is None]
    if left and len(left) < len(study.people):
        listed = allocation_list(study.file, 1 + max(person.place for person in study.people))
        remaining = balance_in(study.file, [listed[person.place] for person in left])
        found += [f"without those withdrawn: {text}" for text in _sentences(study, remaining)]
    return found


def _sentences(study: Study, balance: Balance) -> list[str]:
    people = formatting.plural(balance.people, "participant")
    if balance.exact:
        return ["exactly balanced"]
    if study.file.design == "parallel":
        return [_even("groups differ in size by", balance, people)]
    even = "within each period every condition stands equally often"
    found = [_even("within a period conditions differ by", balance, people) if balance.period_difference else even]
    if balance.pair_difference:
        square = balance.conditions * (1 if balance.conditions % 2 == 0 else 2)
        found.append(
            f"successions of two conditions differ by {balance.pair_difference}; they can be equal for a multiple of "
            f"{square} participants"
        )
    return found


def _even(what: str, balance: Balance, people: str) -> str:
    difference, least = balance.period_difference, balance.least_period_difference
    if difference == least:
        return f"{what} {difference} at most, the least that {people} allow"
    return f"{what} up to {difference}, where {people} allow {least}"
