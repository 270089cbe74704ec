"""What a study hides reaches no screen: every byte drawn during whole sets is searched, and hidden values are changed.

Two whole sets, one with drops and one with a programmed rest, go over the wire and into the live view, which is drawn
after every message. A screen that hides something must not hold it, and must stay the same to the byte when it differs.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pytest

from ebbset.console.app import run
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import in_a_line, picture
from ebbset.console.live.screen_blinding import _ALWAYS, _FAULTS, _TELLS, ScreenBlinding
from ebbset.console.terminal import Terminal
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Decision, SendArm, SendLoad, SendRelease, SendUnload, SetResult
from ebbset.controller.messages.events import Event, Samples
from ebbset.controller.messages.reasons import SENTENCES, AnswerCode, Reason
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import CableSamples, SampleFrame
from ebbset.models.contract.study_mark import EVERYTHING, QUANTITIES, Audience
from ebbset.models.contract.wire import Topic
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.study.design import StudyFile
from ebbset.study.study_file import Study, study_of

DROPS: Final = {
    "name": "Drops by fifths",
    "exercise": "row",
    "load": {"start_n": 450.0, "floor_n": 200.0},
    "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.2}},
    "budget": {"capacity_loss": 0.9},
    "stop": {"max_drops": 1, "max_duration_s": 35.0},
}
RESTS: Final = {
    "name": "Rest-pause",
    "exercise": "row",
    "load": {"start_n": 450.0, "floor_n": 200.0},
    "bouts": [{"repetitions": 3}, {"repetitions": 2, "rest_before_s": 8.0}],
}
NAMES: Final = ("falling", "paused", "Drops by fifths", "Rest-pause", "fixed_fraction", "resting", "Rest.", "Dropped")
FORBIDDEN: Final[dict[str, str]] = {
    "condition": "|".join(map(re.escape, NAMES)) + r"|\bbouts?\b|\bdrops?\b|polic",
    "load": r"\bload\b|\bkg\b|\blb\b|\d N\b|[█┊·]",
    "velocity": r"m/s|velocity|[▁▂▃▄▅▆▇]",
    "repetitions": r"\brepetitions?\b|bouts? (is|are) done|×|[▁▂▃▄▅▆▇█]",
    "budget": r"budget|capacity|%|[━─]",
    "decisions": r"\b(Dropped|Held|Rest|Load on)\b|stopped on the way|No decision",
}
"""What may never be on a screen that hides it. Figures are searched too, as the messages hold them."""


def study(**blinding: Any) -> Study:
    file = {
        "name": "Invented",
        "seed": 5,
        "design": "crossover",
        "start": "2026-12-01",
        "washout_days": 1,
        "time_zone": "Europe/Berlin",
        "blinding": blinding,
        "conditions": [
            {"code": "A", "label": "falling", "prescription": "a.toml"},
            {"code": "B", "label": "paused", "prescription": "b.toml"},
        ],
        "participants": [{"id": "p01"}, {"id": "p02"}],
    }
    arms = {"A": Prescription.model_validate(DROPS), "B": Prescription.model_validate(RESTS)}
    return study_of(StudyFile.model_validate(file), arms)


def session(arm: str, **blinding: Any) -> Prescription:
    found = study(**blinding)
    return found.order_of(next(s for s in found.schedule if s.condition == arm))


@lru_cache(maxsize=2)
def handled(condition: str) -> list[tuple[Event, tuple[Any, ...]]]:
    """A whole simulated set of a condition: inputs of the controller and what it sent."""
    kept: list[tuple[Event, tuple[Any, ...]]] = []
    order = session(condition)
    run_set(order, exercise("row").mean_lifter(), RigParameters(), seed=3,
            recorder=lambda event, outputs: kept.append((event, outputs)))  # fmt: skip
    return kept


@lru_cache(maxsize=2)
def heard(arm: str) -> list[tuple[Topic, str]]:
    """Everything that an observer hears of the set, with one frame in four."""
    found = []
    for number, (event, outputs) in enumerate(handled(arm)):
        if isinstance(event, Samples) and number % 4 == 0:
            found.append((Topic.FRAME, json.dumps(_frame(event, number))))
        for output in outputs:
            if not isinstance(output, SendArm | SendLoad | SendUnload | SendRelease):
                topic, payload = codec.to_wire(output)
                found.append((topic, payload.decode()))
    return found


def messages(arm: str, order: Prescription) -> Iterator[tuple[Topic, dict[str, Any]]]:
    """The same as of a set that was armed with this order."""
    for topic, payload in heard(arm):
        told = json.loads(payload)
        if told.get("prescription_hash"):
            told["prescription_hash"] = order.digest()
        yield topic, told


def _frame(event: Samples, number: int) -> dict[str, Any]:
    cables = tuple(
        CableSamples(position_m=p, velocity_m_s=v) for p, v in zip(event.position_m, event.velocity_m_s, strict=True)
    )
    frame = SampleFrame(boot_id=event.boot_id, seq=number, docked=False, applied_n=event.applied_n,
                        t_us=event.t_us, cables=cables)  # fmt: skip
    told: dict[str, Any] = json.loads(frame.model_dump_json())
    return told


Change = Callable[[Topic, dict[str, Any]], dict[str, Any] | None]


def drawn(arm: str, audience: Audience | None, change: Change | None = None, **blinding: Any) -> str:
    """All that reaches the screen during a set, drawn after every event and now and then in between."""
    order = session(arm, **blinding)
    state, screen = LiveState.of(order, audience), io.StringIO()
    terminal = Terminal(file=screen, width=100)
    for number, (topic, told) in enumerate(messages(arm, order)):
        changed = told if change is None else change(topic, told)
        if changed is not None:
            state.take(topic, json.dumps(changed).encode())
        if topic not in (Topic.FRAME, Topic.STATE) or number % 25 == 0:
            terminal.print(picture(state))
            screen.write(in_a_line(state) + "\n")
    assert state.result is not None
    screen.write(f"It ended because: {state.ended_because}\n")
    return screen.getvalue()


def texts_of(condition: str) -> set[str]:
    """Sentences of the controller that a protocol's decisions and result came with."""
    found = set()
    for _, outputs in handled(condition):
        for output in outputs:
            if isinstance(output, Decision | SetResult) and output.reason in _TELLS and output.text:
                found.add(output.text)
    return found


