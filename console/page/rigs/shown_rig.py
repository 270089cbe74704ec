"""What a browser is told of a rig: figures as text, bars as parts of one, and the trace, each only if it may be shown.

Everything that leaves the server about a set at work is made here or in `drawings`, from a set that is seen through
`ScreenBlinding`; what a study hides is left out before anything is written, so it cannot reach the browser. Pure.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from ebbset.console.live.live_state import LiveState
from ebbset.console.live.screen_blinding import ScreenBlinding
from ebbset.console.live.shown import completed, decision_words, one_side, set_name, velocity_text
from ebbset.console.page.rigs.next_words import UNKNOWN, clock, next_words
from ebbset.console.page.rigs.rig_watch import STALE_S, RigWatch, TracePoint
from ebbset.controller.messages.reasons import Action, State
from ebbset.models.contract import formatting
from ebbset.models.contract.controller_messages import RepetitionReport
from ebbset.models.contract.study_mark import Audience
from ebbset.models.contract.units import from_newtons

AT_WORK: Final = frozenset({State.ARMED.value, State.WORKING.value, State.RESTING.value, State.ENDING.value})
"""States in which somebody may be under a load, or soon will be."""
_UNDER_LOAD: Final = frozenset({State.WORKING.value, State.RESTING.value, State.ENDING.value})
_LAST_SECONDS: Final = 3.0
"""Of a rest; a sound counts them."""


@dataclass(frozen=True, slots=True)
class ShownRig:
    """One rig at one moment, as one audience may see it.

    Attributes:
        watch: what is known of the rig.
        state: the set, seen by the audience.
        now_s: clock of the page, s.
        connected: whether the page is connected to the broker.
        blinding: what the screen leaves out.
    """

    watch: RigWatch
    state: LiveState
    now_s: float
    connected: bool
    blinding: ScreenBlinding

    @classmethod
    def of(cls, watch: RigWatch, audience: Audience | None, now_s: float, *, connected: bool) -> ShownRig:
        """Make it.

        Args:
            watch: what is known of the rig.
            audience: who looks at the screen; None: anybody.
            now_s: clock of the page, s.
            connected: whether the page is connected to the broker.
        """
        state = watch.seen_by(audience)
        return cls(watch, state, now_s, connected, state.blinding)

    @property
    def name(self) -> str:
        """Name of the armed set, as far as it may be shown."""
        return set_name(self.state, self.blinding)

    @property
    def at(self) -> str:
        """The state as on the wire; for decisions of the page, never shown as it is."""
        return State.OFFLINE.value if self.state.report is None else self.state.report.state

    @property
    def at_work(self) -> bool:
        """Whether somebody may be under a load, or soon will be."""
        return self.at in AT_WORK

    @property
    def age_s(self) -> float | None:
        """Age of the figures, s; None when nothing current is known."""
        return self.watch.age_s(self.now_s) if self.connected else None

    @property
    def stale(self) -> bool:
        """Whether the figures must not look current."""
        age_s = self.age_s
        return age_s is None or age_s > STALE_S

    @property
    def word(self) -> str:
        """The state in one or two words."""
        return _WORDS.get(self.blinding.state(self.at), self.blinding.state(self.at))

    @property
    def link(self) -> str:
        """How the rig is reached, in a few words."""
        identity = self.watch.identity
        if not self.connected:
            return "no connection to the broker"
        if not self.watch.controlled:
            return "no controller"
        if identity is None or not identity.online:
            return "rig offline"
        return "connected" if not self.stale else f"silent {aged(self.age_s)}"

    @property
    def ended(self) -> str:
        """Why the newest set ended; empty while it has not."""
        return self.state.ended_because or ""

    @property
    def next(self) -> str:
        """What happens next, for the person at the rig."""
        if not self.connected:
            return UNKNOWN
        return next_words(
            self.watch,
            self.blinding.state(self.at),
            self.now_s,
            tells_drops=not self.blinding.hides("condition"),
            ended=self.ended,
            audience=self.state.audience,
        )

    def session_figures(self) -> dict[str, str]:
        """The clock of the session on this rig, and its next set; empty without one."""
        session = self.watch.session
        if session is None:
            return {}
        title, load, why = session.next_set(self.state.audience)
        return {
            "session_left": clock(session.view.session_left_s),
            "session_rest": clock(session.view.rest_left_s),
            "session_set": title,
            "session_load": load or formatting.NONE,
            "session_why": why,
        }

    @property
    def person(self) -> str:
        """Pseudonym of the lifter at the rig, where it is known."""
        session = self.watch.session
        return session.lifter if session is not None else self.watch.person or ""

    def figures(self) -> dict[str, str]:
        """Every figure that may be shown, as text, by name."""
        state, hides, report = self.state, self.blinding.hides, self.state.report
        found = {"state": self.word, "link": self.link, "next": self.next, "name": self.name, "ended": self.ended}
        elapsed_s = self.watch.elapsed_s(self.now_s)
        found["elapsed"] = formatting.NONE if elapsed_s is None else clock(elapsed_s)
        # Rests and durations are the protocol's, so they tell the condition.
        told = not hides("condition", "decisions", "repetitions")
        rest_s = self.watch.rest_left_s(self.now_s) if told else None
        left_s = rest_s if rest_s is not None else self.watch.time_left_s(self.now_s) if told else None
        found["left"] = formatting.NONE if left_s is None else clock(left_s)
        found["left_of"] = "time left" if rest_s is None else "rest left"
        session = self.watch.session
        if session is not None and session.between_sets and not self.at_work:
            found["left"], found["left_of"] = clock(session.view.rest_left_s), "rest left"
        found |= self.session_figures()
        if not hides("load"):
            found["load"] = formatting.loads(self.watch.applied_n(), state.unit)
        if not hides("velocity", "repetitions"):
            found["velocity"] = velocity_text(state.velocity_m_s)
        if not hides("repetitions"):
            found["repetitions"] = str(completed(state))
        if not hides("budget"):
            found["budget"] = formatting.part(None if report is None else report.budget_spent)
            limit = None if report is None else report.budget_limit
            found["budget_of"] = "no limit on it" if limit is None else f"of {formatting.part(limit)} allowed"
        if not hides("load", "velocity", "repetitions", "budget"):
            newest = next((one for one in reversed(state.repetitions) if one.capacity_n is not None), None)
            found["capacity"] = formatting.load(None if newest is None else newest.capacity_n, state.unit)
            low, high = (None, None) if newest is None else (newest.capacity_low_n, newest.capacity_high_n)
            found["capacity_band"] = (
                f"{formatting.bare_load(low, state.unit)} to {formatting.load(high, state.unit)}" if low else ""
            )
            reserve = None if newest is None else newest.repetitions_in_reserve
            found["reserve"] = formatting.number(reserve, 1)
        return found

    def bars(self) -> dict[str, float]:
        """Every bar that may be shown, from 0 to 1, by name."""
        state, report, found = self.state, self.state.report, {}
        if not self.blinding.hides("load"):
            full_n = max(state.start_n, 1.0)
            found["load"] = _part(max(self.watch.applied_n(), default=0.0) / full_n)
            found["floor"] = _part(state.floor_n / full_n)
        if not self.blinding.hides("budget") and report is not None and report.budget_spent is not None:
            found["budget"] = _part(report.budget_spent / (report.budget_limit or 1.0))
        return found

    def sounds(self) -> dict[str, Any]:
        """What sounds follow: number of drops, whether a set is under way, and the last seconds of a rest."""
        told = drops_told = not self.blinding.hides("condition", "decisions", "repetitions", "load")
        rest_s = self.watch.rest_left_s(self.now_s)
        session = self.watch.session
        if session is not None and session.between_sets:
            # The rest between two sets is the session's, and no study hides that there is one.
            told, rest_s = True, session.view.rest_left_s or None
        return {
            "set": "" if self.state.report is None else self.state.report.nonce or "",
            "working": self.at in _UNDER_LOAD,
            "drops": sum(one.action == Action.DROP for one in self.state.decisions) if drops_told else 0,
            "tick": int(rest_s) + 1 if told and rest_s is not None and 0.0 < rest_s <= _LAST_SECONDS else 0,
        }

    def trace(self, points: Iterable[TracePoint]) -> list[list[float | None]]:
        """Points of the trace as time, s, load in the unit of people, position, m, velocity, m/s; None for hidden.

        Args:
            points: from the watch.
        """
        hides = self.blinding.hides
        load, motion = not hides("load"), not hides("repetitions", "velocity")
        if not load and not motion:
            return []
        return [
            [
                round(point.t_s, 3),
                round(from_newtons(point.load_n, self.state.unit), 2) if load else None,
                round(point.position_m, 3) if motion else None,
                round(point.velocity_m_s, 3) if motion else None,
            ]
            for point in points
        ]

    def decisions(self) -> list[dict[str, str]]:
        """The decisions that may be shown, the newest first: when, what, the change of load, why, and the code."""
        rows = []
        for one in reversed(self.state.decisions):
            words = decision_words(one, self.blinding)
            if words is None:
                continue
            row = {"did": words[0], "why": words[1], "when": "", "change": "", "code": ""}
            if not self.blinding.hidden:
                # Time, load and code of a decision tell of the protocol, whatever the study hides of it.
                begun_us = self.state.begun_us
                row["when"] = "" if begun_us is None else formatting.moment((one.t_host_us - begun_us) / 1e6)
                row["code"] = one.reason
                if one.action != Action.ARM:
                    row["change"] = formatting.load_change(one.from_n, one.to_n, self.state.unit)
            rows.append(row)
        return rows

    def repetitions(self) -> list[RepetitionReport]:
        """The repetitions of the first cable; none where a screen may not count them."""
        return [] if self.blinding.hides("repetitions") else one_side(self.state)

    def marker(self) -> str:
        """Tells whether anything but figures differs from another moment; made from what may be shown alone.

        A counter of messages would not do: a blinded browser could count what it must not know.
        """
        told: list[Any] = [
            self.at if not self.blinding.hidden else self.word,
            self.name,
            self.link,
            self.ended,
            self.decisions(),
        ]
        told += [self.watch.session.marker() if self.watch.session is not None else ""]
        told += [len(self.repetitions()), self.watch.live.simulated, sorted(self.blinding.hidden)]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:12]

    def message(self) -> dict[str, Any]:
        """Everything of this moment but the trace, as it goes to a browser."""
        age_s = self.age_s
        return {
            "age": None if age_s is None else round(age_s, 3),
            "link": self.link,
            "figures": self.figures(),
            "bars": self.bars(),
            "sounds": self.sounds(),
        }


def aged(age_s: float | None) -> str:
    """An age in words: tenths of a second, then seconds, minutes and hours."""
    if age_s is None:
        return "for an unknown time"
    if age_s < 10:
        return f"{age_s:.1f} s"
    if age_s < 120:
        return f"{age_s:.0f} s"
    return f"{age_s / 60:.0f} min" if age_s < 7_200 else f"{age_s / 3_600:.0f} h"


def _part(value: float) -> float:
    return round(min(max(value, 0.0), 1.0), 4)


_WORDS: Final = {
    State.OFFLINE.value: "offline",
    State.IDLE.value: "free",
    State.ARMED.value: "armed",
    State.WORKING.value: "lifting",
    State.RESTING.value: "resting",
    State.ENDING.value: "unloading",
    State.ENDED.value: "over",
}
"""The states of a set in words for people who know no wire contract."""
