"""Plant, sensors, firmware and the person at the dock as one simulated rig, with the interface of a real one.

Used by the in-memory loop (`closed_loop`) and by the rig that speaks MQTT (`virtual_rig`); it knows neither the
controller nor a network. Time is advanced by whole samples; a command acts at the next one.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.rig.description import RigLimits
from ebbset.rig.rig_core import Notice, Reply
from ebbset.simulators.lifter.compiled import compiled
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.plant.truth import RepetitionTruth
from ebbset.simulators.rig.defects import MISDRIVING, Defect, misdriven
from ebbset.simulators.rig.firmware import AnyCommand, RigFirmware
from ebbset.simulators.rig.sensors import Reading, Sensors

FloatArray = npt.NDArray[np.float64]

STEP_S: Final = 0.001
LONGEST_STEP_S: Final = 0.00125
_LOADED_SHARE: Final = 0.995


def limits_of(rig: RigParameters) -> RigLimits:
    """What this rig can do, within what the wire can say."""
    return RigLimits(
        cables=rig.n_cables, max_load_n=min(rig.max_load_n, 5_000.0), max_ramp_n_per_s=min(rig.max_ramp_n_per_s, 1e5)
    )


@compiled
def extremes(truth: FloatArray, first: int, last: int) -> tuple[float, float]:
    """Furthest position and fastest speed, either way, of all cables in a stretch of true samples.

    Args:
        truth: float64, shape (n, cables, 4): t_s, position_m, velocity_m_s, tension_n.
        first: first sample.
        last: sample after the last.
    """
    furthest_m, fastest_m_s = -1e9, 0.0
    for k in range(first, last):
        for cable in range(truth.shape[1]):
            furthest_m = max(furthest_m, truth[k, cable, 1])
            fastest_m_s = max(fastest_m_s, abs(truth[k, cable, 2]))
    return furthest_m, fastest_m_s


def step_for(sample_rate_hz: float) -> float:
    """Integration step of a plant that is sampled so often: the longest, up to 1.25 ms, that samples fall on."""
    period_s = 1.0 / sample_rate_hz
    return period_s / math.ceil(period_s / LONGEST_STEP_S - 1e-9)


class SimulatedRig:
    """One rig with a person at it.

    Args:
        plant: rig and lifter physics; its time goes on from where it is.
        sensors: sensors and clock.
        firmware: the rig's software.
        frame_samples: samples in a frame.
        ready_after_s: how long the person waits with the load standing at the dock before lifting the handle out;
            None: nobody lifts.

    Attributes:
        target_n: what the motors are driven to, N per cable.
        driven: that, and the ramp in N/s at which they follow.
    """

    def __init__(
        self,
        plant: PlantBase,
        sensors: Sensors,
        firmware: RigFirmware,
        *,
        frame_samples: int,
        ready_after_s: float | None,
    ) -> None:
        self.plant = plant
        self.sensors = sensors
        self.firmware = firmware
        self.steps_per_sample = max(round(1.0 / (sensors.parameters.sample_rate_hz * plant.step_s)), 1)
        self.sample_s = self.steps_per_sample * plant.step_s
        self.t_s = plant.time_s
        self.docked = plant.docked
        self.applied_n = plant.applied_n
        self.bout = -1
        self.truth = np.zeros((frame_samples, plant.rig.n_cables, 4))
        self._ready_after_s = ready_after_s
        self._loaded_s = math.inf
        self._begun = False
        self.target_n = firmware.target_n
        self.driven: tuple[tuple[float, ...], float] = (firmware.target_n, firmware.ramp_n_per_s)
        self._stands_s = self.t_s
        self._pulled_n = firmware.target_n
        self.finished: list[tuple[int, RepetitionTruth]] = []

    def advance(self, first: int, last: int) -> None:
        """Advance the truth from sample ``first`` to before sample ``last`` of the running frame.

        Args:
            first: first sample.
            last: sample after the last.
        """
        if last > first:
            plant = self.plant
            into = self.truth[first:] if first else self.truth
            self.t_s = plant.run_frame(last - first, self.steps_per_sample, into)
            self.applied_n = plant.applied_n
            if self.firmware.defect is Defect.LOAD_CREEPS_UNSEEN and self._pulled_n != self.target_n:
                self.applied_n = self.target_n

    def clock_us(self, t_s: float | None = None) -> int:
        """Rig clock at a true time; now when None."""
        return self.sensors.clock_us(self.t_s if t_s is None else t_s)

    def handle(self, command: AnyCommand, *, t_us: int) -> Reply:
        """Let the firmware judge a command and drive the motors as it says.

        Args:
            command: any command of the contract.
            t_us: rig clock now.
        """
        reply = self.firmware.handle_command(command, t_us=t_us, docked=self.docked, applied_n=self.applied_n)
        self.drive()
        return reply

    def watch(self, first: int, last: int, *, t_us: int) -> tuple[Notice, ...]:
        """The firmware's watchdogs at rig time ``t_us``, on samples ``first`` to before ``last`` of the frame.

        Args:
            first: first sample.
            last: sample after the last.
            t_us: rig clock now.
        """
        self.docked = self.plant.docked
        furthest_m, fastest_m_s = extremes(self.truth, first, last)
        notices = self.firmware.tick(
            t_us=t_us,
            docked=self.docked,
            applied_n=self.applied_n,
            position_m=(furthest_m,),
            velocity_m_s=(fastest_m_s,),
        )
        self.drive()
        return notices

    def drive(self) -> None:
        """Pass on what the firmware wants of the motors."""
        wanted = (self.firmware.target_n, self.firmware.ramp_n_per_s)
        if wanted != self.driven:
            self.driven = wanted
            self.target_n = self._pulled_n = wanted[0]
            self._stands_s = self.t_s
            self.plant.command(*wanted)
        defect = self.firmware.defect
        if defect is not None and defect in MISDRIVING:
            if self._pulled_n == self.target_n != self.plant.applied_n:
                self._stands_s = self.t_s  # still on its way: not held yet
            pulled_n = misdriven(defect, self.target_n, self.t_s - self._stands_s)
            if pulled_n != self._pulled_n:
                self._pulled_n = pulled_n
                self.plant.command(pulled_n, self.plant.rig.max_ramp_n_per_s)

    def read(self) -> Reading | None:
        """What the sensors show of the frame that has just run; None when a fault keeps them silent."""
        return self.sensors.read(self.truth)

    def person(self) -> None:
        """At the dock: once the load has been on for a moment, lift the handle out and begin.

        A person who puts the handle down under a load has given up and begins again only with the next loading.
        """
        if self._ready_after_s is None or not self.docked:
            return
        target_n = self.target_n
        if min(target_n) <= 0.0:
            self._begun = False
        if self._begun:
            return
        if min(target_n) <= 0.0 or any(
            applied < _LOADED_SHARE * target for applied, target in zip(self.applied_n, target_n, strict=True)
        ):
            self._loaded_s = math.inf
        elif math.isinf(self._loaded_s):
            self._loaded_s = self.t_s
        elif self.t_s - self._loaded_s >= self._ready_after_s:
            self._loaded_s = math.inf
            self._begun = True
            self.keep_repetitions()
            self.bout += 1
            self.plant.start()

    def keep_repetitions(self) -> None:
        """Take over the attempts of the running bout before the plant starts counting again."""
        if self.bout >= 0:
            self.finished += [(self.bout, truth) for truth in self.plant.truth.records]
