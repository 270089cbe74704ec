"""A set in an integrator's own asyncio loop: one task reads the sensors, one keeps time, one waits for the end.

python -m examples.embedded_asyncio
"""

from __future__ import annotations

import asyncio
from pathlib import Path

from ebbset import EmbeddedController, Event, Output, Prescription, SetResult
from examples.bench_motor import DT_S, RIG, BenchMotor

ORDER = Prescription.from_toml((Path(__file__).parent / "two_drops.toml").read_text())
TIMES_AS_FAST = 40


async def sensors(controller: EmbeddedController, motor: BenchMotor) -> None:
    """Pass every sample on; on a real rig, from whatever its driver lets you await."""
    while True:
        controller.sample(**motor.step())
        await asyncio.sleep(DT_S / TIMES_AS_FAST)


async def ticks(controller: EmbeddedController) -> None:
    """Say that time passes, also when no sample comes any more."""
    while True:
        controller.tick()
        await asyncio.sleep(0.02 / TIMES_AS_FAST)


async def main() -> None:
    """Run one set."""
    motor, over = BenchMotor(), asyncio.Event()

    def handled(_event: Event, outputs: tuple[Output, ...]) -> None:
        if any(isinstance(output, SetResult) for output in outputs):
            over.set()

    controller = EmbeddedController(motor, RIG, handled=handled, clock_us=motor.clock_us)
    for _ in range(10):  # a set is armed once the sensors have been heard
        controller.sample(**motor.step())
    tasks = [asyncio.create_task(sensors(controller, motor)), asyncio.create_task(ticks(controller))]
    for answer in (controller.arm(ORDER, cautions_shown=True), controller.start()):
        print(answer.message)
    if answer.accepted:
        await over.wait()
    for task in tasks:
        task.cancel()
    print(controller.result)


if __name__ == "__main__":
    asyncio.run(main())
