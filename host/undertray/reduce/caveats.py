"""Why a car that held in a run may not have held for sure."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime
from undertray.acquire.runlog import Run
from undertray.calibrate.certificate import Calibration
from undertray.reduce.car import Car
from undertray.reduce.loads import Loads
from undertray.reduce.loss import LossParameters
from undertray.reduce.products import pieces
from undertray.reduce.reading import TapSuction
from undertray.reduce.steady import REST_US
from undertray.reduce.zero import Zero

__all__ = ["run_caveats"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LONG_GAP_S = 0.1
_BEYOND, _OUTSIDE, _BARE = 0.02, 0.05, 0.02  # shares of the rows with the throttle up
_OFF_ZERO = 0.05  # of the mean suction with the throttle up
_MOVED_PA, _MOVED_US = 50.0, 200.0
_GLANCE = 4096  # rows, spread over the run


def run_caveats(
    run: Run,
    time: BoardTime,
    car: Car,
    calibration: Calibration | None,
    suction: TapSuction,
    loads: Loads,
    zero: Zero,
) -> tuple[str, ...]:
    """Say why a car that held in a run may not have held for sure.

    Parameters
    ----------
    run : Run
        The run.
    time : BoardTime
        Its time line.
    car : Car
        The car.
    calibration : Calibration or None
        The calibration used.
    suction : TapSuction
        What the taps read.
    loads : Loads
        Which of the readings the loads are of.
    zero : Zero
        What they read at rest.

    Returns
    -------
    tuple of str
        Each goes on after "but".

    Notes
    -----
    With the throttle up a tap may be beyond the range of its part in 2 % of the rows, outside the
    calibrated range in 5 %, and off zero by 5 % of the mean suction; an axle may be without a good tap in
    2 % of them. It is not up at 1100 µs and below. Common practice, no source.
    """
    up = ~(run.throttle_us <= REST_US)
    if not up.any():
        up = np.ones(len(up), bool)
    return (
        *_of_the_calibration(run, calibration),
        *_of_the_log(run, time),
        *_of_the_taps(run, car, suction, loads, up),
        *_of_the_axles(car, loads, up),
        *_of_the_zero(car, loads, zero, up),
        *_of_the_surface(car),
    )


def _of_the_calibration(run: Run, calibration: Calibration | None) -> Iterator[str]:
    if calibration is None:
        yield "the sensors are not calibrated"
    elif calibration.foreign_to(run.device):
        yield "the calibration is of another board"


def _of_the_log(run: Run, time: BoardTime) -> Iterator[str]:
    if run.cut_short is not None:
        yield f"{run.cut_short}: how the run ended is unknown"
    if 1 / time.rate_hz > LossParameters().longest_period_s:
        yield f"with only {time.rate_hz:.2g} rows a second a loss of the seal may lie between two rows"
    if any(device.columns != run.device.columns for _, device in run.described_anew if run.device):
        yield "the board's sensors were described anew within the run"
    gone_s = sum(b - a for a, b in time.gaps if b - a > _LONG_GAP_S)
    if gone_s:
        yield f"no rows came for {gone_s:.1f} s of it"
    if time.resets and time.host is None:
        yield "the board was reset, and for how long no rows came is unknown"


def _of_the_taps(run: Run, car: Car, suction: TapSuction, loads: Loads, up: Mask) -> Iterator[str]:
    count = np.count_nonzero(up)
    beyond, outside = [], []
    for i, tap in enumerate(car.taps):
        over = suction.beyond.get(i)
        if over is not None and np.count_nonzero(over & up & loads.rows_of(_has(i))) > _BEYOND * count:
            beyond.append(tap.name)
        if suction.outside.get(tap.name, 0.0) * len(up) > _OUTSIDE * count:
            outside.append(tap.name)
    if beyond:
        yield f"the readings of {', '.join(beyond)} were beyond the range of the part with the throttle up"
    if outside:
        yield f"the readings of {', '.join(outside)} were outside the calibrated range with the throttle up"
    stuck = _stuck(run, suction)
    if stuck.any():
        names = ", ".join(tap.name for tap, one in zip(car.taps, stuck, strict=True) if one)
        yield f"the readings of {names} never moved"


def _stuck(run: Run, suction: TapSuction) -> Mask:
    """Taps that never moved, where something did: another tap, or the throttle."""
    table = suction.nominal
    low_pa, high_pa = _ends(table[:: max(1, len(table) // _GLANCE)])
    span_pa = high_pa - low_pa
    if not (span_pa == 0).any():
        return np.zeros(len(span_pa), bool)  # as usual: no need to look at every row
    for a, b in pieces(0, len(table)):
        low, high = _ends(table[a:b])
        low_pa, high_pa = np.fmin(low_pa, low), np.fmax(high_pa, high)
    span_pa = high_pa - low_pa
    moved_pa = np.nan_to_num(span_pa)
    moved_us = float(np.subtract(*_ends(run.throttle_us)[::-1]))
    asked = moved_pa.max() > _MOVED_PA or moved_us > _MOVED_US
    return np.asarray((span_pa == 0) & asked)


def _ends(values: Array) -> tuple[Array, Array]:
    return np.fmin.reduce(values), np.fmax.reduce(values)


def _has(tap: int) -> Callable[[int], bool]:
    return lambda code: bool(code >> tap & 1)


def _of_the_axles(car: Car, loads: Loads, up: Mask) -> Iterator[str]:
    middle_mm = car.wheelbase_mm / 2
    at = {
        "front": [i for i, tap in enumerate(car.taps) if tap.x_mm <= middle_mm],
        "rear": [i for i, tap in enumerate(car.taps) if tap.x_mm >= middle_mm],
    }
    for name, taps in at.items():
        bits = sum(1 << i for i in taps)
        if loads.pattern is None:
            share = float(not bits)
        else:
            # rows without any tap are told by the verdict: nothing at all is known of them
            bare = up & loads.rows_of(_lacks(bits))
            share = np.count_nonzero(bare) / np.count_nonzero(up)
        if share > _BARE:
            yield f"no tap in the {name} half was good in {share:.0%} of the rows with the throttle up"


def _lacks(bits: int) -> Callable[[int], bool]:
    return lambda code: code != 0 and not code & bits


def _of_the_zero(car: Car, loads: Loads, zero: Zero, up: Mask) -> Iterator[str]:
    if zero.how != "none" or zero.zero_pa is None:
        return
    total_pa, count = 0.0, 0
    for a, b in pieces(0, len(up)):
        level_pa = loads.mean_suction_pa[a:b][up[a:b] & np.isfinite(loads.front_n[a:b])]
        total_pa, count = total_pa + float(level_pa.sum()), count + len(level_pa)
    least_pa = _OFF_ZERO * abs(total_pa / count) if count else 0.0
    off = [
        f"{tap.name} {rest_pa:+.0f} Pa"
        for tap, rest_pa, over in zip(car.taps, zero.zero_pa.values(), zero.over.tolist(), strict=True)
        if rest_pa is not None and over and abs(rest_pa) > least_pa
    ]
    if off:
        yield f"at rest the readings are further from zero than the calibration allows: {', '.join(off)}"


def _of_the_surface(car: Car) -> Iterator[str]:
    if car.surface_angle_deg % 180 != 0 and car.tyre_mu is None:
        yield "whether it slides is not judged, as the car file gives no tyre_mu"
