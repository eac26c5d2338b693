"""A run, a car and a calibration, reduced to newtons, margins and events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime, board_time
from undertray.acquire.runlog import Run
from undertray.calibrate.certificate import Calibration
from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.floor import ROWS, load_matrix
from undertray.reduce.hold import HoldNeed, hold_need
from undertray.reduce.losses import Loss, find_losses
from undertray.reduce.precursors import DECLINE, first_sign
from undertray.reduce.reading import TapSuction, tap_suction
from undertray.reduce.summary import FORMAT, Axle, Centre, Hold, Margin, Reduction, Series, Spread, TapSummary
from undertray.reduce.uncertainty import MeanUncertainty, mean_uncertainty

__all__ = ["Reduction", "reduce_run"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


def reduce_run(run: Run, car: Car, calibration: Calibration | None = None) -> Reduction:
    """Reduce a run.

    Parameters
    ----------
    run : Run
        A run log in memory.
    car : Car
        The car it was recorded on.
    calibration : Calibration or None
        The board's calibration; without one the parts' own scales are used, and the result says so.

    Returns
    -------
    Reduction

    Raises
    ------
    ReductionError
        When the log has fewer than two good rows or no description of the board, or lacks a
        column that the car names.

    Notes
    -----
    Every row is one product of the load matrix with the suctions of its good taps; a tap that is missing
    in a row, or named by a sensor fault while that lasts, leaves its cell to its neighbours by another
    matrix. The mean suction is the downforce over the area of the floor.
    """
    if len(run.t_us) < 2:
        raise ReductionError(
            "too few good rows", where=run.name, seen=len(run.t_us), expected="2 or more", do="record again"
        )
    time = board_time(run)
    suction = tap_suction(run, car, calibration)
    matrix = load_matrix(car)
    names = [tap.name for tap in car.taps]
    events = find_losses(
        time.t_s,
        suction.pa,
        run.throttle_us,
        tap_names=names,
        weights=matrix.area_m2,
        out_of_range=suction.out_of_range,
        period_s=1.0 / time.rate_hz,
    )
    loads, area_m2, reduced = _loads(car, suction.pa, _faulted(events, time.t_s, names))
    there = np.isfinite(loads[:, 0])
    if not there.any():
        raise ReductionError("no row with a good tap", where=run.name, do="check the sensors")
    step_s = _sample_time(time)
    need = hold_need(car)
    below = _below(loads, need)
    uncertain = mean_uncertainty(suction.nominal_mean_pa, suction.pa, car, calibration)
    downforce = loads[:, 0]
    mean_pa = downforce / area_m2
    axles = {
        axle: _axle(loads[there, i], required, step_s[there])
        for i, axle, required in ((1, "front", need.front_n), (2, "rear", need.rear_n))
    }
    force_n, pitch_nm, roll_nm = (float(loads[there, i].mean()) for i in (0, 3, 4))
    centre = Centre(1e3 * pitch_nm / force_n, 1e3 * roll_nm / force_n) if force_n > 0 else Centre(None, None)
    series = Series(
        t_s=time.t_s,
        tap_suction_pa=suction.pa,
        mean_suction_pa=mean_pa,
        throttle_us=run.throttle_us,
        downforce_n=downforce,
        front_n=loads[:, 1],
        rear_n=loads[:, 2],
        alarm=(run.flags & 2) != 0,
    )
    return Reduction(
        format=FORMAT,
        run=run.name,
        calibrated=calibration is not None,
        rows=len(run.t_us),
        bad_lines=run.bad_lines,
        lost_rows=time.lost_rows,
        duration_s=float(time.t_s[-1] - time.t_s[0]),
        rate_hz=time.rate_hz,
        suction_pa=Spread.of(mean_pa[there], uncertain.suction_pa),
        taps=_taps(names, suction, step_s),
        downforce_n=Spread.of(downforce[there], uncertain.downforce_n),
        centre_mm=centre,
        axles=axles,
        hold=Hold(
            surface_angle=car.surface_angle_deg,
            required_n=need.whole_n,
            margin_n=_margin(downforce[there] - need.whole_n),
            below_s=float(step_s[below].sum()),
            limiting_axle=min(axles, key=lambda a: axles[a].margin_n.median),
        ),
        events=tuple(_with_hold(e, series, step_s, below) for e in events),
        series=series,
        notices=_notices(run, time, car, calibration, suction, reduced, uncertain),
    )


def _faulted(events: Sequence[Loss], t_s: Array, names: Sequence[str]) -> Bools:
    """Rows and taps that a sensor fault takes out."""
    out = np.zeros((len(t_s), len(names)), bool)
    for event in events:
        if event.kind == "sensor-fault":
            rows = slice(
                int(np.searchsorted(t_s, event.onset_s)),
                None if event.end_s is None else int(np.searchsorted(t_s, event.end_s)),
            )
            for name in event.order:
                out[rows, names.index(name)] = True
    return out


def _loads(car: Car, pa: Array, faulted: Bools) -> tuple[Array, Array, tuple[str, ...]]:
    """Rows of the load matrix for every row of the run, the area they stand for, and absent taps."""
    names = [tap.name for tap in car.taps]
    good = np.isfinite(pa) & ~faulted
    if good.all():
        matrix = load_matrix(car)
        return pa @ matrix.matrix.T, np.full(len(pa), matrix.area_m2.sum()), ()
    loads, area = np.full((len(pa), len(ROWS)), np.nan), np.full(len(pa), np.nan)
    code = good @ (1 << np.arange(len(names)))
    for pattern in np.unique(code).tolist():
        taps = [i for i in range(len(names)) if pattern >> i & 1]
        if taps:
            matrix = load_matrix(car, {names[i] for i in taps})
            rows = code == pattern
            loads[rows] = pa[np.ix_(rows, taps)] @ matrix.matrix.T
            area[rows] = matrix.area_m2.sum()
    absent = tuple(name for i, name in enumerate(names) if not good[:, i].all())
    return loads, area, absent


def _sample_time(time: BoardTime) -> Array:
    """Time each row stands for: to the next one, one period before a gap and at the end."""
    period = 1.0 / time.rate_hz
    step = np.diff(time.t_s, append=time.t_s[-1] + period)
    return np.where(step > 5 * period, period, step)


def _below(loads: Array, need: HoldNeed) -> Bools:
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (loads[:, 0] < need.whole_n) | (loads[:, 1] < need.front_n) | (loads[:, 2] < need.rear_n)
        )


def _margin(margin: Array) -> Margin:
    return Margin(float(np.median(margin)), float(margin.min()))


def _axle(load: Array, required_n: float, step_s: Array) -> Axle:
    margin = load - required_n
    return Axle(float(load.mean()), required_n, _margin(margin), float(step_s[margin < 0].sum()))


def _taps(names: Sequence[str], suction: TapSuction, step_s: Array) -> dict[str, TapSummary]:
    out = {}
    for i, name in enumerate(names):
        column = suction.pa[:, i]
        seen = np.isfinite(column)
        values = column if seen.all() else column[seen]
        out[name] = TapSummary(
            mean=float(values.mean()) if values.size else None,
            median=float(np.median(values)) if values.size else None,
            max=float(values.max()) if values.size else None,
            saturated_s=float(step_s[suction.out_of_range[:, i]].sum()),
            missing_s=float(step_s[~seen].sum()),
        )
    return out


def _with_hold(event: Loss, series: Series, step_s: Array, below: Bools) -> Loss:
    """Add what needs the car: time below the hold limit, and the warning there was."""
    if event.kind in ("data-gap", "sensor-fault"):
        return event
    t_s = series.t_s
    a = int(np.searchsorted(t_s, event.onset_s))
    b = len(t_s) if event.end_s is None else int(np.searchsorted(t_s, event.end_s))
    event = replace(event, below_hold_s=float(step_s[a:b][below[a:b]].sum()))
    if event.kind == "throttle-cut":
        return event
    first = max(0, int(np.searchsorted(t_s, event.onset_s - 7.0)))
    sign = first_sign(
        t_s[first:a], series.tap_suction_pa[first:a], series.throttle_us[first:a], event.onset_s
    )
    if sign is not None:
        at_s = sign.at_s
    elif event.kind == "slow-leak" and event.drop and event.fall_s:
        # a slow leak is its own sign, once it has taken as much as a slow decline has to
        at_s = event.onset_s + event.fall_s / 0.8 * min(1.0, DECLINE / event.drop)
    else:
        return event
    k = int(np.searchsorted(t_s, at_s))
    crossed = np.flatnonzero(below[k:b])
    if not crossed.size or crossed[0] == 0:
        return event  # never below, or below before there was any sign
    return replace(event, warning_s=float(t_s[k + crossed[0]] - at_s))


def _notices(
    run: Run,
    time: BoardTime,
    car: Car,
    calibration: Calibration | None,
    suction: TapSuction,
    absent: Sequence[str],
    uncertain: MeanUncertainty,
) -> tuple[str, ...]:
    said: list[str] = []
    if calibration is None:
        said.append("uncalibrated: the sensors' own scales were used, and no uncertainty can be stated")
    elif calibration.uid and run.device and run.device.uid and calibration.uid != run.device.uid:
        said.append("the calibration was made on another board")
    for name, share in suction.outside.items():
        said.append(f"tap {name}: {share:.1%} of the readings lie outside the calibrated range")
    if not np.isfinite(run.throttle_us).any():
        said.append(
            "no throttle in the log: throttle cuts and slow leaks cannot be told apart and are not reported; "
            "sudden falls are taken for seal losses by their speed alone"
        )
    elif not np.isfinite(run.throttle_us).all():
        said.append(f"the throttle is unknown in {np.mean(~np.isfinite(run.throttle_us)):.1%} of the rows")
    if run.bad_lines:
        said.append(f"{run.bad_lines} bad lines were left out")
    if time.lost_rows:
        said.append(f"{time.lost_rows} rows were lost on the way")
    if time.resets:
        said.append(
            f"the board was reset {time.resets} times; across a reset time goes on by the host's clock"
        )
    if run.cut_off:
        said.append("the log was cut off: it was read to its last whole line")
    for name in absent:
        said.append(f"tap {name} was missing or faulty in part of the run: its neighbours stood in for it")
    off = car.surface_angle_deg % 180 != 0
    if off and car.tyre_mu is None:
        said.append("no tyre_mu given: whether the car slides off the surface is not judged")
    said += uncertain.notices
    return tuple(said)
