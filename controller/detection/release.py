"""Whether a handle was let go: it moves quickly toward the rig, or its cable has lost tension.

What lives here: one cable's rule for both. What never does: what follows from a release (the regulator).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbset.controller.detection.kinematic_filter import FilteredSample
from ebbset.controller.detection.signals import ReleaseSeen

# Judgement, no source: a cable goes slack for less than this when it bounces.
SLACK_PART: Final = 0.2
TAUT_PART: Final = 0.6
SLACK_US: Final = 40_000
LEAST_LOAD_N: Final = 20.0
"""Below this load the tension of a cable is too near its friction to tell."""
NEVER_SLACK_N: Final = -1e9
NEVER_TAUT_N: Final = 1e9


class ReleaseDetector:
    """Releases of one cable; each is reported once until the next ascent.

    Args:
        release_velocity_m_s: speed toward the rig that counts as a release.
    """

    __slots__ = ("_release_m_s", "_slack_n", "_slack_since_us", "_taut", "_taut_n", "_told")

    def __init__(self, release_velocity_m_s: float) -> None:
        self._release_m_s = -release_velocity_m_s
        self._slack_n, self._taut_n = NEVER_SLACK_N, NEVER_TAUT_N
        self._slack_since_us: int | None = None
        self._taut = False
        self._told = False

    def ascending(self) -> None:
        """An ascent or a bout begins: the next release is reported again."""
        self._told = False

    def docked(self) -> None:
        """The handle is in the dock, which may take the tension."""
        self._slack_since_us = None
        self._taut = False

    def quiet(
        self,
        samples: Sequence[FilteredSample],
        slowest_m_s: float,
        force_n: Sequence[float] | None,
        *,
        load_n: float,
        docked: bool,
    ) -> bool:
        """True if nothing in a frame looks like a release: a quick check before its samples are examined.

        Args:
            samples: filtered samples of the frame.
            slowest_m_s: lowest velocity among them.
            force_n: cable tensions of the frame, if the rig reports them; may hold more than the samples do.
            load_n: load that the rig applies, newtons.
            docked: the handle rests at the rig.
        """
        loaded = load_n > LEAST_LOAD_N
        self._slack_n = SLACK_PART * load_n if loaded and not docked else NEVER_SLACK_N
        self._taut_n = taut_n = TAUT_PART * load_n if loaded else NEVER_TAUT_N
        if slowest_m_s < self._release_m_s or (force_n and min(force_n) < self._slack_n):
            return False
        if force_n and samples:
            self._slack_since_us = None
            if loaded and not self._taut:
                self._taut = any(f is not None and f > taut_n for _, _, _, _, f in samples)
        return True

    def sample(self, sample: FilteredSample) -> ReleaseSeen | None:
        """One sample of a frame that is not quiet; the release if it shows one."""
        t, _, _, v, f = sample
        slack = f is not None and f < self._slack_n
        if v < self._release_m_s:
            released = True
        elif slack:
            released = self._slack_for_long(t)
        else:
            released = False
            if f is not None:
                self._slack_since_us = None
                self._taut = self._taut or f > self._taut_n
        if not released or self._told:
            return None
        self._told = True
        return ReleaseSeen(t_us=t, velocity_m_s=v, force_n=f)

    def _slack_for_long(self, t_us: int) -> bool:
        """A cable that had tension has lost it for longer than a bounce."""
        if not self._taut:
            return False
        if self._slack_since_us is None:
            self._slack_since_us = t_us
        return t_us - self._slack_since_us >= SLACK_US
