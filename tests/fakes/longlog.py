"""A long log made quickly: three minutes of laps over and over, with status notes as a board sends them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from fakes.handlog import checked
from fakes.oddlog import column, device

CYCLE = 36_000
RATE_HZ = 200
PERIOD_US = 1_000_000 // RATE_HZ
ZERO = 8192


def long_log(path: Path, rows: int, taps: int = 8) -> Path:
    """Fully up and down twice a minute, a fold every three minutes; 14 bit parts of 0.38 Pa a count."""
    t_s = np.arange(CYCLE) / RATE_HZ
    up = (t_s % 30 > 2) & (t_s % 30 < 27)
    kernel = np.exp(-np.arange(200) / 30)
    level = np.convolve(np.where(up, 1300.0, 0.0), kernel / kernel.sum())[:CYCLE]
    level = np.where((t_s > 100) & (t_s < 101.5), 0.3 * level, level)
    noise = np.random.default_rng(1).normal(0, 5, (CYCLE, taps))
    suction_pa = level[:, None] * np.linspace(1.05, 0.95, taps) + noise
    counts = np.round(ZERO + suction_pa / 0.38).astype(int)
    tails = [
        f"{1700 if u else 1000},0,{','.join(map(str, row))}"
        for u, row in zip(up.tolist(), counts.tolist(), strict=True)
    ]
    names = [f"p{i + 1}" for i in range(taps)]
    told = device([column(name, min=1638, max=14_745) for name in names]).decode()
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(f'#undertray-run 1\n#run {{"skirt": "soft"}}\n#wire 1042 {told}\n')
        file.write(f"host_us,seq,t_us,throttle_us,flags,{','.join(names)},crc\n")
        for i in range(rows):
            t_us = (81_235 + i * PERIOD_US) % (1 << 30)
            file.write(f"{5123 + i * PERIOD_US},{checked(f'{i % 65536},{t_us},{tails[i % CYCLE]}')}\n")
            if i % RATE_HZ == 0:
                status = {"t_us": t_us, "temperature_c": [21.5] * taps, "pack_mv": 8000, "skipped": 0}
                status |= {"read_errors": [0] * taps, "free_bytes": 90_000}
                file.write(f"#wire {5123 + i * PERIOD_US} {checked('#status,' + json.dumps(status))}\n")
            if i % (10 * RATE_HZ) == 0:
                file.write(f"#wire {5123 + i * PERIOD_US} {told}\n")
        file.write('#end {"why": "stopped"}\n')
    return path


def eight_taps_toml(path: Path) -> Path:
    """An invented car for it."""
    places = [(20 + 60 * (i // 2), -50 + 100 * (i % 2)) for i in range(8)]
    taps = "".join(
        f'[[tap]]\nname = "tap {i}"\ncolumn = "p{i}"\nx = {x}\ny = {y}\n'
        for i, (x, y) in enumerate(places, 1)
    )
    path.write_text(
        'format = 1\nname = "long (invented)"\nmass = 2.9\nwheelbase = 260\nfront_weight = 0.5\n'
        f"allowance = 0.25\nfloor = [[-20, -85], [280, -85], [280, 85], [-20, 85]]\n{taps}",
        encoding="utf-8",
    )
    return path
