"""The tables that recordings are exported to: every column with its type, unit and meaning, and one row from a set.

This is the data dictionary; the exporter, the package descriptor and the dictionary file are all made from it. A
column that is not here is not exported. No file is written here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract.study_mark import mark_of
from ebbset.study.departures import date_of
from ebbset.study.study_file import Study

Kind = Literal["string", "integer", "number", "boolean", "datetime"]
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    kind: Kind
    unit: str
    meaning: str
    required: bool = False


_KEY: Final = (
    Column("recording", "string", "", "file name of the recording", required=True),
    Column("set", "string", "", "nonce of the armed set, unique", required=True),
)
_CABLE: Final = Column("cable", "integer", "", "cable, from 0; 0 is the left one where there are two", required=True)
_REP: Final = "estimated from load and velocity, see the method page"
_LOW: Final = "lower end of its 80 % interval"
_HIGH: Final = "upper end of its 80 % interval"

TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "sets": (
        *_KEY,
        Column("study", "string", "", "SHA-256 of what the study registered; empty outside studies"),
        Column("amendment", "integer", "", "amendments that the study file had when the session was made; 0: none"),
        Column("participant", "string", "", "pseudonym from the study, else the lifter of the profile"),
        Column("period", "integer", "", "session number of the participant, from 1"),
        Column("condition", "string", "", "condition code; only where the study file was given"),
        Column("exercise", "string", "", "exercise of the prescription", required=True),
        Column("prescription", "string", "", "name of the prescription", required=True),
        Column("prescription_sha256", "string", "", "digest of the prescription", required=True),
        Column("begun_at", "datetime", "UTC", "wall clock of the controller when the first load was put on"),
        Column("site_date", "string", "", "date of begun_at in the site's time zone; only where the study was given"),
        Column("rig_clock_at_zero_s", "number", "s", "rig clock where t_s is 0"),
        Column("recording_clock_at_zero_s", "number", "s", "clock of the recording there (log_time in the file)"),
        Column(
            "machine_clock_at_zero_s",
            "number",
            "s",
            "monotonic clock of the controller's machine there; on Linux the Lab Streaming Layer's clock",
        ),
        Column("clock_rate", "number", "", "seconds of these two clocks for each second of t_s"),
        Column("start_load_n", "number", "N", "prescribed start load, per cable", required=True),
        Column("floor_load_n", "number", "N", "prescribed floor load, per cable", required=True),
        Column("ended_by", "string", "", "reason code; empty when the recording ends first"),
        Column("spent_budget", "string", "", "budget that ended it: a field of the prescription's budget; empty: none"),
        Column("repetitions", "integer", "", "completed repetitions"),
        Column("drops", "integer", "", "drops of load"),
        Column("bouts", "integer", "", "bouts begun"),
        Column("duration_s", "number", "s", "from the first load to the end, rests included"),
        Column("final_load_n", "number", "N", "last load, cable 0"),
        Column("budget_spent", "number", "", "estimated loss of capacity from fresh at the end, 0 to 1"),
        Column("hard_repetitions", "number", "", "completed with at most 4 in reserve, estimated; cables averaged"),
        Column("relative_worth", "number", "", "relative, estimated: 1 = one fresh repetition at failure; median"),
        Column("relative_worth_low", "number", "", "lower end of the 80 % range over the assumptions"),
        Column("relative_worth_high", "number", "", "upper end of the 80 % range over the assumptions"),
        Column("refused_inputs", "integer", "", "inputs that the controller refused"),
        Column("guard_refusals", "integer", "", "commands that the guard refused; a defect if not 0"),
        Column("simulated", "boolean", "", "the rig announced that it is simulated, or a fact says so", required=True),
        Column("whole", "boolean", "", "nothing is missing from the recording", required=True),
    ),
    "repetitions": (
        *_KEY,
        _CABLE,
        Column("repetition", "integer", "", "attempt on this cable, from 1", required=True),
        Column("attempt", "string", "", "key of the row: set, cable and repetition, joined by slashes", required=True),
        Column("bout", "integer", "", "bout, from 0", required=True),
        Column("step", "integer", "", "drops since the bout began, when it began", required=True),
        Column("outcome", "string", "", "completed, partial, failed or not_started", required=True),
        Column("load_n", "number", "N", "commanded load when it began: where it failed, if it did", required=True),
        Column("ended_load_n", "number", "N", "commanded load when it ended; lower if it was helped", required=True),
        Column("start_s", "number", "s", "start of the concentric, rig clock, 0 = first load on", required=True),
        Column("end_s", "number", "s", "end of the concentric, same clock", required=True),
        Column("rom_m", "number", "m", "range of motion", required=True),
        Column("mean_velocity_m_s", "number", "m/s", "mean concentric velocity", required=True),
        Column("peak_velocity_m_s", "number", "m/s", "peak concentric velocity", required=True),
        Column("min_velocity_m_s", "number", "m/s", "lowest velocity in the concentric", required=True),
        Column("mean_force_n", "number", "N", "mean cable force; empty without a force sensor"),
        Column("capacity_n", "number", "N", "momentary 1RM after the repetition, " + _REP),
        Column("capacity_sd_n", "number", "N", "its standard deviation"),
        Column("capacity_low_n", "number", "N", _LOW),
        Column("capacity_high_n", "number", "N", _HIGH),
        Column("one_rm_n", "number", "N", "1RM of the day, unfatigued, as known after the repetition, " + _REP),
        Column("one_rm_low_n", "number", "N", _LOW),
        Column("one_rm_high_n", "number", "N", _HIGH),
        Column("repetitions_in_reserve", "number", "", "left at ended_load_n after the repetition, " + _REP),
        Column("repetitions_in_reserve_low", "number", "", _LOW),
        Column("repetitions_in_reserve_high", "number", "", _HIGH),
        Column("budget_spent", "number", "", "estimated loss of capacity from fresh after the repetition, 0 to 1"),
        Column("budget_sd", "number", "", "its standard deviation"),
        Column("budget_spent_low", "number", "", _LOW),
        Column("budget_spent_high", "number", "", _HIGH),
        Column("load_changed", "boolean", "", "the load changed after it began", required=True),
        Column(
            "reserve", "number", "", "repetitions in reserve in hindsight: counted back from a stall, else estimated"
        ),
        Column("reserve_sd", "number", "", "its standard deviation; 0 if known from a stall"),
        Column("fatigue", "number", "", "estimated loss of capacity when the repetition began, 0 to 1"),
        Column("relative_worth", "number", "", "relative, estimated: 1 = one fresh repetition at failure; median"),
        Column("relative_worth_low", "number", "", "lower end of the 80 % range over the assumptions"),
        Column("relative_worth_high", "number", "", "upper end of the 80 % range over the assumptions"),
    ),
    "decisions": (
        *_KEY,
        Column("decision", "integer", "", "number of the decision", required=True),
        Column("t_s", "number", "s", "rig clock, 0 = first load on", required=True),
        Column("state", "string", "", "state of the set after it", required=True),
        Column("action", "string", "", "what was decided", required=True),
        Column("reason", "string", "", "reason code", required=True),
        Column("cable", "integer", "", "cable it was about; empty: both"),
        Column("from_n", "number", "N", "load before, cable 0"),
        Column("to_n", "number", "N", "load after, cable 0"),
        Column("from_2_n", "number", "N", "load before, cable 1"),
        Column("to_2_n", "number", "N", "load after, cable 1"),
        Column("repetition", "integer", "", "attempt that it responds to, on the cable of the row; empty: none"),
        Column("attempt", "string", "", "key of that row in repetitions; empty: none"),
        Column("completed", "integer", "", "completed repetitions until then", required=True),
        Column("inputs", "string", "", "numbers it was based on, name=value separated by semicolons"),
        Column("thresholds", "string", "", "thresholds they were compared with, same form"),
        Column("limited_by", "string", "", "limits that narrowed the policy's proposal, separated by semicolons"),
        Column("text", "string", "", "the decision in words", required=True),
    ),
    "samples": (
        *_KEY,
        _CABLE,
        Column("t_s", "number", "s", "rig clock, 0 = first load on", required=True),
        Column("position_m", "number", "m", "cable paid out from the docked handle"),
        Column("velocity_m_s", "number", "m/s", "positive in the concentric"),
        Column("force_n", "number", "N", "cable tension; empty without a force sensor"),
        Column("applied_n", "number", "N", "applied load as reported by the rig"),
    ),
}


_ESTIMATED: Final = (
    "capacity_low_n",
    "capacity_high_n",
    "one_rm_n",
    "one_rm_low_n",
    "one_rm_high_n",
    "repetitions_in_reserve",
    "repetitions_in_reserve_low",
    "repetitions_in_reserve_high",
    "budget_spent_low",
    "budget_spent_high",
)
"""Columns that are members of a record under the same name; empty where its version did not record them."""


class RangeLike(Protocol):
    """A figure with its range, as `coaching.worth` gives it."""

    @property
    def low(self) -> float:
        """Lower end."""

    @property
    def middle(self) -> float:
        """Median."""

    @property
    def high(self) -> float:
        """Upper end."""


class RepetitionWorthLike(Protocol):
    """One repetition and what it was probably worth."""

    @property
    def record(self) -> RepetitionRecord:
        """As recorded."""

    @property
    def reserve(self) -> float:
        """Repetitions in reserve after it."""

    @property
    def reserve_sd(self) -> float:
        """Its standard deviation."""

    @property
    def fatigue(self) -> float:
        """Part of the fresh capacity that was gone when it began."""

    @property
    def relative(self) -> RangeLike:
        """Worth; 1 is a fresh repetition at failure."""


class SetWorthLike(Protocol):
    """What a whole set was probably worth. Whoever exports hands it in: a study does not look into coaching."""

    @property
    def repetitions(self) -> Sequence[RepetitionWorthLike]:
        """Oldest first."""

    @property
    def hard_repetitions(self) -> float:
        """Completed with at most four in reserve."""

    @property
    def total(self) -> RangeLike:
        """Sum over the repetitions."""


def rows(item: RecordedSet, *, study: Study | None, whole: bool, worth: SetWorthLike | None) -> dict[str, list[Row]]:
    """Rows of sets, repetitions and decisions of one recorded set; ``worth`` is None where nothing is estimated.

    Args:
        item: the recorded set.
        study: its study; ``None``: none.
        whole: the recording was read without damage.
        worth: estimated worth; ``None``: not estimated.
    """
    key = {"recording": item.source, "set": item.nonce}
    return {
        "sets": [key | _set_row(item, worth, study, whole)],
        "repetitions": [key | row for row in _repetition_rows(item, worth)],
        "decisions": [key | row for row in _decision_rows(item)],
    }


def _set_row(item: RecordedSet, worth: SetWorthLike | None, study: Study | None, whole: bool) -> Row:
    mark, order, result = mark_of(item.prescription.notes), item.prescription, item.result
    session = study.session(mark.participant, mark.period) if study is not None and mark is not None else None
    own = study is not None and mark is not None and mark.study == study.hash
    date = date_of(item, study) if study is not None and own else None
    row: Row = {
        "study": mark.study if mark else None,
        "amendment": mark.origin.amendment if mark and mark.origin else None,
        "participant": item.person,
        "period": mark.period if mark else None,
        "site_date": None if date is None else date.isoformat(),
        "condition": session.condition if session is not None and own else None,
        "exercise": order.exercise,
        "prescription": order.name,
        "prescription_sha256": order.digest(),
        "begun_at": item.begun_at,
        "rig_clock_at_zero_s": item.clocks.rig_s,
        "recording_clock_at_zero_s": item.clocks.recording_s,
        "machine_clock_at_zero_s": item.clocks.machine_s,
        "clock_rate": item.clocks.rate,
        "start_load_n": order.load.start_n,
        "floor_load_n": order.load.floor_n,
        "simulated": item.simulated,
        "whole": whole,
    }
    if worth is not None:
        row |= {"hard_repetitions": worth.hard_repetitions} | _range(worth.total)
    if result is not None:
        row |= {
            "ended_by": result.reason.value,
            "spent_budget": item.spent_budget,
            "repetitions": result.repetitions,
            "drops": result.drops,
            "bouts": result.bouts,
            "duration_s": result.duration_s,
            "final_load_n": result.final_load_n[0] if result.final_load_n else None,
            "budget_spent": result.budget_spent,
            "refused_inputs": result.refused_inputs,
            "guard_refusals": result.guard_refusals,
        }
    return row


def _range(found: RangeLike) -> Row:
    return {"relative_worth": found.middle, "relative_worth_low": found.low, "relative_worth_high": found.high}


def _repetition_rows(item: RecordedSet, worth: SetWorthLike | None) -> Iterator[Row]:
    if worth is None:
        return
    spans, tries = item.repetition_spans_s, item.attempts.records
    for one, tried, (start_s, end_s) in zip(worth.repetitions, tries, spans, strict=True):
        record = one.record
        yield {
            "cable": record.cable,
            "repetition": record.index,
            "attempt": _attempt(item, record.cable, record.index),
            "bout": record.bout,
            "step": tried.step,
            "outcome": record.outcome.value,
            "load_n": tried.load_n,
            "ended_load_n": record.load_n,
            "start_s": start_s,
            "end_s": end_s,
            "rom_m": record.rom_m,
            "mean_velocity_m_s": record.mean_velocity_m_s,
            "peak_velocity_m_s": record.peak_velocity_m_s,
            "min_velocity_m_s": record.min_velocity_m_s,
            "mean_force_n": record.mean_force_n,
            "capacity_n": record.capacity_n,
            "capacity_sd_n": record.capacity_sd_n,
            "budget_spent": record.budget_spent,
            "budget_sd": record.budget_sd,
            **{name: getattr(record, name) for name in _ESTIMATED},
            "load_changed": record.load_changed,
            "reserve": one.reserve,
            "reserve_sd": one.reserve_sd,
            "fatigue": one.fatigue,
        } | _range(one.relative)


def _decision_rows(item: RecordedSet) -> Iterator[Row]:
    answered = item.attempts.answered
    for moment in item.moments:
        made = moment.decision
        about = answered.get(made.seq)
        yield {
            "decision": made.seq,
            "t_s": moment.t_s,
            "state": made.state.value,
            "action": made.action,
            "reason": made.reason.value,
            "cable": made.cable,
            "from_n": made.from_n[0] if made.from_n else None,
            "to_n": made.to_n[0] if made.to_n else None,
            "from_2_n": made.from_n[1] if len(made.from_n) > 1 else None,
            "to_2_n": made.to_n[1] if len(made.to_n) > 1 else None,
            "repetition": None if about is None else about[1],
            "attempt": None if about is None else _attempt(item, *about),
            "completed": made.repetition,
            "inputs": _pairs(made.inputs),
            "thresholds": _pairs(made.thresholds),
            "limited_by": ";".join(limit.value for limit in made.limited_by) or None,
            "text": made.text,
        }


def _attempt(item: RecordedSet, cable: int, index: int) -> str:
    """Key of a repetition. One column, because a row without a repetition must leave the whole key empty."""
    return f"{item.nonce}/{cable}/{index}"


def _pairs(numbers: tuple[tuple[str, float | None], ...]) -> str | None:
    return ";".join(f"{name}={'' if value is None else repr(value)}" for name, value in numbers) or None


def sample_columns(item: RecordedSet) -> Iterator[Mapping[str, Any]]:
    """Samples of one set, one mapping of equally long columns per cable."""
    trace = item.trace
    n = int(trace.t_s.size)
    for cable in range(trace.cables):
        yield {
            "recording": [item.source] * n,
            "set": [item.nonce] * n,
            "cable": [cable] * n,
            "t_s": trace.t_s,
            "position_m": trace.position_m[:, cable],
            "velocity_m_s": trace.velocity_m_s[:, cable],
            "force_n": trace.force_n[:, cable],
            "applied_n": trace.applied_n[:, cable],
        }