@pytest.mark.parametrize("condition", ["A", "B"])
@pytest.mark.parametrize("audience", ["lifter", "assessor", None])
def test_no_byte_of_a_screen_holds_what_is_hidden(condition: str, audience: Audience | None) -> None:
    """The lifter may see velocity, the assessor the load; nobody sees condition, repetitions, budget or decisions."""
    blinding = {
        "hide": ["repetitions", "budget", "decisions"],
        "hide_from_lifter": ["load"],
        "hide_from_assessor": ["velocity"],
    }
    hidden = {"condition", "repetitions", "budget", "decisions"}
    hidden |= {"load"} if audience != "assessor" else set()
    hidden |= {"velocity"} if audience != "lifter" else set()
    screen = drawn(condition, audience, None, **blinding)
    assert "Session" in screen
    assert "under way" in screen
    searched = re.sub(r"Session \d of p0\d", "", screen)
    for quantity in sorted(hidden):
        # The bar of the load is made of the same blocks as the marks of repetitions.
        pattern = FORBIDDEN[quantity]
        if "load" not in hidden or "velocity" not in hidden:
            pattern = pattern.replace("|[▁▂▃▄▅▆▇█]", "")
        found = re.search(pattern, searched)
        assert found is None, f"{quantity}: {found} in {searched[max(found.start() - 60, 0) : found.end() + 60]!r}"
    for text in texts_of(condition):
        assert text not in screen
    assert ("load  " in screen) is (audience == "assessor")
    assert ("velocity  " in screen) is (audience == "lifter")
    assert "It ended because: The set is over." in screen


@pytest.mark.parametrize("condition", ["A", "B"])
def test_figures_that_are_hidden_are_nowhere(condition: str) -> None:
    """Every load, velocity, share and count that the wire holds, as the screen would write it."""
    screen = drawn(condition, "lifter", hide=list(QUANTITIES))
    left = re.sub(r"Session \d of p0\d", "", screen)
    # The time since the first load is the only figure left.
    left = re.sub(r"   \d+(\.\d+)? s\b|   \d+ min( \d+ s)?", "", left)
    assert re.search(r"\d", left) is None, re.search(r".{40}\d.{40}", left)
    shown = drawn(condition, "lifter", condition=False)
    for told in ("kg", "m/s", "repetitions", "capacity lost"):
        assert told in shown
        assert told not in screen


def _scaled(told: dict[str, Any], names: tuple[str, ...], factor: float) -> dict[str, Any]:
    def one(value: Any) -> Any:
        return [round(v * factor, 3) for v in value] if isinstance(value, list) else value and round(value * factor, 6)

    return {**told, **{name: one(told[name]) for name in names if told.get(name)}}


def other_loads(topic: Topic, told: dict[str, Any]) -> dict[str, Any]:
    changed = _scaled(told, ("applied_n", "target_n", "load_n", "from_n", "to_n", "final_load_n"), 0.8)
    if topic is Topic.DECISION:
        changed["text"] = "The load drops by 33 % to 12.3 kg."
    return changed


def other_velocities(topic: Topic, told: dict[str, Any]) -> dict[str, Any]:
    changed = _scaled(told, ("velocity_m_s", "mean_velocity_m_s", "peak_velocity_m_s"), 0.7)
    if topic is Topic.FRAME:
        changed["cables"] = [_scaled(cable, ("velocity_m_s",), 0.7) for cable in told["cables"]]
    if topic is Topic.DECISION:
        changed["text"] = "It slowed from 0.81 to 0.12 m/s."
    return changed


def fewer_repetitions(topic: Topic, told: dict[str, Any]) -> dict[str, Any] | None:
    if topic is Topic.REPETITION_REPORT:
        return None
    if topic is Topic.DECISION:
        return {**told, "repetition": 0, "text": "Repetition 1 is done."}
    return {**told, "repetitions": 1} if "repetitions" in told else told


