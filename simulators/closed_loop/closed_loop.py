"""One set in memory: lifter and rig physics, sensors, firmware and link around the real controller, no MQTT, no clock.

The same `SetController` object as runs live is fed events in the order in which they would arrive and its commands go
back to the simulated rig, so what is seen here is what would happen. Nothing here decides about loads.

This module puts the parts together and runs them to the end of the set: `rig_side` and `controller_side` are the two
ends of the link, `simulated_operator` arms and starts, `set_observer` checks the invariants on the way.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import partial
from typing import Final

import numpy as np

from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import LinkUp
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.controller_side import ControllerSide, ControllerTime
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.closed_loop.link_model import LinkModel, Way
from ebbset.simulators.closed_loop.rig_side import RigSide
from ebbset.simulators.closed_loop.set_observer import Recorder, SetObserver
from ebbset.simulators.closed_loop.simulated_operator import SimulatedOperator
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SimulatedSet, TrueRepetition
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant_base import PlantBase
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.families import AnyLifter, plant_for
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.sensors import SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, limits_of, step_for

_LONGEST_SET_S: Final = 600.0
_LIMIT_MARGIN_S: Final = 60.0


def run_set(
    prescription: Prescription,
    lifter: AnyLifter,
    rig: RigParameters | None = None,
    *,
    seed: int | np.random.SeedSequence,
    profile: LifterProfile | None = None,
    sensors: SensorParameters | None = None,
    faults: tuple[SensorFault, ...] = (),
    link: LinkModel | None = None,
    controller_factory: Callable[[], SetController] = installed_controller,
    settings: LoopSettings | None = None,
    plant: PlantBase | None = None,
    recorder: Recorder | None = None,
    probe: Callable[[PlantBase, tuple[Output, ...]], None] | None = None,
    stop_when: Callable[[], bool] | None = None,
) -> SimulatedSet:
    """Run one set to its end.

    Args:
        prescription: the set.
        lifter: who lifts; of any family.
        rig: on what; the default rig when None.
        seed: of all randomness of this set; the same seed gives the same bits.
        profile: the lifter profile that the controller is given.
        sensors: sensors and clock of the rig.
        faults: faults of the sensors, on true time.
        link: the network.
        controller_factory: makes the controller; a fresh one for each set.
        settings: how the loop runs.
        plant: a plant to go on with, e.g. one that is tired from a set before; made from lifter and rig when None.
        recorder: called with every input and what it led to, in order.
        probe: called with the plant after every input that led to something; must not advance it (fork it).
        stop_when: asked after every frame; once it says yes, the person stops the set.

    Returns:
        What the set came to, with the truth beside what the controller saw.

    Raises:
        SetNotRunError: the controller refused to arm or start.
    """
    settings, sensors, link = settings or LoopSettings(), sensors or SensorParameters(), link or LinkModel()
    if not isinstance(seed, np.random.SeedSequence):
        seed = np.random.SeedSequence(seed)
    plant_rng, sensor_rng, link_rng, name_rng = [np.random.default_rng(child) for child in seed.spawn(4)]
    if plant is None:
        plant = plant_for(lifter, rig or RigParameters(), plant_rng, step_for(sensors.sample_rate_hz))
    own = limits_of(plant.rig)
    simulated = SimulatedRig(
        plant,
        Sensors(sensors, cables=own.cables, rng=sensor_rng, faults=faults),
        RigFirmware(own, boot_id=name_rng.bytes(6).hex()),
        frame_samples=settings.frame_samples,
        ready_after_s=settings.ready_after_s,
    )
    outcome = SimulatedSet()
    observer = SetObserver(max_ramp_n_per_s=own.max_ramp_n_per_s, recorder=recorder, keep_log=settings.check_replay)
    controller_side = ControllerSide(
        controller_factory(),
        ControllerTime(plant.time_s, frame_samples=settings.frame_samples, sample_s=simulated.sample_s),
        Way(link, link_rng),
        observer=observer,
        outcome=outcome,
        probe=None if probe is None else partial(probe, plant),
        keep_outputs=settings.keep_outputs,
    )
    rig_side = RigSide(simulated, Way(link, link_rng), controller_side, monitor=observer.rig_monitor, outcome=outcome)
    operator = SimulatedOperator(prescription, profile, nonce=_nonce(name_rng, prescription, profile, lifter))
    limit_s = _limit_s(prescription) if settings.limit_s is None else settings.limit_s
    _run(rig_side, controller_side, operator, outcome, limit_s, stop_when)
    outcome.violations = observer.breaches
    if settings.check_replay:
        outcome.violations += observer.replay_breaches(controller_factory(), controller_side.time.now_us)
    return outcome


def _nonce(
    rng: np.random.Generator, prescription: Prescription, profile: LifterProfile | None, lifter: AnyLifter
) -> str:
    """A nonce that differs between different sets of one seed, so that a recording can be told from another by it."""
    # Other lifters have no text that is the same in every run; their own stream tells them apart.
    who = lifter if isinstance(lifter, LifterParameters) else (type(lifter).__qualname__, lifter.exercise)
    told = (rng.bytes(8), prescription.digest(), profile, who)
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]


def _limit_s(prescription: Prescription) -> float:
    """Simulated time after which a set with this prescription is given up, s."""
    rests_s = sum(bout.rest_before_s for bout in prescription.bouts)
    return (prescription.stop.max_duration_s or _LONGEST_SET_S) + rests_s + _LIMIT_MARGIN_S


def _run(
    rig_side: RigSide,
    controller_side: ControllerSide,
    operator: SimulatedOperator,
    outcome: SimulatedSet,
    limit_s: float,
    stop_when: Callable[[], bool] | None,
) -> None:
    """Arm, start, and go on until the controller has given its result."""
    rig = rig_side.rig
    began_s = rig.t_s
    outcome.capacity_before = rig.plant.capacity
    controller_side.feed(LinkUp(now_us=controller_side.time.now_us))
    rig_side.announce()
    operator.ask(RequestAction.ARM, controller_side, rig_side, outcome)
    operator.ask(RequestAction.START, controller_side, rig_side, outcome)
    while outcome.result is None and rig.t_s - began_s < limit_s:
        rig_side.frame()
        if stop_when is not None and outcome.result is None and stop_when():
            operator.stop(controller_side)
    rig.keep_repetitions()
    outcome.true_repetitions = [TrueRepetition(bout, truth) for bout, truth in rig.finished]
    outcome.state = controller_side.controller.state
    outcome.capacity_after = rig.plant.capacity
    outcome.simulated_s = rig.t_s - began_s
    outcome.duration_s = rig.t_s - (rig_side.loading_s if rig_side.loading_s is not None else rig.t_s)
