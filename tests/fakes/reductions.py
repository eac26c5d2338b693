"""Reduced runs for pages and pictures: one of the demo, and an invented hold with parts that tests change."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from undertray.acquire.runlog import read_run
from undertray.reduce.car import Car
from undertray.reduce.hold import HoldNeed
from undertray.reduce.loads import load_matrix
from undertray.reduce.margins import Holding, holding
from undertray.reduce.run import Reduction, reduce_run
from undertray.reduce.steady import run_blocks

LOGS = Path(__file__).parents[2] / "demo_logs"
CAR_TOML = LOGS / "car.toml"


def invented_car() -> Car:
    """The invented demo car."""
    return Car.from_toml(CAR_TOML)


@cache
def demo_reduction(name: str = "front-fold") -> Reduction:
    """A recording of the demo, read and reduced as it is: nothing in it is made by hand."""
    return reduce_run(read_run(LOGS / f"{name}.csv"), invented_car())


class _Reduction(SimpleNamespace):
    @property
    def holding(self) -> Holding | str:
        """What the run says of holding on, with whatever a test changed in it."""
        front, rear, whole = self.axles["front"], self.axles["rear"], self.hold
        need = HoldNeed(whole.required_n, front.required_n, rear.required_n, by_friction=False)
        stay = HoldNeed(whole.stay_n, front.stay_n, rear.stay_n, by_friction=False)
        return self.no_verdict or holding(self.series, need, stay, self.events)


def _spread(values: Any) -> SimpleNamespace:
    good = values[np.isfinite(values)]
    low, middle, high = np.quantile(good, [0.05, 0.5, 0.95])
    return SimpleNamespace(
        mean=float(good.mean()),
        p05=float(low),
        median=float(middle),
        p95=float(high),
        max=float(good.max()),
        u95=1.2,
    )


def invented_event(**changes: Any) -> SimpleNamespace:
    """A fold of the front skirt at 8 s."""
    event = {
        "kind": "seal-loss",
        "onset_s": 8.0,
        "bottom_s": 8.05,
        "end_s": None,
        "first_tap": "front-left",
        "order": ("front-left", "front-right", "rear-left", "rear-right"),
        "from_pa": 1500.0,
        "to_pa": 400.0,
        "drop": 0.73,
        "fall_s": 0.03,
        "warning_s": 0.6,
        "throttle_us": 1700.0,
        "below_hold_s": 3.0,
        "confidence": 0.9,
        "brief": False,
        "onset_between_s": None,
        "order_ms": (0.0, 12.0, 25.0, 31.0),
    }
    return SimpleNamespace(**(event | changes))


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
    """Throttle up at 2 s, steady until one second before the end; a loss of three quarters at fold_at_s."""
    car = car or invented_car()
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    t_s = np.arange(n) / rate_hz
    up = (t_s >= 2.0) & (t_s < seconds - 1.0)
    throttle_us = np.where(up, 1700.0, 1000.0)
    level = np.where(up, suction_pa * -np.expm1(-(t_s - 2.0) / 0.15), 0.0)
    if fold_at_s is not None:
        level = np.where(t_s >= fold_at_s, level * 0.27, level)
    taps = [tap.name for tap in car.taps]
    shares = np.linspace(1.05, 0.95, len(taps))
    suction = level[:, None] * shares + rng.normal(0, 6.0, (n, len(taps)))
    loads = suction @ load_matrix(car).matrix.T
    required = car.weight_n * (1 + car.allowance)
    needs = {"front": required * car.front_weight, "rear": required * (1 - car.front_weight)}
    axles = {}
    for place, (name, need) in enumerate(needs.items()):
        margin = loads[:, 1 + place] - need
        axles[name] = SimpleNamespace(
            downforce_n=float(np.median(loads[:, 1 + place])),
            required_n=need,
            stay_n=need / (1 + car.allowance),
            margin_n=SimpleNamespace(median=float(np.median(margin)), min=float(margin.min())),
            below_s=float((margin < 0).sum() / rate_hz),
            u95_n=1.2,
        )
    fields = {
        "format": 1,
        "run": "invented-run",
        "calibrated": calibrated,
        "rows": n,
        "bad_lines": 0,
        "lost_rows": 0,
        "duplicate_rows": 0,
        "truncated": False,
        "why": None,
        "duration_s": seconds,
        "rate_hz": rate_hz,
        "suction_pa": _spread(suction.mean(axis=1)),
        "taps": {
            name: SimpleNamespace(
                mean=float(suction[:, i].mean()),
                median=float(np.median(suction[:, i])),
                max=float(suction[:, i].max()),
                saturated_s=0.0,
                missing_s=0.0,
            )
            for i, name in enumerate(taps)
        },
        "downforce_n": _spread(loads[:, 0]),
        "centre_mm": SimpleNamespace(x=125.0, y=0.4, x_u95=2.0, y_u95=1.5),
        "axles": axles,
        "hold": SimpleNamespace(
            surface_angle=180.0,
            required_n=required,
            stay_n=car.weight_n,
            margin_n=SimpleNamespace(median=3.0, min=-20.0),
            below_s=3.0,
            limiting_axle="front",
            skirt_travel_mm=None,
        ),
        "events": ()
        if fold_at_s is None
        else (invented_event(onset_s=fold_at_s, bottom_s=fold_at_s + 0.05),),
        "dips": (),
        "dips_per_min": 0.0,
        "alarms": (),
        "series": SimpleNamespace(
            t_s=t_s,
            row_s=np.full(n, 1 / rate_hz),
            tap_suction_pa=suction,
            mean_suction_pa=suction.mean(axis=1),
            throttle_us=throttle_us if throttle else np.full(n, np.nan),
            throttles_us=None,
            pack2_mv=None,
            downforce_n=loads[:, 0],
            front_n=loads[:, 1],
            rear_n=loads[:, 2],
            alarm=np.zeros(n, bool),
            pack_t_s=np.empty(0),
            pack_mv=np.empty(0),
        ),
        "steady": None,
        "grip": None,
        "rest": SimpleNamespace(tare="none", zero_pa=None, drift_pa=None),
        "doubt": SimpleNamespace(sources_n={"noise": 0.01, "between taps": 0.5}, effective_rows=100.0),
        "tubes": {},
        "notices": () if calibrated else ("uncalibrated: suction is by the sensors' own scale",),
        "caveats": () if calibrated else ("the sensors are not calibrated",),
        "no_verdict": "",
        "motion": None,
    }
    reduction: Any = _Reduction(**(fields | changes))
    reduction.blocks = run_blocks(reduction.series, reduction.events)
    return reduction
