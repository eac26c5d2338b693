"""An hour with eight taps: the page takes little more than the reduction, and stays small."""

from __future__ import annotations

import dataclasses
import time

import numpy as np
import pytest

from fakes.reductions import invented_car
from fakes.runs import run_of
from undertray.acquire.runlog import Run
from undertray.reduce.car import Car, Tap
from undertray.reduce.run import reduce_run
from undertray.report.page import render_page
from undertray.report.sheet import make_sheet

pytestmark = pytest.mark.slow

_ROWS, _RATE_HZ = 720_000, 200.0


def _car() -> Car:
    taps = tuple(
        Tap(name=f"tap {i + 1}", column=f"p{i + 1}", x_mm=20.0 + 60 * (i // 2), y_mm=-50.0 + 100 * (i % 2))
        for i in range(8)
    )
    return dataclasses.replace(invented_car(), taps=taps)


def _run() -> Run:
    """An hour of laps: throttle up and down twice a minute, and a fold of the skirt every three minutes."""
    rng = np.random.default_rng(1)
    t_s = np.arange(_ROWS) / _RATE_HZ
    lap_s = t_s % 30.0
    throttle_us = np.where((lap_s > 2) & (lap_s < 27), 1700.0, 1000.0)
    level = np.where(throttle_us > 1500, 1500.0, 0.0)
    kernel = np.exp(-np.arange(200) / 30.0)
    level = np.convolve(level, kernel / kernel.sum())[:_ROWS]
    folded = (t_s % 180.0 > 100.0) & (t_s % 180.0 < 101.5)
    level = np.where(folded, 0.3 * level, level)
    tap_pa = level[:, None] * np.linspace(1.05, 0.95, 8) + rng.normal(0, 5, (_ROWS, 8))
    return run_of(t_s, tap_pa, throttle_us, {"skirt": "brush"}, "hour")


def test_page_of_an_hour_is_quick_and_small() -> None:
    run, car = _run(), _car()
    start = time.perf_counter()
    reduction = reduce_run(run, car)
    reduced = time.perf_counter()
    page = render_page([make_sheet(reduction, car, run)], "hour")
    done = time.perf_counter()
    assert len(reduction.events) > 10
    assert len(page.encode()) < 1_500_000
    # reading the log comes on top of the reduction in real use, and would only ease this
    assert done - reduced < 2 * (reduced - start) + 5.0
