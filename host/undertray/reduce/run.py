"""A run, a car and a calibration, reduced to newtons, margins and events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime, board_time
from undertray.acquire.runlog import Run
from undertray.calibrate.calibration import Calibration
from undertray.errors import NothingMeasured
from undertray.quantiles import quantiles
from undertray.reduce.car import Car
from undertray.reduce.dips import board_alarms, find_dips
from undertray.reduce.fan import FanReference
from undertray.reduce.grip import Grip, grip, speeds_asked
from undertray.reduce.hold import HoldNeed, hold_need
from undertray.reduce.leakage import fan_state, with_doubt
from undertray.reduce.loads import Loads, faulted_rows, load_matrix, tap_loads
from undertray.reduce.longtable import Column
from undertray.reduce.loss import Loss
from undertray.reduce.losses import find_losses, without_pack_sag
from undertray.reduce.margins import holding
from undertray.reduce.motion import run_motion
from undertray.reduce.notices import run_caveats, run_notices, wrong_ports
from undertray.reduce.parallelfans import common_throttle_us
from undertray.reduce.reading import TapSuction, pack_voltage, tap_suction
from undertray.reduce.series import Series, row_times
from undertray.reduce.steady import run_blocks, steady_levels
from undertray.reduce.summary import (
    FORMAT,
    Axle,
    Centre,
    Cover,
    Doubt,
    Hold,
    Margin,
    Reduction,
    Rest,
    Side,
    Spread,
    TapSummary,
    steady_estimates,
)
from undertray.reduce.tube import tap_tubes
from undertray.reduce.uncertainty import MeanUncertainty, mean_uncertainty
from undertray.reduce.warning import with_hold
from undertray.reduce.zero import take_zero

__all__ = ["Reduction", "reduce_run"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


_TWO_FANS = (
    "two fans with throttles of their own: what is said of the throttle is the mean of both, unknown where "
    "one is; a fan that goes alone explains a fall of the suction, by the law of like fans side by side"
)


def reduce_run(
    run: Run,
    car: Car,
    calibration: Calibration | None = None,
    tare: str = "none",
    reference: FanReference | None = None,
    speeds_m_s: Sequence[float] = (),
) -> Reduction:
    """Reduce a run.

    Parameters
    ----------
    run : Run
        A run log in memory.
    car : Car
        The car it was recorded on.
    calibration : Calibration or None
        The board's calibration; without one the parts' own scales are used, and the result says so.
    tare : str
        What zero to take off: ``none``, ``zero`` (at rest before the run) or ``linear`` (moving to that at
        rest after it).
    reference : FanReference or None
        The car on its good seal, for the seal index.
    speeds_m_s : sequence of float
        Speeds that the traction-limited time is stated for, m/s; 60 mph and 100 km/h if none is given.

    Returns
    -------
    Reduction

    Raises
    ------
    NothingMeasured
        When the log has fewer than two good rows or not one good tap, or its clock stands still.
    CalibrationMismatch
        When the calibration lacks a column that the car names.
    ReductionError
        When the log has no description of the board, or lacks a column that the car names.

    Notes
    -----
    Every row is one product of the load matrix with the suctions of its good taps; a tap that is missing
    in a row, or named by a sensor fault while that lasts, leaves its cell to its neighbours by another
    matrix. The mean suction is the downforce over the area of the floor.
    """
    if len(run.t_us) < 2:
        raise NothingMeasured(
            "too few good rows", where=run.where, seen=len(run.t_us), expected="2 or more", do="record again"
        )
    time = board_time(run)
    stopped = np.count_nonzero(time.t_s[1:] <= time.t_s[:-1])
    if not 0 < time.rate_hz < np.inf or 2 * stopped >= len(time.t_s) - 1:
        raise NothingMeasured(
            "the board's clock stands still: half the rows or more have the time of the row before",
            where=run.where,
            expected="a t_us that grows from row to row",
            do="update the board's firmware, and record again",
        )
    read = tap_suction(run, car, calibration)
    alarm = (run.flags & 2) != 0
    # the raw times are not needed any more, and take as much room as much else
    none = np.empty(0, np.int64)
    run = replace(run, host_us=none, seq=none, t_us=none, flags=none)
    drive_us, second_us = run.drive_us, run.throttle2_us
    suction, zero = take_zero(time.t_s, read, drive_us, car, calibration, tare)
    names = [tap.name for tap in car.taps]
    both_us = drive_us if second_us is None else common_throttle_us(run.throttle_us, second_us)
    events = _events(time, suction, both_us, car)
    pack_t_s, pack_mv = pack_voltage(run, time.t_s)
    events, of_the_pack = without_pack_sag(events, pack_t_s, pack_mv)
    loads = tap_loads(car, suction.pa, faulted_rows(events, time.t_s, names))
    front, rear = loads.front_n, loads.rear_n
    there = np.isfinite(front)
    if not there.any():
        raise NothingMeasured("no row with a good tap", where=run.where, do="check the sensors")
    row_s = row_times(time)
    series = Series(
        t_s=time.t_s,
        row_s=row_s,
        tap_suction_pa=suction.pa,
        mean_suction_pa=loads.mean_suction_pa,
        throttle_us=drive_us,
        downforce_n=loads.downforce_n,
        front_n=front,
        rear_n=rear,
        alarm=alarm,
        pack_t_s=pack_t_s,
        pack_mv=pack_mv,
        throttles_us=None if second_us is None else (run.throttle_us, second_us),
        pack2_mv=None if second_us is None else run.channel("pack2_mv"),
    )
    need, stay = hold_need(car), hold_need(replace(car, allowance=0.0))
    below = _below(loads, need)
    on_wrong_ports = wrong_ports(car, suction, drive_us)
    held = on_wrong_ports or holding(series, need, stay, events)
    counted = np.zeros(len(there), bool) if isinstance(held, str) else held.below
    events = with_hold(events, series, counted)
    dips = find_dips(series, car, stay, events, loads.pattern, time.rate_hz)
    blocks = run_blocks(series, events, dips)
    fan = fan_state(series, events, blocks, car, reference)
    whole = mean_uncertainty(there, loads, suction, zero, car, calibration, time.rate_hz)
    levels = steady_levels(blocks, drive_us)
    calm = blocks.rows_of(levels[0]) & there if levels else np.zeros(len(there), bool)
    still = (
        mean_uncertainty(calm, loads, suction, zero, car, calibration, time.rate_hz, steady=True)
        if calm.any()
        else None
    )
    if still is not None:
        fan = with_doubt(fan, blocks, car, reference, still.means.suction_pa, still.u95["suction_pa"])
    axles = {
        "front": _axle(front, there, need.front_n, stay.front_n, row_s, whole.u95["front_n"]),
        "rear": _axle(rear, there, need.rear_n, stay.rear_n, row_s, whole.u95["rear_n"]),
    }
    rows = slice(None) if there.all() else there
    downforce = loads.downforce_n[rows]
    least_n = float(downforce.min())
    force = Spread.of(downforce, whole.u95["downforce_n"])
    del downforce
    return Reduction(
        format=FORMAT,
        run=run.name,
        calibrated=calibration is not None,
        rows=len(time.t_s),
        bad_lines=run.bad_lines,
        lost_rows=time.lost_rows,
        duplicate_rows=run.duplicate_rows,
        truncated=run.cut_short is not None,
        why=run.cut_short,
        duration_s=float(time.t_s[-1] - time.t_s[0]),
        rate_hz=time.rate_hz,
        suction_pa=Spread.of(loads.mean_suction_pa[rows], whole.u95["suction_pa"]),
        taps=_taps(names, suction, row_s),
        downforce_n=force,
        centre_mm=Centre(whole.means.x_mm, whole.means.y_mm, whole.u95["x_mm"], whole.u95["y_mm"]),
        axles=axles,
        hold=Hold(
            surface_angle=car.surface_angle_deg,
            required_n=need.whole_n,
            stay_n=stay.whole_n,
            margin_n=Margin(force.median - need.whole_n, least_n - need.whole_n),
            below_s=float(row_s[below].sum()),
            limiting_axle=min(axles, key=lambda a: axles[a].margin_n.median),
            skirt_travel_mm=car.skirt_travel_mm,
            required_u95_n=need.whole_u95_n,
        ),
        events=events,
        dips=dips,
        dips_per_min=None if isinstance(held, str) or not held.asked_s else 60 * len(dips) / held.asked_s,
        alarms=board_alarms(series),
        series=series,
        blocks=blocks,
        holding=held,
        sides={
            "left": Side(whole.means.left_n, whole.u95["left_n"]),
            "right": Side(whole.means.right_n, whole.u95["right_n"]),
        },
        steady=None
        if still is None
        else steady_estimates(
            still,
            need,
            float(row_s[calm].sum()),
            blocks,
            levels,
        ),
        grip=None if still is None else _grip(car, still, speeds_m_s),
        fan=fan,
        cover=Cover(car.load, load_matrix(car).extrapolated),
        rest=Rest(zero.how, zero.zero_pa, zero.drift_pa),
        doubt=Doubt(whole.sources_n, whole.effective_rows),
        tubes=tap_tubes(car),
        notices=((on_wrong_ports,) if on_wrong_ports else ())
        + run_notices(
            run,
            time,
            car,
            calibration,
            suction,
            loads,
            (
                *_unmeasured(row_s[~there]),
                *zero.notices,
                *dict.fromkeys((*whole.notices, *(() if still is None else still.notices))),
                *of_the_pack,
                *((_TWO_FANS,) if second_us is not None else ()),
                *fan.notices,
            ),
        ),
        caveats=run_caveats(run, time, car, calibration, suction, loads, zero),
        no_verdict=on_wrong_ports,
        motion=run_motion(run, time.t_s, speeds_asked(car, speeds_m_s), [dip.start_s for dip in dips]),
    )


def _events(time: BoardTime, suction: TapSuction, throttle_us: Array, car: Car) -> tuple[Loss, ...]:
    """Look for events in each stretch of one sample rate by itself."""
    names, weights = [tap.name for tap in car.taps], load_matrix(replace(car, load="cells")).area_m2
    found: list[Loss] = []
    beyond = suction.out_of_range
    ends = [row for row, _ in time.rates[1:]] + [len(time.t_s)]
    for (a, rate_hz), b in zip(time.rates, ends, strict=True):
        found += find_losses(
            time.t_s[a:b],
            suction.pa.between(a, b),
            throttle_us[a:b],
            tap_names=names,
            weights=weights,
            out_of_range=None if beyond is None else beyond.between(a, b),
            period_s=1.0 / rate_hz,
        )
    return tuple(found)


def _grip(car: Car, still: MeanUncertainty, speeds_m_s: Sequence[float]) -> Grip | None:
    means, u95 = still.means, still.u95
    forces = u95["downforce_n"], u95["front_n"], u95["rear_n"]
    return grip(car, means.downforce_n, means.front_n, means.rear_n, speeds_m_s, forces)


def _unmeasured(row_s: Array) -> tuple[str, ...]:
    return (f"no tap was good for {row_s.sum():.2f} s: nothing is known of that time",) if len(row_s) else ()


def _below(loads: Loads, need: HoldNeed) -> Bools:
    with np.errstate(invalid="ignore"):
        below = loads.downforce_n[:] < need.whole_n
        below |= loads.front_n < need.front_n
        below |= loads.rear_n < need.rear_n
        return below


def _axle(
    load: Array, there: Bools, required_n: float, stay_n: float, row_s: Column, u95_n: float | None
) -> Axle:
    with np.errstate(invalid="ignore"):
        below_s = float(row_s[load < required_n].sum())
    values = load[there] if not there.all() else load.copy()
    mean, least = float(values.mean()), float(values.min())
    median = quantiles(values, (0.5,), spoil=True)[0]
    return Axle(mean, required_n, stay_n, Margin(median - required_n, least - required_n), below_s, u95_n)


def _taps(names: Sequence[str], suction: TapSuction, row_s: Column) -> dict[str, TapSummary]:
    out = {}
    for i, name in enumerate(names):
        values = suction.pa[:, i]
        seen = np.isfinite(values)
        missing_s = 0.0
        if not seen.all():
            missing_s, values = float(row_s[~seen].sum()), values[seen]
        out[name] = TapSummary(
            mean=float(values.mean()) if values.size else None,
            max=float(values.max()) if values.size else None,
            median=quantiles(values, (0.5,), spoil=True)[0] if values.size else None,
            saturated_s=float(row_s[suction.beyond[i]].sum()) if i in suction.beyond else 0.0,
            missing_s=missing_s,
        )
        del values
    return out
