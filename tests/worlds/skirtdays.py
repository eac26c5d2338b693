"""Days on which two skirts are put on again and again: leaks that differ between mountings, and packs.

A mounting has a leak of its own; the fans' speed follows the pack, and less than it where the motors slip;
the pack empties from run to run, and is charged between. None of it is the program's: no share, no fan law.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fakes.handlog import hand_log

__all__ = ["Days", "days_on"]

RATE_HZ = 20.0
_SECONDS = 9.0
_PA = 900.0


@dataclass(frozen=True)
class Days:
    """What is put on and driven. ``scatter`` is that of each skirt's suction from mounting to mounting."""

    mountings: tuple[int, int]
    runs: int = 2
    scatter: tuple[float, float] = (0.02, 0.02)
    difference: float = 0.0
    run_scatter: float = 0.004
    pack_logged: bool = True
    losses: float = 0.0
    noted: bool = True


def days_on(folder: Path, plan: Days, seed: int) -> Sequence[Path]:
    """One log a run, the skirts by turns as far as there are mountings of both."""
    rng = np.random.default_rng([seed, *plan.mountings, plan.runs])
    slip = rng.uniform(0.0, 0.1)
    turns = _turns(plan.mountings)
    logs, volts = [], 8.35
    for place, (skirt, mounting) in enumerate(turns):
        leak = 1 + plan.scatter[skirt] * rng.normal()
        front, rear = 1 + rng.normal(0, 0.005, 2)
        rate_a_run = plan.losses * rng.gamma(0.5, 2.0)
        for run in range(plan.runs):
            volts -= rng.uniform(0.02, 0.10)
            if volts < 7.6:
                volts = 8.35
            # power of the voltage 1.8 to 2: speed falls behind where the motors slip
            fans = (volts / 8.0) ** (2 - 2 * slip)
            pa = _PA * (1 - plan.difference * skirt) * leak * (1 + plan.run_scatter * rng.normal()) * fans
            facts = {
                "started_utc": f"2026-05-0{1 + place // 8}T{8 + place % 8:02d}:{5 * run:02d}:00Z",
                "skirt": "AB"[skirt],
                **({"mounting": str(mounting)} if plan.noted else {}),
            }
            logs.append(
                _log(
                    folder / f"{place:02d}-{run}.csv", pa, (front, rear), volts, rate_a_run, facts, plan, rng
                )
            )
    return logs


def _turns(mountings: tuple[int, int]) -> list[tuple[int, int]]:
    left, turns = list(mountings), []
    for skirt in (0, 1, 1, 0) * sum(mountings):
        if left[skirt]:
            left[skirt] -= 1
            turns.append((skirt, mountings[skirt] - left[skirt]))
    return turns


def _log(path, pa, axles, volts, rate, facts, plan, rng):  # type: ignore[no-untyped-def]
    n = round(_SECONDS * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    on = (t >= 0.6) & (t < _SECONDS - 0.6)
    level = np.zeros(n)
    for k in range(1, n):
        level[k] = level[k - 1] + (on[k] - level[k - 1]) * (1 - np.exp(-1 / (0.12 * RATE_HZ)))
    slow = np.zeros(n)
    for k in range(1, n):  # gusts under the floor that last half a second
        slow[k] = 0.9 * slow[k - 1] + 0.435 * rng.normal() * 0.01
    for _ in range(rng.poisson(rate)):
        start = rng.integers(round(3 * RATE_HZ), n - round(2 * RATE_HZ))
        level[start : start + round(0.8 * RATE_HZ)] *= 0.3
    taps = pa * level[:, None] * (1 + slow[:, None]) * np.repeat(axles, 2) + rng.normal(0, 2.0, (n, 4))
    pack = 1000 * (volts - 0.05 * on) if plan.pack_logged else None
    return hand_log(path, taps, np.where(on, 1700.0, 1000.0), RATE_HZ, pack, facts=facts)
