"""A set in an integrator's own loop: no network, no thread, no asyncio, and the base install only.

Your part: reading the sensors, driving the motor, keeping time. Two duties always stay with the hardware: its own stop,
and unloading by itself when a lease is not renewed (see `BenchMotor.step`). This software is not a safety function.

    python -m examples.embedded_loop
"""

from __future__ import annotations

from pathlib import Path

from ebbset import Decision, EmbeddedController, Event, Output, Prescription
from examples.bench_motor import RIG, BenchMotor

ORDER = Prescription.from_toml((Path(__file__).parent / "two_drops.toml").read_text())


def show(event: Event, outputs: tuple[Output, ...]) -> None:
    """Print what was decided, and why."""
    for output in outputs:
        if isinstance(output, Decision):
            print(f"{event.now_us / 1e6:6.2f} s  {output.action:<5} {output.to_n[0]:6.1f} N  {output.text}")


def main() -> None:
    """Run one set."""
    motor = BenchMotor()
    controller = EmbeddedController(motor, RIG, handled=show, clock_us=motor.clock_us)
    for _ in range(10):  # a set is armed once the sensors have been heard
        controller.sample(**motor.step())
    for answer in (controller.arm(ORDER, cautions_shown=True), controller.start()):  # the person has seen the cautions
        print(answer.message)
        if not answer.accepted:
            return
    while controller.result is None:
        controller.sample(**motor.step())  # a real rig waits for its sensors here
    print(f"{controller.result.repetitions} repetitions, {controller.result.drops} drops: {controller.result.text}")


if __name__ == "__main__":
    main()
