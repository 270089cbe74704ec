"""A simulated set that pauses at every stall and waits for somebody to say which load comes next.

The closed loop asks its drop policy in the middle of handling a frame, and an environment is asked the other way round:
it gives an observation and waits for an action. A thread of its own runs the loop, and a policy inside it hands each
question over and waits for the answer. Only one of the two sides ever runs, so that the set is the same, to the bit, as
with a policy that answers at once. How a set runs is the closed loop's; what an answer is worth is in `rewards`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any, ClassVar, Final

from ebbset.controller.policies.policy import DropView, Proposal
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.prescription import DropSection, Prescription
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet

ASKING: Final = "asks_the_environment"
"""Name under which the policy that asks is installed in the controllers of paused sets."""


class _AbandonedError(BaseException):
    """Nobody will answer any more. No `Exception`, so that neither controller nor loop takes it for a defect."""


@dataclass(frozen=True, slots=True)
class _AskingPolicy:
    """A drop policy that asks somebody else, and a factory that always gives itself."""

    ask: Callable[[DropView], float]
    name: ClassVar[str] = ASKING

    def from_parameters(self, _parameters: Mapping[str, Any]) -> _AskingPolicy:
        """This policy, which has no parameters."""
        return self

    def initial(self) -> None:
        """No state: whoever answers keeps what they need."""
        return

    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        """Propose what was answered.

        Args:
            _state: unused.
            view: what is known at the stall, handed on.
        """
        return None, Proposal(self.ask(view), "as the environment was told")


Run = Callable[[Callable[[], SetController], Callable[[], bool]], SimulatedSet]
"""Runs a whole set, given what makes its controller and what says when the person stops it."""


class PausedSet:
    """One set, from stall to stall.

    Args:
        run: the set; its prescription must name the policy `ASKING`.

    Attributes:
        outcome: what the set came to; None while it runs.
    """

    def __init__(self, run: Run) -> None:
        self.outcome: SimulatedSet | None = None
        self._run = run
        self._told: SimpleQueue[DropView | SimulatedSet | BaseException] = SimpleQueue()
        self._answers: SimpleQueue[float | None] = SimpleQueue()
        self._stopped = False
        self._thread = threading.Thread(target=self._work, name="paused set", daemon=True)

    def begin(self) -> DropView | None:
        """Run to the first stall; None if the set ended without one.

        Raises:
            SetNotRunError: the controller refused to arm or start.
        """
        self._thread.start()
        return self._wait()

    def answer(self, load_n: float) -> DropView | None:
        """Go on with this proposal to the next stall; None if the set is over.

        Args:
            load_n: load proposed, N per cable.
        """
        self._answers.put(load_n)
        return self._wait()

    def stop(self, view: DropView) -> None:
        """Have the person stop the set at the stall where it stands, and run it to its end.

        Args:
            view: of that stall. Until the stop arrives, within a frame, the controller makes its least drop.
        """
        self._stopped = True
        while self.outcome is None:
            self.answer(view.load_n)

    def abandon(self) -> None:
        """Leave a set that is not over; its thread ends."""
        if self._thread.is_alive():
            self._answers.put(None)
            self._thread.join()

    def _wait(self) -> DropView | None:
        told = self._told.get()
        if isinstance(told, DropView):
            return told
        self._thread.join()
        if isinstance(told, SimulatedSet):
            self.outcome = told
            return None
        raise told

    def _work(self) -> None:
        try:
            policies = {ASKING: _AskingPolicy(self._ask)}
            self._told.put(self._run(lambda: SetController(policies), lambda: self._stopped))
        except _AbandonedError:
            return
        except BaseException as error:
            # Raised again on the side that waits, whatever it is; else that side would wait for ever.
            self._told.put(error)

    def _ask(self, view: DropView) -> float:
        self._told.put(view)
        load_n = self._answers.get()
        if load_n is None:
            raise _AbandonedError
        return load_n


def asking(prescription: Prescription) -> Prescription:
    """The prescription with the policy that asks."""
    return prescription.model_copy(update={"drop": DropSection(policy=ASKING)})
