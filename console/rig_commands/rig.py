"""``ebbset rig``: run a virtual rig with a simulated lifter, in its own process, on MQTT."""

from __future__ import annotations

import asyncio
import dataclasses
from typing import Any, Final

import click
import structlog

from ebbset.console.exits import CommandError, Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings
from ebbset.console.shared_options import seed_option
from ebbset.models.contract import formatting

_STRONG_N: Final = 10_000.0
EXERCISES: Final = ("bench_press", "curl", "leg_press", "row", "shoulder_press")


@click.command(name="rig", epilog=CREDENTIALS_HELP)
@broker_options
@click.option("--exercise", type=click.Choice(EXERCISES), default="bench_press", show_default=True, help="Exercise.")
@click.option(
    "--person",
    type=click.IntRange(0),
    help="Draw this person from the simulated population (with --seed); by default, the average trained man.",
)
@click.option("--cables", type=click.IntRange(1, 2), default=1, show_default=True, help="Number of cables.")
@click.option(
    "--asymmetry",
    type=click.FloatRange(-0.5, 0.5),
    help="With two cables: (left - right) / (left + right) strength; 0.1 makes the right side 18 % weaker "
    "than the left. By default, that of the person.",
)
@click.option(
    "--sample-rate", type=click.IntRange(20, 1000), default=100, show_default=True, help="Samples per second."
)
@click.option(
    "--telemetry",
    type=click.Choice(["frames", "repetitions"]),
    default="frames",
    show_default=True,
    help="Send sample frames, or only summaries of the repetitions that the rig detects itself.",
)
@click.option("--no-force", is_flag=True, help="Simulate a rig without a force cell.")
@click.option(
    "--ready-after",
    type=click.FloatRange(0, 60),
    default=0.8,
    show_default=True,
    help="Seconds that the person waits under load at the dock before lifting.",
)
@click.option("--nobody", is_flag=True, help="Leave the rig empty, to try out rigs and the network.")
@click.option("--defect", help="Give the rig's software this defect; `--defect list` lists them.")
@click.option("--hands", is_flag=True, help="Obey the bench topic, where a test plays the person at the rig.")
@seed_option
def command(
    rig: str,
    exercise: str,
    person: int | None,
    cables: int,
    asymmetry: float | None,
    sample_rate: int,
    telemetry: Any,
    no_force: bool,
    ready_after: float,
    nobody: bool,
    defect: str | None,
    hands: bool,
    seed: int,
    **values: Any,
) -> int:
    """Run a virtual rig: motor, cable, sensors and firmware, and a lifter who tires and fails for physical reasons.

    It follows the same contract as a real rig, in real time, with its own lease watchdog and its own stop. When the
    lifter stalls is not scripted. The rig announces itself as simulated, so recordings and reports say so.

    \b
    Examples:
      ebbset rig --rig north
      ebbset rig --exercise row --person 12 --cables 2
      ebbset rig --cables 2 --asymmetry 0.1
      ebbset rig --nobody --defect accepts_repeated_sequence
    """
    from ebbset.simulators.rig.defects import Defect

    if defect == "list":
        click.echo("\n".join(item.value for item in Defect))
        return int(Exit.OK)
    if defect is not None and defect not in set(Defect):
        raise click.BadParameter(f"{defect!r}; allowed: a name that `--defect list` shows", param_hint="--defect")
    if asymmetry is not None and cables == 1:
        raise click.UsageError("--asymmetry needs --cables 2; both sides pull a single cable.")

    from ebbset.console import logs
    from ebbset.models.contract.prescription import example
    from ebbset.simulators.closed_loop.closed_loop import run_set
    from ebbset.simulators.lifter.exercises import exercise as exercise_of
    from ebbset.simulators.plant.rig_parameters import RigParameters, strong_rig
    from ebbset.simulators.population.population import draw_lifter, person_rng
    from ebbset.simulators.population.strength_test import one_rm_n
    from ebbset.simulators.rig.sensors import SensorParameters
    from ebbset.simulators.rig.virtual_rig import VirtualRigSettings, run_virtual_rig

    logs.configure()
    broker = broker_settings(**values)
    kind = exercise_of(exercise)
    lifter = kind.mean_lifter() if person is None else draw_lifter(kind, person_rng(seed, person))
    if asymmetry is not None:
        lifter = dataclasses.replace(lifter, asymmetry=asymmetry)
    try:
        settings = VirtualRigSettings(
            rig=rig,
            lifter=lifter,
            broker=broker,
            parameters=RigParameters(n_cables=cables),
            sensors=SensorParameters(sample_rate_hz=float(sample_rate), has_force=not no_force),
            telemetry=telemetry,
            frame_samples=max(sample_rate // 20, 1),
            ready_after_s=None if nobody else ready_after,
            defect=None if defect is None else Defect(defect),
            seed=seed,
            hands=hands,
        )
    except ValueError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    # Compile before connecting: to the broker, a rig that is busy compiling looks dead.
    run_set(example(stop={"max_repetitions": 1}), kind.mean_lifter(), settings.parameters, seed=seed)
    rested_n = one_rm_n(lifter, strong_rig(_STRONG_N, n_cables=cables))
    structlog.get_logger(__name__).info(
        "person_at_the_rig", exercise=exercise, one_rm_n=round(rested_n, 1), one_rm=formatting.load(rested_n, "kg")
    )
    asyncio.run(run_virtual_rig(settings))
    return int(Exit.OK)
