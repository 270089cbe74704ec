"""A week of three simulated lifters: session files, plans, sessions led set by set, recordings, and their history.

Run with ``python examples/a_week.py FOLDER [LIFTER…]``. Everything is simulated and everybody invented. A simulated
lifter does at the rig what a person would, faster than real time; plans, start loads, journals and history are real.
"""

from __future__ import annotations

import datetime
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from ebbset.coaching.history.databases import sqlite_url
from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.sessions.journal import Journal
from ebbset.coaching.sessions.next_load import strength_of
from ebbset.coaching.sessions.progress import SessionProgress
from ebbset.coaching.sessions.session_events import Armed, Begun, SessionEnded, SessionEvent, SetBegun, SetEnded
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.coaching.sessions.session_trial import tire
from ebbset.console.session_commands.planning import made_plan
from ebbset.console.session_home import journal_path, last_sets_of, plan_path
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.physiology.exercise_muscles import overlap
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import on_day
from ebbset.simulators.population.twin import draw_twins
from ebbset.simulators.rig.simulated_rig import STEP_S

MONDAY = datetime.datetime(2026, 11, 23, 17, 0, tzinfo=datetime.UTC)
DAYS = {"monday": 0, "wednesday": 2, "friday": 4}
RIG = RigParameters()
PEOPLE = {
    "a7": ("row", 780.0, "straight", "curl", 290.0, "drops", 9),
    "b2": ("bench_press", 640.0, "worth", "shoulder_press", 420.0, "straight", 10),
    "c5": ("leg_press", 1_150.0, "straight", "row", 560.0, "rest_pause", 8),
}
SPEED = {"row": (1.65, 0.35), "curl": (1.6, 0.3), "bench_press": (1.55, 0.18), "shoulder_press": (1.5, 0.2)}


def profile(lifter: str, exercise: str, one_rm_n: float) -> LifterProfile:
    """A typed-in profile, a little off, as profiles are."""
    at_zero, at_1rm = SPEED.get(exercise, (1.3, 0.25))
    return LifterProfile(
        lifter=lifter,
        exercise=exercise,
        date=datetime.date(2026, 11, 2),
        one_rm_n=Uncertain(mean=one_rm_n, sd=0.04 * one_rm_n),
        velocity_at_zero_m_s=Uncertain(mean=at_zero, sd=0.07),
        velocity_at_1rm_m_s=Uncertain(mean=at_1rm, sd=0.04),
    )


def write_files(home: Path, lifter: str) -> Path:
    """The session file of a lifter and the profiles that it names."""
    first, first_n, first_wish, second, second_n, second_wish, minutes = PEOPLE[lifter]
    for exercise, one_rm_n in ((first, first_n), (second, second_n)):
        made = profile(lifter, exercise, one_rm_n)
        (home / "profiles" / f"{lifter}-{exercise}.toml").write_text(made.to_toml(), encoding="utf-8")
    text = f'name = "Lifter {lifter}"\nlifter = "{lifter}"\nminutes = {minutes}\ntimes_a_week = 3\n'
    for exercise, wish in ((first, first_wish), (second, second_wish)):
        text += f'[[exercises]]\nexercise = "{exercise}"\nwish = "{wish}"\nsets = 2\nrest_s = 90\nmay_shorten = true\n'
        text += f'profile = "profiles/{lifter}-{exercise}.toml"\n[exercises.limits]\nfatigue_left = 0.6\n'
    path = home / f"{lifter}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def led(plan: SessionPlanFile, name: str, home: Path, began: datetime.datetime, seed: int) -> None:
    """One session of a simulated lifter, set by set, into a journal and recordings."""
    path = plan_path(home, name)
    path.write_text(plan.to_toml(), encoding="utf-8")
    streams = np.random.SeedSequence(seed)
    rng = np.random.default_rng(streams.spawn(1)[0])
    plants = {}
    for step in plan.steps:
        if step.exercise not in plants and step.profile is not None:
            body = draw_twins(step.profile, RIG, 11, 1)[0]
            today = on_day(replace(body, f_max_n=1.03 * body.f_max_n), rng)
            plants[step.exercise] = Plant(RIG, today, rng, STEP_S)
    journal, progress = Journal.open(journal_path(home, name)), SessionProgress(plan)

    def happened(event: SessionEvent) -> None:
        progress.take(event)
        journal.append(event)

    at_s = began.timestamp()
    known, _ = last_sets_of(home, plan.lifter, but=name)
    happened(Begun(at_s=at_s, plan=plan.digest(), last_sets=known))
    while (view := progress.view(at_s)).phase != "over" and view.step is not None and view.order is not None:
        if view.rest_left_s > 0.0:
            for plant in plants.values():
                plant.advance(round(10.0 / STEP_S))
                plant.rest(max(view.rest_left_s - 10.0, 0.0))
            at_s += view.rest_left_s
            continue
        file = home / "recordings" / f"{name}-{view.step_number}.mcap"
        zero = datetime.datetime.fromtimestamp(at_s, datetime.UTC).isoformat()
        with file.open("wb") as stream:
            writer = RecordingWriter(stream, {"wall_clock_at_zero": zero})
            run = run_set(
                view.order,
                plants[view.step.exercise].lifter,
                RIG,
                seed=streams.spawn(1)[0],
                profile=view.step.profile,
                plant=plants[view.step.exercise],
                recorder=writer.add,
            )
            writer.finish({})
        assert run.result is not None
        for exercise, plant in plants.items():
            if exercise != view.step.exercise:
                plant.rest(run.duration_s)
                tire(plant, (overlap(view.step.exercise, exercise) or 0.0) * (1.0 - run.capacity_after))
        nonce, strength = str(run.result.nonce), strength_of(run.repetitions) or (None, None, None)
        happened(Armed(at_s=at_s, step=view.step_number, nonce=nonce, operator="coach", order=view.order))
        happened(SetBegun(at_s=at_s, nonce=nonce))
        at_s += run.duration_s
        happened(
            SetEnded(
                at_s=at_s,
                nonce=nonce,
                reason=run.result.reason.value,
                text=run.result.text,
                repetitions=run.result.repetitions,
                drops=run.result.drops,
                duration_s=run.duration_s,
                ended_n=run.result.final_load_n,
                one_rm_low_n=strength[0],
                one_rm_n=strength[1],
                one_rm_high_n=strength[2],
                loss=run.result.budget_spent,
                recording=file.name,
            )
        )
        print(f"  {name}: {view.step.title}, {view.order.load.start_n:.0f} N. {view.start_why}")
    happened(SessionEnded(at_s=at_s, because=progress.view(at_s).ended_because or "ended by a person"))
    journal.close()


def main(home: Path, lifters: list[str]) -> None:
    """Plan, lead and keep the week of these lifters."""
    for folder in ("profiles", "recordings", "sessions"):
        (home / folder).mkdir(parents=True, exist_ok=True)
    for number, lifter in enumerate(lifters):
        made = made_plan(write_files(home, lifter), home, lifter, twins=2, seed=1, cables=1, simulated=False)
        assert made.file is not None, made.why
        print(f"{lifter}: {made.planned.plan.reason}")
        for day, ahead in DAYS.items():
            began = MONDAY + datetime.timedelta(days=ahead, minutes=15 * number)
            led(made.file, f"{lifter}-{day}", home, began, 100 * number + ahead)
    with HistoryStore.open(sqlite_url(home / "history.sqlite")) as store:
        print(fill(store, history_files([home])))
    one = lifters[0]
    print(f"Now: ebbset history {one} --home {home}    ebbset session report {one}-monday --home {home}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:] or list(PEOPLE))
