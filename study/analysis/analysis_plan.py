"""A statistical analysis plan in Markdown, written from the study file: a draft for its authors to sign.

Every statement follows from the file and from `mixed_model`, which does the analysis; what the authors alone can know
(why this outcome, why this effect) is left to them, in brackets.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbset.models.contract import formatting
from ebbset.study.analysis.power import OUTCOMES, Power, Question
from ebbset.study.checked import balance_sentences, people_sentence
from ebbset.study.study_file import Study

_REPLACED = {
    "none": "Nobody who withdraws is replaced.",
    "next": "Somebody who replaces a participant who withdrew takes the next free place of the allocation list.",
    "same": "Somebody who replaces a participant who withdrew takes that participant's place of the allocation list.",
}


def analysis_plan(study: Study, question: Question, rows: Sequence[Power]) -> str:
    """The plan as Markdown.

    Args:
        study: the study.
        question: outcome and sizes of the simulated studies.
        rows: their power.
    """
    parts = (_head(study), _design(study), _estimand(study, question), _model(study), _missing(study),
             _blinding(study), _amendments(study), _size(question, rows))  # fmt: skip
    return "\n".join("\n".join(part) + "\n" for part in parts)


def _head(study: Study) -> list[str]:
    return [
        f"# Statistical analysis plan: {study.file.name}",
        "",
        f"Study hash `{study.hash}` (design, conditions and prescriptions; it is in every recording).",
        "",
        "A draft written from the study file. What stands in [brackets] is for the authors to fill in before the first "
        "session.",
    ]


def _design(study: Study) -> list[str]:
    file = study.file
    if file.design == "crossover":
        how = (
            f"Crossover: everybody meets each of {len(file.conditions)} conditions "
            f"{'once' if file.blocks == 1 else f'{file.blocks} times'}, in orders from Williams squares, whole squares "
            "first."
        )
    else:
        how = (
            f"Parallel groups by permuted blocks, {formatting.plural(file.blocks, 'session')} of each participant in "
            "the one condition."
        )
    zone = file.time_zone or "UTC (the file names no time zone)"
    return [
        "## Design",
        "",
        how,
        "",
        "| code | condition | prescription |",
        "|---|---|---|",
        *(f"| {c.code} | {c.label} | `{study.prescriptions[c.code].digest()[:16]}` |" for c in file.conditions),
        "",
        f"People: {people_sentence(study)}. Balance: {'; '.join(balance_sentences(study))}. Seed {file.seed}.",
        f"Sessions from {file.start}, at least {formatting.plural(file.washout_days, 'day')} between the dates of two "
        f"sessions of one participant, in {zone}.",
    ]


def _estimand(study: Study, question: Question) -> list[str]:
    what, unit, _ = OUTCOMES[question.outcome]
    first = study.file.conditions[0]
    return [
        "## Estimand",
        "",
        f"- Outcome: {what} (`{question.outcome}`{f', {unit}' if unit else ''}), one value per session. [Why this one]",
        "- Population: [inclusion and exclusion criteria].",
        f"- Contrast: mean of each further condition less that of {first.code} ({first.label}).",
        "- Intercurrent events: a set that a person, the rig or a fault ended early counts as it was recorded; there "
        "are no sessions after a withdrawal. [Change this if the question is another]",
        "- Of a session that was recorded twice, the first set whose load came on counts; repeats are reported.",
    ]


def _model(study: Study) -> list[str]:
    file = study.file
    crossed = file.design == "crossover"
    single = not crossed and file.blocks == 1
    fixed = "condition and period as factors" if crossed else "condition as a factor"
    if single:
        model = f"Linear model by least squares, with {fixed}; one session per participant."
    else:
        model = f"Linear mixed model fitted by REML, with {fixed} and a random intercept for each participant."
    free = (
        "sessions - participants - fixed effects other than the intercept" if crossed else "participants - conditions"
    )
    others = [c.code for c in file.conditions[1:]]
    first = file.conditions[0].code
    several = (
        f"The {len(others)} p values are adjusted together by Holm; confidence intervals are unadjusted, which is said."
        if len(others) > 1
        else "One contrast, so nothing is adjusted."
    )
    return [
        "## Model and contrasts",
        "",
        f"{model} Tests by t statistics; degrees of freedom: {free}.",
        "",
        *(f"- {code} - {first}" for code in others),
        "",
        f"Two-sided, 5 %. {several} Differences are given with 95 % confidence intervals.",
        *(
            ["", "Carry-over is kept small by the washout and spread evenly by the orders; it is not tested for."]
            if crossed
            else []
        ),
        "",
        "`ebbset.study.analysis.mixed_model.analysed` does this, with statsmodels.",
    ]


def _missing(study: Study) -> list[str]:
    return [
        "## Missing data and withdrawals",
        "",
        "Every recorded session of everybody counts, also of people who withdrew later. Missing sessions are left out, "
        "not filled in: the estimate is sound if they are missing at random given the model. Departures listed by "
        "`ebbset study fidelity` are reported; the analysis is repeated without the sessions they concern. "
        f"{_REPLACED[study.file.replacement]}",
    ]


def _blinding(study: Study) -> list[str]:
    blinding = study.file.blinding

    def told(hidden: frozenset[str]) -> str:
        return ", ".join(sorted(hidden)) or "nothing"

    return [
        "## Blinding",
        "",
        f"- Hidden from the lifter's screen: {told(blinding.hidden_from('lifter'))}.",
        f"- Hidden from the assessor's screen: {told(blinding.hidden_from('assessor'))}.",
        "- A lifter feels the load: blinding of screens is not blinding of the lifter. [Who knows the allocation; who "
        "analyses blinded]",
        "- The allocation list and the codes of sealed sessions are kept by [name], who runs no session.",
    ]


def _amendments(study: Study) -> list[str]:
    rows = [
        f"| {number} | {amendment.date} | {', '.join(person.id for person in amendment.add) or '–'} | "
        f"{', '.join(amendment.withdraw) or '–'} | {amendment.reason.replace('|', '/')} | `{study.history[number]}` |"
        for number, amendment in enumerate(study.file.amendments, start=1)
    ]
    none = ["None so far."]
    table = ["| number | date | joined | withdrew | reason | history |", "|---|---|---|---|---|---|", *rows]
    return [
        "## Amendments",
        "",
        f"History at registration `{study.history[0]}`. Each recording names the amendment it was made under.",
        "",
        *(table if rows else none),
    ]


def _size(question: Question, rows: Sequence[Power]) -> list[str]:
    asked = (
        "the difference that the simulation produces"
        if question.effect is None
        else f"an added effect of {question.effect:g}"
    )
    trials = rows[0].trials if rows else 0
    return [
        "## Number of participants",
        "",
        f"{formatting.plural(trials, 'simulated study', 'simulated studies')} of {asked}, with lifters "
        f"`{question.lifters}`, seed {question.seed}, "
        "analysed as above. Nobody lifted; a simulation says nothing of people it does not resemble. [Number chosen, "
        "and why this effect matters]",
        "",
        "| participants | contrast | power | 95 % Monte Carlo interval | mean estimate | mean half width of its CI |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r.participants} | {r.condition} | {r.power:.2f} | {r.low:.2f} to {r.high:.2f} | {r.effect:.3g} | "
            f"{r.half_width:.3g} |"
            for r in rows
        ),
    ]
