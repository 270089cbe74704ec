"""What happens next at a rig, in a sentence for the person at it. Pure."""

from __future__ import annotations

from typing import Final

from ebbset.console.page.rigs.rig_watch import RigWatch
from ebbset.console.page.rigs.session_at_rig import SessionAtRig
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.study_mark import Audience

UNKNOWN: Final = "Nothing is known of this rig. Its own stop works always."
_FIXED: Final = {
    State.OFFLINE.value: UNKNOWN,
    State.ENDING.value: "The set is over. Hold the handle until the load is off.",
}


def next_words(
    watch: RigWatch, at: str, now_s: float, *, tells_drops: bool, ended: str, audience: Audience | None
) -> str:
    """The sentence.

    Args:
        watch: what is known of the rig.
        at: the state, as far as it may be shown.
        now_s: clock of the page, s.
        tells_drops: whether it may be told that a stall lowers the load.
        ended: why the newest set ended, as far as it may be shown; empty while it has not.
        audience: who looks; None: anybody.
    """
    if at in _FIXED:
        return _FIXED[at]
    if at == State.ARMED.value:
        if watch.docked is False:
            return "Put the handle in the dock. The load comes on only there."
        return "Leave the handle in the dock. The load comes on when the coach starts the set."
    if at == State.RESTING.value:
        left_s = watch.rest_left_s(now_s)
        when = "after the rest" if left_s is None else f"in {left_s:.0f} s"
        return f"Rest with the handle in the dock. The load comes back {when}."
    if at == State.WORKING.value:
        if watch.docked:
            return "The load is on. Take the handle."
        return "Lift. If it will not move, the load drops." if tells_drops and _drops(watch) else "Lift."
    if at not in (State.IDLE.value, State.ENDED.value):
        return "The set is under way."
    if watch.session is not None and watch.session.between_sets:
        return _next_of(watch.session, audience)
    return f"The set is over. {ended}" if ended else "No set is armed."


def clock(seconds: float) -> str:
    """Minutes and seconds, as a clock shows them."""
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def _next_of(session: SessionAtRig, audience: Audience | None) -> str:
    title, load, _ = session.next_set(audience)
    what = f"{title}, with {load}" if load else title
    rest_s = session.view.rest_left_s
    return f"Next: {what}, in {clock(rest_s)}." if rest_s > 0 else f"Next: {what}, when you are ready."


def _drops(watch: RigWatch) -> bool:
    """Whether a stall lowers the load now, as far as that is known."""
    order, report = watch.armed_order, watch.live.report
    if order is None or report is None or not 0 <= report.bout < len(order.bouts):
        return False
    return order.bouts[report.bout].on_stall == "drop"
