"""The session that is on a rig now, as the rig's views show it: the clock, the next set, its load and why. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.coaching.sessions.progress import SessionView
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.models.contract import formatting
from ebbset.models.contract.study_mark import Audience, mark_of

A_STUDY = "a set of a study"


@dataclass(frozen=True, slots=True)
class SessionAtRig:
    """One session at one moment.

    Attributes:
        name: of its files.
        title: of its plan.
        lifter: pseudonym.
        view: where it stands.
        here: this page leads it.
    """

    name: str
    title: str
    lifter: str
    view: SessionView
    here: bool

    @classmethod
    def of(cls, name: str, plan: SessionPlanFile, view: SessionView, *, here: bool) -> SessionAtRig:
        """Make it.

        Args:
            name: of the session's files.
            plan: what is to be done.
            view: where it stands.
            here: this page leads it.
        """
        return cls(name, plan.name, plan.lifter, view, here)

    @property
    def between_sets(self) -> bool:
        """Whether no set of it is armed or at work."""
        return self.view.phase in ("resting", "ready")

    def next_set(self, audience: Audience | None) -> tuple[str, str, str]:
        """The set that is on now or comes next: its title, its start load, and why it starts with that.

        Args:
            audience: who looks; None: anybody. Of a set of a study, only what it lets everybody see is told.
        """
        step, order = self.view.step, self.view.order
        if step is None:
            return "", "", ""
        mark = mark_of(step.prescription.notes)
        if mark is not None and mark.hidden_from(audience):
            return A_STUDY, "", ""
        load = "" if order is None else formatting.load(order.load.start_n, order.units)
        return step.title, load, self.view.start_why

    def marker(self) -> tuple[object, ...]:
        """What of it is more than a clock; tells nothing of a set but that it is over."""
        view = self.view
        return (self.name, self.here, view.phase, view.step_number, *(one.state for one in view.steps))
