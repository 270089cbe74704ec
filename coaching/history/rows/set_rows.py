"""Rows of the store out of a recorded set. Arranges what the controller recorded; estimates nothing of its own.

What a hard repetition is comes from `coaching.worth`, what is done in fatigue from the record of the repetition, the
1RM of the day from the controller. Reads no files.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from statistics import fmean
from typing import Any, Final

from ebbset.coaching.next_set import profile_looks_out_of_date
from ebbset.coaching.worth import are_hard, done_of
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.recording.reader import as_plain
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.selection import fullness
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.study_mark import mark_of

ROWS_VERSION: Final = 1
"""Raised whenever the same recording gives other rows, so that rows of before are made again."""

Row = dict[str, Any]


def profile_row(profile: LifterProfile) -> Row:
    """The row of a version of a profile."""
    document = profile.to_toml()
    return {
        "lifter": profile.lifter,
        "exercise": profile.exercise,
        "digest": hashlib.sha256(document.encode()).hexdigest(),
        "date": profile.date.isoformat(),
        "document": document,
    }


def set_row(item: RecordedSet) -> Row:
    """The row of a set, without the hash of its recording.

    Args:
        item: the recorded set.
    """
    decisions = [moment.decision for moment in item.moments]
    done = done_of(item.repetitions, decisions)
    hard = are_hard(done)
    cables = len({record.cable for record in item.repetitions}) or 1
    at_first_load = [record.at_first_load for record in item.repetitions]
    hard_fresh = sum(bool(one) and first for one, first in zip(hard, at_first_load, strict=True))
    completed = sum(record.outcome is RepetitionOutcome.COMPLETED for record in item.repetitions)
    one_rm_n, low_n, high_n = _one_rm_of_the_day(item)
    mark = mark_of(item.prescription.notes)
    fresh_n = item.fresh_n()
    finished, outputs = fullness(item)
    result = item.result
    return {
        "nonce": item.nonce,
        "lifter": item.person,
        "exercise": item.prescription.exercise,
        "rig": item.rig,
        "prescription": item.prescription.name,
        "prescription_digest": item.prescription.digest(),
        "units": item.prescription.units,
        "profile_digest": None if item.profile is None else profile_row(item.profile)["digest"],
        "profile_doubted": fresh_n is not None and profile_looks_out_of_date(item, fresh_n),
        "study": None if mark is None else mark.study,
        # A screen of the history is anybody's, so what is hidden from one audience is hidden.
        "blinded": mark is not None and bool(mark.hidden_from(None)),
        "simulated": item.simulated,
        "begun_at_s": None if item.begun_at is None else item.begun_at.timestamp(),
        "duration_s": item.duration_s,
        "cables": cables,
        "start_load_n": item.prescription.load.start_n,
        "final_load_n": max(result.final_load_n) if result is not None and result.final_load_n else None,
        "repetitions": completed / cables,
        "hard_fresh": hard_fresh / cables,
        "hard_in_fatigue": (int(hard.sum()) - hard_fresh) / cables,
        "drops": sum(decision.action == "drop" for decision in decisions),
        "bouts": 1 + max((record.bout for record in item.repetitions), default=0),
        "reason": None if result is None else result.reason.value,
        "ended_because": item.ended_because,
        "one_rm_n": one_rm_n,
        "one_rm_low_n": low_n,
        "one_rm_high_n": high_n,
        "budget_spent": _finite(item.loss_at_end()),
        "finished": finished,
        "fullness": outputs,
    }


def repetition_rows(item: RecordedSet) -> list[Row]:
    """Rows of a set's repetitions, all cables, in the order recorded."""
    rows = []
    tried = item.attempts.records
    for position, (record, begun, span_s) in enumerate(
        zip(item.repetitions, tried, item.repetition_spans_s, strict=True)
    ):
        copied = {name: _finite(getattr(record, name)) for name in _COPIED}
        rows.append(
            {
                "nonce": item.nonce,
                "position": position,
                "number": record.index,
                "bout": record.bout,
                "step": record.step,
                "cable": record.cable,
                "outcome": record.outcome.value,
                "tried_n": begun.load_n,
                "t_start_s": span_s[0],
                "t_end_s": span_s[1],
                **copied,
            }
        )
    return rows


def decision_rows(item: RecordedSet) -> list[Row]:
    """Rows of a set's decisions, in the order recorded."""
    return [
        {
            "nonce": item.nonce,
            "position": position,
            "t_s": moment.t_s,
            "action": moment.decision.action,
            "reason": moment.decision.reason.value,
            "repetition": moment.decision.repetition,
            "told": json.dumps(as_plain(moment.decision), sort_keys=True, ensure_ascii=False),
        }
        for position, moment in enumerate(item.moments)
    ]


_COPIED: Final = (
    "load_n",
    "rom_m",
    "mean_velocity_m_s",
    "peak_velocity_m_s",
    "mean_force_n",
    "capacity_n",
    "capacity_low_n",
    "capacity_high_n",
    "one_rm_n",
    "one_rm_low_n",
    "one_rm_high_n",
    "repetitions_in_reserve",
    "budget_spent",
)
"""Members of a repetition that its row has under the same name."""


def _finite(value: float | None) -> float | None:
    """SQLite keeps no NaN, so what is not finite is not known."""
    return value if value is not None and math.isfinite(value) else None


def _one_rm_of_the_day(item: RecordedSet) -> tuple[float | None, float | None, float | None]:
    """The newest estimate of the set with its 80 % interval, newtons; the mean of both sides.

    The errors of both sides go together, so their mean is no more certain than one of them.
    """
    found = []
    for cable in sorted({record.cable for record in item.repetitions}):
        told = _newest(item.repetitions, cable)
        fresh_n, sd_n = item.fresh_n(cable), item.fresh_sd_n(cable)
        if told is not None:
            found.append(told)
        elif fresh_n is not None and sd_n is not None:
            # Controllers of before 0.2.0 told capacity and budget only.
            found.append((fresh_n, max(fresh_n - Z_INTERVAL * sd_n, 0.0), fresh_n + Z_INTERVAL * sd_n))
    if not found:
        return None, None, None
    middle, low, high = (fmean(column) for column in zip(*found, strict=True))
    return middle, low, high


def _newest(records: Sequence[RepetitionRecord], cable: int) -> tuple[float, float, float] | None:
    for record in reversed(records):
        ends = (record.one_rm_n, record.one_rm_low_n, record.one_rm_high_n)
        if record.cable == cable and all(end is not None and math.isfinite(end) for end in ends):
            middle, low, high = (float(end or 0.0) for end in ends)
            return middle, low, high
    return None
