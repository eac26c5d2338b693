"""A recording as the project's run log, its car and its truth file, written from the format's text alone."""

from __future__ import annotations

import binascii
import json
from pathlib import Path
from typing import Any

import numpy as np

from worlds.outing import COUNT_HIGH, COUNT_LOW, COUNT_ZERO, Recording

_TICKS = 1 << 30


def _checked(text: str) -> str:
    return f"{text},{binascii.crc_hqx(text.encode('ascii'), 0xFFFF):04x}"


def _note(kind: str, data: dict[str, Any]) -> str:
    return _checked(f"#{kind},{json.dumps(data, separators=(',', ':'))}")


def log_text(one: Recording) -> str:
    """The run log."""
    plan = one.plan
    rng = np.random.default_rng([7, plan.seed])
    taps = len(plan.taps)
    columns = [
        {
            "name": f"p{i + 1}",
            "part": "HSC",
            "range": "invented",
            "bus": 0,
            "address": 40 + i,
            "mux": None,
            "port": "low",
            "scale": {
                "zero": COUNT_ZERO,
                "pa_per_count": round(scale, 9),
                "min": COUNT_LOW,
                "max": COUNT_HIGH,
            },
        }
        for i, scale in enumerate(one.pa_per_count)
    ]
    device = _note(
        "device",
        {
            "wire": 1, "firmware": "invented", "board": "worlds (invented)", "uid": "00000000000000aa",
            "boot": 1 + plan.seed % 100_000, "rate_hz": int(plan.recorder.rate_hz),
            "tick_hz": 1_000_000, "tick_bits": 30, "columns": columns,
        },
    )  # fmt: skip
    run = {
        "started_utc": "2026-05-02T10:15:00.000000Z",
        "car": "invented",
        "skirt": plan.stratum,
        "notes": {"invented": "yes", "seed": plan.seed},
        "host": {"program": "tests/worlds"},
    }
    lines = ["#undertray-run 1", f"#run {json.dumps(run)}", f"#wire 400 {device}"]
    lines.append("host_us,seq,t_us,throttle_us,flags," + ",".join(f"p{i + 1}" for i in range(taps)) + ",crc")
    status = dict(one.status)
    late = np.round(one.t_us * (1 + 2e-5) + 800 + rng.exponential(150, len(one.t_us))).astype(np.int64)
    late = np.maximum.accumulate(late)
    none = np.iinfo(np.int64).min
    skipped = np.diff(one.slot, prepend=one.slot[0] - 1) > 1
    period = 10 * round(plan.recorder.rate_hz)
    for k in range(len(one.t_us)):
        flags = int(skipped[k]) | sum(1 << (8 + i) for i in range(taps) if one.stale[k, i])
        throttle = "" if np.isnan(one.throttle_us[k]) else str(int(one.throttle_us[k]))
        counts = ",".join("" if c == none else str(c) for c in one.counts[k])
        seq = (int(one.slot[k]) + plan.recorder.first_seq) % 65536
        tick = (int(one.t_us[k]) + plan.recorder.first_tick) % _TICKS
        lines.append(f"{late[k]}," + _checked(f"{seq},{tick},{throttle},{flags:x},{counts}"))
        if k in status:
            told = {
                "t_us": tick, "temperature_c": [None] * taps, "pack_mv": status[k],
                "skipped": int(skipped[: k + 1].sum()), "read_errors": [0] * taps, "free_bytes": 100_000,
            }  # fmt: skip
            lines.append(f"#wire {late[k]} {_note('status', told)}")
        if k and k % period == 0:
            lines.append(f"#wire {late[k]} {device}")
    end = {"rows": len(one.t_us), "bad": 0, "seconds": round(float(late[-1]) / 1e6, 6), "why": "stopped"}
    lines.append(f"#end {json.dumps(end)}")
    return "\n".join(lines) + "\n"


def car_text(one: Recording) -> str:
    """The car of a recording, as a builder would write it."""
    car = one.plan.car
    floor = "[[-20, -85], [280, -85], [280, 85], [-20, 85]]"
    parts = [
        "# invented\nformat = 1",
        f'name = "invented car {one.plan.seed}"',
        f"mass = {car.mass_kg:.2f}",
        "wheelbase = 260",
        "front_weight = 0.5",
        f"floor = {floor}",
        "tyre_mu = 0.9",
        "allowance = 0.2",
        "surface_angle = 180",
    ]
    text = "\n".join(parts) + "\n"
    for i, (name, cell) in enumerate(zip(one.plan.names(), one.plan.taps, strict=True)):
        x, y = 130 + 1000 * car.x_m[cell], 1000 * car.y_m[cell]
        text += f'\n[[tap]]\nname = "{name}"\ncolumn = "p{i + 1}"\nx = {x:.0f}\ny = {y:.0f}\n'
    return text


def write_recording(folder: Path, one: Recording) -> Path:
    """Write RUN.csv, RUN.car.toml and RUN.truth.json; returns the log's path."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = f"{one.plan.stratum}-{one.plan.seed:04d}"
    log = folder / f"{stem}.csv"
    log.write_text(log_text(one), encoding="utf-8")
    (folder / f"{stem}.car.toml").write_text(car_text(one), encoding="utf-8")
    (folder / f"{stem}.truth.json").write_text(json.dumps(one.truth, indent=1) + "\n", encoding="utf-8")
    return log
