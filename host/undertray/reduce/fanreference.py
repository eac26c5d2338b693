"""A reference from reduced runs: their dwells, the law through them, and the leak behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.fan import Dwell, FanAt, FanLag, FanReference, fit_reference, steady_dwells
from undertray.reduce.leakage import LeakLaw, fan_flow_m3_s, fan_speed, fit_leak, leak_area_m2, leak_notices
from undertray.reduce.summary import Reduction

__all__ = ["Sweep", "take_reference"]


@dataclass(frozen=True, slots=True)
class Sweep:
    """What good runs tell of a car's fans."""

    reference: FanReference
    dwells: tuple[Dwell, ...]
    leak_mm2: tuple[float | None, ...]
    leak: LeakLaw | None
    notices: tuple[str, ...]


def take_reference(reductions: Sequence[Reduction], car: Car) -> Sweep:
    """Take the fans' reference from good runs on the reference skirt."""
    if not reductions:
        raise ReductionError("no run to take a reference from", expected="one run or more")
    dwells: list[Dwell] = []
    rest_us, steps = np.inf, 0
    lags: dict[str, list[float]] = {"up": [], "down": []}
    for one in reductions:
        dwells += steady_dwells(one.blocks)
        throttle_us = one.series.throttle_us
        if np.isfinite(throttle_us).any():
            rest_us = min(rest_us, float(np.nanmin(throttle_us)))
        for way, lag_s in (("up", one.fan.lag.up_s), ("down", one.fan.lag.down_s)):
            if lag_s is not None:
                lags[way].append(lag_s)
        steps += one.fan.lag.steps
    up_s, down_s = (float(np.median(v)) if v else None for v in lags.values())
    names = [one.run for one in reductions]
    reference = fit_reference(dwells, car.name, names, rest_us, FanLag(up_s, down_s, steps))
    suction_pa = np.array([d.suction_pa for d in dwells])
    pack_mv = np.array([np.nan if d.pack_mv is None else d.pack_mv for d in dwells])
    speeds = [fan_speed(car, us, mv, reference) for us, mv in _drives(dwells)]
    area_m2 = leak_area_m2(car, suction_pa, *speeds)
    flow = fan_flow_m3_s(car, suction_pa, *speeds)
    known = np.isfinite(flow) & (flow > 0) & (suction_pa > 0)
    leak = None
    if known.sum() >= 3 and len(np.unique(np.round(np.mean(speeds, axis=0)[known], 2))) >= 3:
        leak = fit_leak(flow[known], suction_pa[known])
    return Sweep(
        reference,
        tuple(dwells),
        tuple(1e6 * a if np.isfinite(a) else None for a in area_m2.tolist()),
        leak,
        leak_notices(car, bool(np.isfinite(pack_mv).any()), area_m2),
    )


def _drives(dwells: Sequence[Dwell]) -> list[tuple[list[float], list[float]]]:
    """Throttles and voltages of each fan, or of all alike where two always did the same."""
    count = max((len(d.fans) for d in dwells), default=0) or 1
    alike = [[FanAt(d.throttle_us, d.pack_mv)] * count if not d.fans else list(d.fans) for d in dwells]
    return [
        (
            [fans[k].throttle_us for fans in alike],
            [math.nan if volts is None else volts for volts in (fans[k].pack_mv for fans in alike)],
        )
        for k in range(count)
    ]
