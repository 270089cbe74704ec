"""A set with a driver that calls back from a thread of its own, while another thread arms, starts and may stop.

python -m examples.embedded_thread
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

from ebbset import AnswerCode, EmbeddedController, Prescription
from examples.bench_motor import RIG, BenchMotor, Sample

ORDER = Prescription.from_toml((Path(__file__).parent / "two_drops.toml").read_text())
TIMES_AS_FAST = 40


def main() -> None:
    """Run one set."""
    motor, off, over = BenchMotor(), threading.Event(), threading.Event()
    controller = EmbeddedController(motor, RIG, clock_us=motor.clock_us)

    def heard(sample: Sample) -> None:
        controller.sample(**sample)
        if controller.result is not None:
            over.set()

    driver = threading.Thread(target=motor.run, args=(heard, off, TIMES_AS_FAST))
    driver.start()
    try:
        while (armed := controller.arm(ORDER, cautions_shown=True)).code == AnswerCode.NO_TELEMETRY:
            time.sleep(0.05)
        for answer in (armed, controller.start()):
            print(answer.message)
        if not (answer.accepted and over.wait(timeout=60.0)):
            controller.stop()  # from any thread
    finally:
        off.set()
        driver.join()
    print(controller.result)


if __name__ == "__main__":
    main()
