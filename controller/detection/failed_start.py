"""Whether a lifter at the bottom fails to get the load moving: waiting too long, creeping up, or sinking.

What lives here: one cable's handle between ascents. What never does: ascents (`segmenter`).
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection

# Judgement, no source: a rest wobbles by less, and a start that succeeds is over sooner.
ONSET_M: Final = 0.02
SINK_M: Final = 0.010
SWAY_M: Final = 0.001
SINK_US: Final = 250_000
CREEP_M: Final = 0.004
CREEP_US: Final = 400_000
CRAWL_M: Final = 0.0085
"""More than a body sways from its lowest to its highest position; judgement."""
CRAWL_US: Final = 100_000
FELL_M: Final = 0.015
FELL_M_S: Final = -0.1
LONG_CRAWL_US: Final = 500_000
SMOOTHING_US: Final = 100_000
NO_FASTER: Final = 1.2
FALLING_M_S: Final = -0.12
SETTLED_M_S: Final = -0.02
BOTTOM_PART: Final = 0.35
BELOW_M: Final = 0.02
ABOVE_M: Final = 0.05
UNDER_THE_TOP_M: Final = 0.1
PROBABILITY: Final = 0.9
UNKNOWN_CREEP_US: Final = 1_000_000
"""By the rule "habits" a handle that rests above its lowest position counts as pushed after so long, until it is known
how this person rests there; many come back up a little from the lowest point and wait. Judgement."""
LONGER_THAN_USUAL: Final = 1.7
FORGETS: Final = 0.15


class FailedStartDetector:
    """Failed starts of one cable; each is reported once until the next ascent or drop.

    By the rule "habits" it learns how long this person's handle rests above or below the bottom before ascents that
    then get under way, and takes no such rest for an attempt.

    Args:
        stall: what counts as a stall.
    """

    __slots__ = (
        "_by_habits",
        "_crawling_since_us",
        "_highest_m",
        "_left_t_us",
        "_may_fall",
        "_patience_us",
        "_pushed_us",
        "_pushing_since_us",
        "_reference_m",
        "_rested_m",
        "_settled_m",
        "_since_us",
        "_slowed",
        "_smooth_m_s",
        "_still_m_s",
        "_stuck_us",
        "_t_us",
        "_told",
        "_usual_push_us",
        "_usual_us",
    )

    def __init__(self, stall: StallSection) -> None:
        self._patience_us = self._usual_us = round(stall.start_patience_s * 1e6)
        self._stuck_us = min(self._usual_us, round(stall.still_limit_s * 1e6))
        self._still_m_s = stall.velocity_m_s
        self._reference_m = self._highest_m = self._rested_m = 0.0
        self._settled_m: float | None = None
        self._since_us = self._left_t_us = self._t_us = 0
        self._smooth_m_s = 0.0
        self._pushing_since_us: int | None = None
        self._crawling_since_us: int | None = None
        self._told = self._slowed = self._may_fall = False
        self._by_habits = stall.rule == "habits"
        self._pushed_us = 0
        self._usual_push_us = 0.0

    def ascending(self) -> None:
        """An ascent is under way: whatever came before it was a rest."""
        pushed_us = float(self._pushed_us)
        if pushed_us > self._usual_push_us:
            self._usual_push_us = pushed_us
        else:
            self._usual_push_us += FORGETS * (pushed_us - self._usual_push_us)
        self._pushed_us = 0

    def restart(self, t_us: int, x: float, *, slowed: bool = False, below_any_top: bool = False) -> None:
        """The handle is back from an ascent, or in the dock.

        Args:
            t_us: rig time.
            x: position, metres.
            slowed: it rests out of the dock, and came there as gently as somebody who is stuck.
            below_any_top: it rests too low for the end of a repetition.
        """
        self._slowed = slowed
        self._patience_us = self._stuck_us if slowed else self._usual_us
        self._reference_m = self._highest_m = self._rested_m = x
        self._may_fall = slowed and below_any_top
        self._settled_m = None
        self._since_us = self._left_t_us = t_us
        self._crawling_since_us = None
        self._told = False

    def hold(self, until_us: int) -> None:
        """A drop is under way: start counting again when it has settled."""
        self._since_us = until_us
        self._pushing_since_us = self._crawling_since_us = None
        self._told = False

    def frame(
        self,
        t_us: int,
        x: float,
        v: float,
        force_n: float | None,
        *,
        low_m: float,
        bottom_m: float | None,
        fraction: float | None,
        last_top_m: float | None,
        known: bool,
        confirmed: bool,
    ) -> StallSeen | None:
        """A frame outside an ascent, loaded and not docked.

        Args:
            t_us: rig time of its newest sample.
            x: position.
            v: velocity.
            force_n: cable tension, if known.
            low_m: lowest position since the last ascent.
            bottom_m: where ascents begin, if known.
            fraction: position as a share of the range of motion, if known.
            last_top_m: where the last ascent ended.
            known: a whole repetition was seen, so that creeping and sinking can be judged.
            confirmed: more than one ascent began at this bottom.
        """
        if self._settled_m is None and bottom_m is not None and x < bottom_m and v > SETTLED_M_S:
            self._settled_m = x
        slower = self._slower(t_us, x, v, low_m)
        if (
            self._slowed
            and not known
            and not self._told
            and (self._crawling(t_us, x, v, low_m, slower=slower) or self._fell(x, v))
        ):
            return self._tell(t_us, v, force_n, fraction)
        if known and (self._by_habits or not self._told):
            pushing = self._pushing(t_us, x, v, low_m, bottom_m if confirmed else None, fraction, slower=slower)
            if pushing and not self._told:
                return self._tell(t_us, v, force_n, fraction)
        if x < self._reference_m - BELOW_M or x > self._reference_m + ABOVE_M:
            self._reference_m = x
            self._since_us = t_us
            return None
        if self._told or t_us - self._since_us < self._patience_us:
            return None
        if fraction is not None and fraction > BOTTOM_PART:
            return None
        if fraction is None and last_top_m is not None and x > last_top_m - UNDER_THE_TOP_M:
            return None
        return self._tell(t_us, v, force_n, fraction)

    def _slower(self, t_us: int, x: float, v: float, low_m: float) -> bool:
        """The handle rises no faster than it has risen so far; a start that succeeds gathers speed."""
        passed_us, self._t_us = t_us - self._t_us, t_us
        self._smooth_m_s += passed_us / (passed_us + SMOOTHING_US) * (v - self._smooth_m_s)
        # who pushes goes up and stays there; what comes down again is the sway of a body
        self._highest_m = x if x <= low_m + CREEP_M or x > self._highest_m else self._highest_m
        if x <= low_m + SWAY_M:
            self._left_t_us = t_us
        return self._smooth_m_s * (t_us - self._left_t_us) < NO_FASTER * (x - low_m) * 1e6

    def _crawling(self, t_us: int, x: float, v: float, low_m: float, *, slower: bool) -> bool:
        """Before a whole repetition was seen: up a little, slower and slower or hardly at all, and not down again."""
        slower = slower or t_us - self._left_t_us > LONG_CRAWL_US
        sways = x < self._highest_m - SWAY_M
        if x <= low_m + CRAWL_M or sways or v >= self._still_m_s or not slower or t_us < self._since_us:
            self._crawling_since_us = None
            return False
        if self._crawling_since_us is None:
            self._crawling_since_us = t_us
        return t_us - self._crawling_since_us >= CRAWL_US

    def _fell(self, x: float, v: float) -> bool:
        """It was let down from where it had slowed to a rest: an attempt straight out of the dock was given up."""
        if x > self._rested_m:
            self._rested_m = x
        return self._may_fall and x < self._rested_m - FELL_M and v < FELL_M_S

    def _pushing(
        self,
        t_us: int,
        x: float,
        v: float,
        low_m: float,
        bottom_m: float | None,
        fraction: float | None,
        *,
        slower: bool,
    ) -> bool:
        """The handle creeps up from the bottom, or sinks below it, as it does only under a lifter who tries."""
        if fraction is None or fraction > BOTTOM_PART:
            return False
        sways = x < self._highest_m - SWAY_M
        creeps = low_m + CREEP_M < x <= low_m + ONSET_M and v < self._still_m_s and slower and not sways
        settled_m = self._settled_m
        if bottom_m is not None and settled_m is not None and settled_m < bottom_m:
            # a bottom may be deeper than usual: what sinks, sinks from where it came to rest
            bottom_m = settled_m
        sinks = bottom_m is not None and x < bottom_m - SINK_M and v < 0.0
        if not (creeps or sinks) or v < FALLING_M_S or t_us < self._since_us:
            self._pushing_since_us = None
            return False
        if self._pushing_since_us is None:
            self._pushing_since_us = t_us
        pushed_us = t_us - self._pushing_since_us
        if not self._by_habits:
            return pushed_us >= (CREEP_US if creeps else SINK_US)
        if pushed_us > self._pushed_us:
            self._pushed_us = pushed_us
        return pushed_us >= max(UNKNOWN_CREEP_US if creeps else SINK_US, LONGER_THAN_USUAL * self._usual_push_us)

    def _tell(self, t_us: int, v: float, force_n: float | None, fraction: float | None) -> StallSeen:
        self._told = True
        self._may_fall = False
        return StallSeen(
            reason=Reason.FAILED_START,
            t_us=t_us,
            velocity_m_s=v,
            force_n=force_n,
            position_fraction=fraction,
            duration_s=max(0, t_us - self._since_us) * 1e-6,
            probability=PROBABILITY,
        )
