"""Messages of a rig and its controller as a page hears them, written by hand."""

from __future__ import annotations

import json
from typing import Any

ROOT = "ebbset/v1/"


def identity(rig: str, **more: Any) -> tuple[str, bytes]:
    told = {
        "version": 1, "rig": rig, "boot_id": "boot-0001", "online": True, "cables": 1, "telemetry": "frames",
        "sample_rate_hz": 100.0, "has_force": True, "max_load_n": 900.0, "min_load_n": 10.0,
        "max_ramp_n_per_s": 2000.0, "max_lease_ms": 2000, "firmware": "by hand", **more,
    }  # fmt: skip
    return f"{ROOT}{rig}/rig/identity", json.dumps(told).encode()


def state(rig: str, state: str, t_s: float, **more: Any) -> tuple[str, bytes]:
    told = {"version": 1, "t_host_us": round(t_s * 1e6), "state": state, "ticket": "ticket-0001", **more}
    return f"{ROOT}{rig}/ctl/state", json.dumps(told).encode()


def frame(rig: str, t_s: float, load_n: float, position_m: float = 0.2, **more: Any) -> tuple[str, bytes]:
    told = {
        "version": 1, "boot_id": "boot-0001", "seq": round(t_s * 100), "docked": False, "applied_n": [load_n],
        "t_us": [round(t_s * 1e6)],
        "cables": [{"position_m": [position_m], "velocity_m_s": [0.42], "force_n": [load_n]}], **more,
    }  # fmt: skip
    return f"{ROOT}{rig}/rig/frame", json.dumps(told).encode()


def repetition(rig: str, index: int, nonce: str = "nonce-0001", **more: Any) -> tuple[str, bytes]:
    told = {
        "version": 1, "nonce": nonce, "index": index, "bout": 0, "step": 0, "cable": 0, "outcome": "completed",
        "load_n": 400.0, "t_start_us": 0, "t_end_us": 900_000, "rom_m": 0.5, "mean_velocity_m_s": 0.55,
        "peak_velocity_m_s": 0.8, "min_velocity_m_s": 0.1, "mean_force_n": 402.0, "capacity_n": 612.0,
        "capacity_sd_n": 20.0, "budget_spent": 0.137, "capacity_low_n": 590.0, "capacity_high_n": 640.0,
        "repetitions_in_reserve": 4.25, **more,
    }  # fmt: skip
    return f"{ROOT}{rig}/ctl/repetition", json.dumps(told).encode()


def decision(
    rig: str, action: str, reason: str, text: str, nonce: str = "nonce-0001", **more: Any
) -> tuple[str, bytes]:
    told = {
        "version": 1, "seq": 1, "nonce": nonce, "t_host_us": 5_000_000, "t_rig_us": None, "state": "working",
        "action": action, "reason": reason, "text": text, "cable": None, "from_n": [400.0], "to_n": [320.0],
        "repetition": 1, "inputs": [], "thresholds": [], "limited_by": [], **more,
    }  # fmt: skip
    return f"{ROOT}{rig}/ctl/decision", json.dumps(told).encode()


def result(rig: str, reason: str, text: str, nonce: str = "nonce-0001", **more: Any) -> tuple[str, bytes]:
    told = {
        "version": 1, "nonce": nonce, "prescription": "A set", "prescription_hash": "0" * 64, "reason": reason,
        "text": text, "repetitions": 3, "drops": 1, "bouts": 1, "duration_s": 31.0, "final_load_n": [320.0],
        "budget_spent": 0.2, "refused_inputs": 0, "guard_refusals": 0, **more,
    }  # fmt: skip
    return f"{ROOT}{rig}/ctl/result", json.dumps(told).encode()


def take(hub: Any, *messages: tuple[str, bytes], retained: bool = False) -> None:
    for path, payload in messages:
        hub.take(path, payload, retained=retained)
