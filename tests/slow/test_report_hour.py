"""An hour with eight taps: the page takes little more than the reduction, and stays small."""

from __future__ import annotations

import dataclasses
import time
from typing import Any

import numpy as np
import pytest

from fakes.reductions import invented_car
from undertray.acquire.device import Column, Device
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
    counts = np.round(
        8192 + (level[:, None] * np.linspace(1.05, 0.95, 8) + rng.normal(0, 5, (_ROWS, 8))) / 0.61
    )
    scale = {"zero": 8192, "pa_per_count": 0.61, "min": 1638, "max": 14746}
    columns = tuple(Column(f"p{i + 1}", "HSC", "040MD", 0, 40 + i, None, "low", scale) for i in range(8))
    ticks = (np.arange(_ROWS) * 5000) % 2**30
    fields: dict[str, Any] = {
        "name": "hour",
        "facts": {"skirt": "brush"},
        "device": Device("0.1.0", "test", "00", 1, _RATE_HZ, 1_000_000, 30, columns),
        "columns": tuple(c.name for c in columns),
        "host_us": np.arange(_ROWS) * 5000,
        "seq": np.arange(_ROWS) % 65536,
        "t_us": ticks,
        "throttle_us": throttle_us,
        "flags": np.zeros(_ROWS, np.int64),
        "counts": counts,
        "notes": (),
        "bad_lines": 0,
        "cut_off": False,
        "end": {},
    }
    known = {f.name for f in dataclasses.fields(Run)}
    assert set(fields) <= known
    return Run(**fields)


def test_page_of_an_hour_is_quick_and_small() -> None:
    run, car = _run(), _car()
    start = time.perf_counter()
    reduction = reduce_run(run, car)
    reduced = time.perf_counter()
    page = render_page([make_sheet(reduction, car, run)], "hour")
    done = time.perf_counter()
    assert len(reduction.events) > 10
    assert len(page.encode()) < 3_000_000
    # reading the log comes on top of the reduction in real use, and would only ease this
    assert done - reduced < 2 * (reduced - start) + 5.0
