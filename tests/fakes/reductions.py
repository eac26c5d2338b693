"""Reduced runs for pages and pictures: one of the demo, and an invented hold with parts that tests change."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from fakes.runs import run_of
from undertray.acquire.runlog import read_run
from undertray.reduce.car import Car
from undertray.reduce.hold import HoldNeed
from undertray.reduce.loss import Loss
from undertray.reduce.margins import holding
from undertray.reduce.run import Reduction, reduce_run
from undertray.reduce.steady import run_blocks
from undertray.reduce.summary import Centre, Doubt, Rest

LOGS = Path(__file__).parents[2] / "demo_logs"
CAR_TOML = LOGS / "car.toml"


def invented_car() -> Car:
    """The invented demo car."""
    return Car.from_toml(CAR_TOML)


@cache
def demo_reduction(name: str = "front-fold") -> Reduction:
    """A recording of the demo, read and reduced as it is: nothing in it is made by hand."""
    return reduce_run(read_run(LOGS / f"{name}.csv"), invented_car())


def invented_event(**changes: Any) -> Loss:
    """A fold of the front skirt at 8 s."""
    fold = Loss(
        "seal-loss",
        onset_s=8.0,
        bottom_s=8.05,
        first_tap="front-left",
        order=("front-left", "front-right", "rear-left", "rear-right"),
        from_pa=1500.0,
        to_pa=400.0,
        drop=0.73,
        fall_s=0.03,
        warning_s=0.6,
        throttle_us=1700.0,
        below_hold_s=3.0,
        confidence=0.9,
        order_ms=(0.0, 12.0, 25.0, 31.0),
    )
    return replace(fold, **changes)


@cache
def _reduced(
    seconds: float,
    rate_hz: float,
    fold_at_s: float | None,
    seed: int,
    suction_pa: float,
    throttle: bool,
    car: Car,
) -> Reduction:
    """Throttle up at 2 s, steady until one second before the end; a loss of three quarters at fold_at_s."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    t_s = np.arange(n) / rate_hz
    up = (t_s >= 2.0) & (t_s < seconds - 1.0)
    level = np.where(up, suction_pa * -np.expm1(-(t_s - 2.0) / 0.15), 0.0)
    if fold_at_s is not None:
        level = np.where(t_s >= fold_at_s, level * 0.27, level)
    tap_pa = level[:, None] * np.linspace(1.05, 0.95, len(car.taps)) + rng.normal(0, 6.0, (n, len(car.taps)))
    pulses_us = np.where(up, 1700.0, 1000.0) if throttle else np.full(n, np.nan)
    return reduce_run(run_of(t_s, tap_pa, pulses_us, name="invented-run", pa_per_count=1.0), car)


def invented_reduction(
    seconds: float = 12.0,
    rate_hz: float = 200.0,
    *,
    fold_at_s: float | None = 8.0,
    calibrated: bool = True,
    seed: int = 1,
    suction_pa: float = 1500.0,
    throttle: bool = True,
    car: Car | None = None,
    **changes: Any,
) -> Any:
    """An invented run, reduced, with the parts in place that tests speak of and those that they change.

    Its series are arrays of its own, which a test may write into before it calls :func:`with_parts`.
    """
    car = car or invented_car()
    found = _reduced(seconds, rate_hz, fold_at_s, seed, suction_pa, throttle, car)
    series = found.series
    whole = {"tap_suction_pa": series.tap_suction_pa, "mean_suction_pa": series.mean_suction_pa}
    whole |= {"downforce_n": series.downforce_n, "front_n": series.front_n, "rear_n": series.rear_n}
    whole |= {"throttle_us": series.throttle_us}
    parts: dict[str, Any] = {
        "series": replace(series, **{name: np.array(values) for name, values in whole.items()}),
        "suction_pa": replace(found.suction_pa, u95=1.2),
        "downforce_n": replace(found.downforce_n, u95=1.2),
        "axles": {name: replace(axle, u95_n=1.2) for name, axle in found.axles.items()},
        "doubt": Doubt({"noise": 0.01, "between taps": 0.5}, 100.0),
        "centre_mm": Centre(125.0, 0.4, 2.0, 1.5),
        "rest": Rest("none", None, None),
        "calibrated": calibrated,
        "events": ()
        if fold_at_s is None
        else (invented_event(onset_s=fold_at_s, bottom_s=fold_at_s + 0.05),),
        "dips": (),
        "dips_per_min": 0.0,
        "steady": None,
        "grip": None,
        "notices": () if calibrated else ("uncalibrated: suction is by the sensors' own scale",),
        "caveats": () if calibrated else ("the sensors are not calibrated",),
    }
    return with_parts(found, **(parts | changes))


def invented_laps() -> Any:
    """400 s: the fans down for 3 s at the end of every 20, for 12 s once, and a fold that no event tells."""
    reduction = invented_reduction(seconds=400.0, fold_at_s=None)
    series = reduction.series
    t_s = series.t_s
    down = (t_s % 20.0 >= 17.0) | ((t_s >= 260.0) & (t_s < 272.0))
    fold = (t_s > 130.0) & (t_s < 131.0)
    series.throttle_us[down] = 1000.0
    for values in (series.tap_suction_pa, series.downforce_n, series.front_n, series.rear_n):
        values[down], values[fold] = 0.0, 0.2 * values[fold]
    return with_parts(reduction)


def with_parts(found: Reduction, **changes: Any) -> Reduction:
    """Put other parts into a reduction; what it says of holding on goes by them."""
    changed = replace(found, **changes)
    front, rear, whole = changed.axles["front"], changed.axles["rear"], changed.hold
    need = HoldNeed(whole.required_n, front.required_n, rear.required_n, False, whole.required_u95_n)
    stay = HoldNeed(whole.stay_n, front.stay_n, rear.stay_n, by_friction=False)
    told = changed.no_verdict or holding(changed.series, need, stay, changed.events)
    return replace(changed, holding=told, blocks=run_blocks(changed.series, changed.events))


def only_rows(found: Reduction, kept: Any) -> Reduction:
    """A reduction of which some rows never came."""
    series = found.series
    columns = {each.name: getattr(series, each.name) for each in fields(series)}
    left = {name: values[kept] for name, values in columns.items() if values is not None and len(values)}
    return with_parts(found, series=replace(series, **left))
