"""The ramp between what the core wants and what the drive is told, for a drive that takes forces and has no ramp."""

from __future__ import annotations


def ramp_change_n(load_n: float, target_n: float, most_n: float) -> float:
    """How far a load goes towards its target in one step; a simulated drive compiles this very function.

    Args:
        load_n: load now, N.
        target_n: where to, N.
        most_n: greatest change in this step, N.

    Returns:
        The change, N, negative downwards.
    """
    return min(max(target_n - load_n, -most_n), most_n)


def _stepped_n(load_n: float, target_n: float, most_n: float) -> float:
    change_n = ramp_change_n(load_n, target_n, most_n)
    # Load and what is left to the target can add up to a last bit above it, and a load is never above its target.
    return target_n if change_n == target_n - load_n else load_n + change_n


class LoadRamp:
    """The load applied now, per cable.

    Args:
        cables: 1 or 2.
        longest_step_us: time that one step may count for. A cycle that comes late would otherwise become a step at the
            handle; with this it only makes the ramp slower.

    Attributes:
        applied_n: N per cable.
    """

    def __init__(self, cables: int, *, longest_step_us: int) -> None:
        self.applied_n: tuple[float, ...] = (0.0,) * cables
        self._longest_step_us = longest_step_us
        self._t_us: int | None = None

    def advance(self, t_us: int, target_n: tuple[float, ...], ramp_n_per_s: float) -> tuple[float, ...]:
        """Go on towards the target.

        Args:
            t_us: rig clock now.
            target_n: where to, N per cable.
            ramp_n_per_s: steepest change.

        Returns:
            The load to apply from now on, N per cable.
        """
        elapsed_us = 0 if self._t_us is None else min(max(t_us - self._t_us, 0), self._longest_step_us)
        self._t_us = t_us
        step_n = ramp_n_per_s * elapsed_us * 1e-6
        self.applied_n = tuple([_stepped_n(*pair, step_n) for pair in zip(self.applied_n, target_n, strict=True)])
        return self.applied_n