def another_budget(topic: Topic, told: dict[str, Any]) -> dict[str, Any]:
    changed = {**told, **{name: 0.123 for name in ("budget_spent", "budget_limit") if told.get(name)}}
    if topic is Topic.DECISION:
        changed["text"] = "12.3 % of the budget is spent."
    return changed


def another_arm(topic: Topic, told: dict[str, Any]) -> dict[str, Any]:
    """Another policy, other reasons of the protocol, a rest where there was none."""
    changed = dict(told)
    if topic is Topic.DECISION and told["reason"] in _TELLS:
        changed |= {"text": "own_policy: 5 % off", "action": "hold", "reason": Reason.REPETITIONS_DONE.value}
    if topic is Topic.RESULT:
        changed |= {"text": "Done.", "reason": Reason.DURATION_SPENT.value}
    if topic is Topic.STATE and told["state"] == "working":
        changed["state"] = "resting"
    return changed


@pytest.mark.parametrize("condition", ["A", "B"])
@pytest.mark.parametrize(
    ("hide", "change"),
    [
        (["load"], other_loads),
        (["velocity"], other_velocities),
        (["repetitions"], fewer_repetitions),
        (["budget"], another_budget),
        ([], another_arm),
    ],
)
def test_a_screen_is_the_same_to_the_byte_when_what_it_hides_differs(
    condition: str, hide: list[str], change: Change
) -> None:
    assert drawn(condition, None, hide=hide) == drawn(condition, None, change, hide=hide)
    # The change is one that a screen which hides nothing shows.
    assert drawn(condition, None, condition=False) != drawn(condition, None, change, condition=False)


def test_every_reason_is_judged_once() -> None:
    assert len(_ALWAYS) + len(_FAULTS) + len(_TELLS) == len(Reason)
    assert _ALWAYS | _FAULTS | set(_TELLS) == set(Reason)
    assert not _ALWAYS & set(_TELLS)
    for reason in Reason:
        said = ScreenBlinding(EVERYTHING).ended_because(reason)
        assert re.search(r"\d", said) is None
        if reason not in _ALWAYS:
            assert all(re.search(pattern, said) is None for pattern in FORBIDDEN.values())
        if reason in _TELLS:
            assert said == "The set is over."
        assert ScreenBlinding(EVERYTHING - {*_TELLS.get(reason, ())}).sentence(reason) in (SENTENCES[reason], said)
    assert ScreenBlinding(EVERYTHING).sentence("a_reason_of_a_later_controller") is None


def test_who_watches_without_the_prescription_or_with_another_one_sees_nothing_of_a_session() -> None:
    order = session("B", hide=["load"])
    for given, why in ((None, "what its screens may show is not known"), (session("A"), "is not the one given")):
        state = LiveState() if given is None else LiveState.of(given)
        screen = io.StringIO()
        for topic, told in messages("B", order):
            state.take(topic, json.dumps(told).encode())
            if topic is not Topic.FRAME and state.report is not None and state.report.prescription:
                Terminal(file=screen, width=200).print(picture(state))
        text = screen.getvalue()
        assert why in text
        for quantity in EVERYTHING - {"load"}:
            assert re.search(FORBIDDEN[quantity], text) is None
        assert "kg" not in text


def test_a_recording_failure_is_told_without_the_name_of_its_file() -> None:
    state = LiveState.of(session("A"))
    state.take(Topic.STATE, json.dumps({"t_host_us": 1, "state": "working",
               "recording_failure": "OSError: drops-by-fifths.mcap: no space"}).encode())  # fmt: skip
    screen = io.StringIO()
    Terminal(file=screen, width=100).print(picture(state))
    assert "not recorded: see the controller's log" in screen.getvalue()
    assert "drops" not in screen.getvalue()


@pytest.mark.parametrize(
    ("code", "message"),
    [
        (AnswerCode.ABOVE_RIG_MAXIMUM, "the start load 450 N is above the rig's 400 N"),
        (AnswerCode.UNKNOWN_POLICY, "drop.policy is 'fixed_fraction'; allowed: none"),
        (AnswerCode.BAD_POLICY_PARAMETERS, "drop.parameters.fraction is 7"),
        (AnswerCode.NOT_WHILE_RESTING, "start is not possible while resting"),
    ],
)
def test_answers_to_requests_tell_no_load_policy_or_rest(code: AnswerCode, message: str) -> None:
    shown = " ".join(ScreenBlinding(frozenset({"condition"})).answer(code, message))
    assert message not in shown
    assert "resting" not in shown
    assert not re.search(r"\d", shown)
    assert ScreenBlinding().answer(code, message) == (code, message)


def test_check_shows_only_the_name_of_a_blinded_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "today.toml").write_text(session("A").to_toml())
    assert run(["check", str(tmp_path / "today.toml")]) == 0
    shown = capsys.readouterr().out
    assert re.search(r"Session \d of p01", shown)
    assert not any(name in shown for name in NAMES)
    assert formatting.load(450.0, "kg") not in shown
