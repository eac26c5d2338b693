"""What a reader of a reduction has to know, in plain sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime, lost_share
from undertray.acquire.inspection import changes
from undertray.acquire.runlog import Run
from undertray.calibrate.calibration import Calibration
from undertray.quantiles import middles_seen
from undertray.reduce.car import Car
from undertray.reduce.loads import Loads
from undertray.reduce.longtable import pieces
from undertray.reduce.loss import LossParameters
from undertray.reduce.reading import TapSuction
from undertray.reduce.steady import REST_US
from undertray.reduce.tube import tube_notices
from undertray.reduce.zero import Zero

__all__ = ["LEAST_PA", "WRONG_WAY", "run_caveats", "run_notices", "wrong_ports"]


# Why a car that held in a run may not have held for sure.

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LONG_GAP_S = 0.1
# beside a gap: how long is looked at, after how long a fan that was stopped has spun up, and by how much a
# throttle that is the same may differ
_BESIDE_S, _SPUN_UP_S, _SAME_US, _FEW_ROWS = 0.3, 1.0, 30.0, 8
_LOST = 0.02  # of all rows
_BEYOND, _OUTSIDE, _BARE = 0.02, 0.05, 0.02  # shares of the rows with the throttle up
_OFF_ZERO = 0.05  # of the mean suction with the throttle up
_MOVED_PA, _CAVEAT_MOVED_US = 50.0, 200.0
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
    2 % of them, and 2 % of all rows may be lost one by one. It is not up at 1100 µs and below. Common
    practice, no source.
    """
    up = ~(run.drive_us <= REST_US)
    if not up.any():
        up = np.ones(len(up), bool)
    return (
        *_of_the_calibration(run, calibration),
        *_log_caveats(run, time),
        *_behind_gaps(run, time, loads),
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


def _log_caveats(run: Run, time: BoardTime) -> Iterator[str]:
    if run.cut_short is not None:
        yield f"{run.cut_short}: how the run ended is unknown"
    if 1 / time.rate_hz > LossParameters().longest_period_s:
        yield f"with only {time.rate_hz:.2g} rows a second a loss of the seal may lie between two rows"
    if any(device.columns != run.device.columns for _, device in run.described_anew if run.device):
        yield "the board's sensors were described anew within the run"
    gone_s = sum(b - a for a, b in time.gaps if b - a > _LONG_GAP_S)
    if gone_s:
        yield f"no rows came for {gone_s:.1f} s of it"
    if time.lost_rows - gone_s * time.rate_hz > _LOST * (len(time.t_s) + time.lost_rows):
        yield _lost_words(time)
    if time.resets and time.host is None:
        yield "the board was reset, and for how long no rows came is unknown"


def _behind_gaps(run: Run, time: BoardTime, loads: Loads) -> Iterator[str]:
    """Gaps too long to tell a loss in, behind which less is pulled at the same throttle."""
    p = LossParameters()
    for begin_s, end_s in time.gaps:
        if end_s - begin_s <= p.outage_s:
            continue
        a, b = time.t_s.searchsorted([begin_s - _BESIDE_S, begin_s], "right").tolist()
        c, d = time.t_s.searchsorted([end_s + _SPUN_UP_S, end_s + _SPUN_UP_S + _BESIDE_S]).tolist()
        first = int(time.t_s.searchsorted(end_s))
        pulse = np.concatenate([run.drive_us[a:b], run.drive_us[first:d]])
        if b - a < _FEW_ROWS or d - c < _FEW_ROWS or not np.ptp(pulse) < _SAME_US:
            continue
        before_pa, after_pa = (float(np.median(loads.mean_suction_pa[i:j])) for i, j in ((a, b), (c, d)))
        if before_pa > p.min_level_pa and after_pa < (1 - p.cut_drop) * before_pa:
            yield (
                f"behind the gap from {begin_s:.2f} to {end_s:.2f} s the suction is "
                f"{1 - after_pa / before_pa:.0%} lower at the same throttle: the seal may have gone unseen"
            )


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
    moved_us = float(np.subtract(*_ends(run.drive_us)[::-1]))
    asked = moved_pa.max() > _MOVED_PA or moved_us > _CAVEAT_MOVED_US
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


_RADIANS_AT_MOST = 6.3
_LENGTHS = 4.0  # a floor and a wheelbase further apart than this are no car (common practice, no source)
_LOOKED_AT = 2000
_MOST_CORRECTIONS = 8
WRONG_WAY = 0.2
"""Share of the largest change of a tap from which a negative one is a hose on the wrong port."""
LEAST_PA = 25.0
"""Least size of that, Pa; below it is a hose that is off, in the wind."""
_LEAST_UNKNOWN_PA = 150.0  # below it, where no rest was seen: the zero of a part as it comes
_MOVED_US = 100.0
_NOTHING, _LOW, _FEW_TAPS = 0.05, 0.5, 3  # shares of what the others read; too few to have others


def wrong_ports(car: Car, suction: TapSuction, throttle_us: Array) -> str:
    """Find taps whose suction is negative and follows the throttle.

    Parameters
    ----------
    car : Car
        The car.
    suction : TapSuction
        What its taps read.
    throttle_us : ndarray of float64, shape (n,)
        Pulse width, µs; NaN where it is unknown.

    Returns
    -------
    str
        Which, and what it comes from; empty where there is none.

    Notes
    -----
    Each tap's median with the throttle in the upper half of its travel is compared with that in the lowest
    tenth. Where the throttle did not move by 100 µs, or is unknown, rows in which some tap reads half of the
    most that any did stand for "up", and those with a tenth of it for rest; 0 Pa where there are none. A tap
    is on the wrong port where both its level and its change are negative and a fifth of the largest change
    of a tap or more, and 25 Pa (150 Pa where no rest was seen). A throttle that never goes above 1100 µs asks
    for nothing. Common practice, no source.
    """
    step = max(1, len(suction.pa) // _LOOKED_AT)
    pa, us = suction.pa[::step], throttle_us[::step]
    size_pa = np.nan_to_num(np.abs(pa)).max(axis=1, initial=0.0)
    low_us, high_us = np.fmin.reduce(us), np.fmax.reduce(us)
    if high_us <= REST_US:
        return ""
    follows = bool(high_us - low_us >= _MOVED_US)
    share = (us - low_us) / (high_us - low_us) if follows else size_pa / max(size_pa.max(), 1e-9)
    up, still = middles_seen(pa[share >= 0.5].T), middles_seen(pa[share <= 0.1].T)
    rested = bool((share <= 0.1).any())
    change = up - still if rested else up
    level = np.fmax(up, change)  # the one nearer to zero, of two that are negative
    least_pa = max(
        LEAST_PA if rested else _LEAST_UNKNOWN_PA, WRONG_WAY * float(np.nan_to_num(np.abs(change)).max())
    )
    wrong = [i for i in range(len(car.taps)) if level[i] <= -least_pa]
    if not wrong:
        return ""
    what = "lasts as long as the log"
    if rested:
        what = "follows the throttle" if follows else "comes and goes with the fans"
    when = "with the throttle up" if follows else "with the fans up"
    each = ", ".join(f"{car.taps[i].name} {up[i]:.0f} Pa" for i in wrong)
    port = "or 'port' in board.json is wrong"
    if len(wrong) == len(car.taps) > 1:
        return (
            f"every tap reads a negative suction that {what} ({each} {when}): "
            f"all hoses are on the wrong port of their sensors, {port}, or the fans blow"
        )
    rest = np.delete(up, wrong)
    others = f", the others {np.nanmedian(rest):.0f} Pa" if np.isfinite(rest).any() else ""
    return (
        f"there is a negative suction that {what}, at {each} {when}{others}: "
        f"the hose is on the wrong port of the sensor, {port}"
    )


def run_notices(
    run: Run,
    time: BoardTime,
    car: Car,
    calibration: Calibration | None,
    suction: TapSuction,
    loads: Loads,
    further: Sequence[str],
) -> tuple[str, ...]:
    """Say what a reader of the numbers has to know."""
    said: list[str] = []
    if calibration is None:
        said.append("uncalibrated: the sensors' own scales were used, and no uncertainty can be stated")
    elif calibration.foreign_to(run.device):
        said.append("the calibration was made on another board")
    for name, share in suction.outside.items():
        said.append(f"tap {name}: {share:.1%} of the readings lie outside the calibrated range")
    said += _of_the_log(run, time)
    said += _of_low_taps(run, car, suction, loads)
    said += _of_the_car(car)
    said += tube_notices(car, time.rate_hz)
    said += further
    return tuple(said)


def _of_low_taps(run: Run, car: Car, suction: TapSuction, loads: Loads) -> Iterator[str]:
    """Taps that were left out, and taps that read far less than the others with the throttle up.

    No event: suction under a floor is not even, and beside an edge that leaks a sound tap may read half of
    what the others do. Common practice, no source.
    """
    never = loads.never_good
    level_pa = _levels_up(run, suction)
    for tap, own_pa in zip(car.taps, level_pa, strict=True):
        if tap.name not in loads.absent:
            continue
        why = "was missing or faulty in part of the run"
        if tap.name in never:
            why = "was missing or faulty for the whole run"
            if abs(own_pa) < _NOTHING * np.nanmax(level_pa):
                why = f"read next to nothing for the whole run ({own_pa:.0f} Pa): is its hose on, and free"
                yield f"tap {tap.name} {why}? Its neighbours stood in for it"
                continue
        yield f"tap {tap.name} {why}: its neighbours stood in for it"
    good = [i for i, tap in enumerate(car.taps) if tap.name not in never and np.isfinite(level_pa[i])]
    if len(good) < _FEW_TAPS:
        return
    for i in good:
        others_pa = float(np.median([level_pa[k] for k in good if k != i]))
        if others_pa > _LEAST_UNKNOWN_PA and 0 <= level_pa[i] < _LOW * others_pa:
            yield (
                f"tap {car.taps[i].name} reads {level_pa[i]:.0f} Pa with the throttle up, the others "
                f"{others_pa:.0f} Pa: the edge beside it leaks, or its hose leaks, is kinked or half off; "
                "'undertray check-taps' tells which"
            )


def _levels_up(run: Run, suction: TapSuction) -> Array:
    """Median of each tap with the throttle up, in rows spread over the run, Pa."""
    step = max(1, len(suction.pa) // _LOOKED_AT)
    up = ~(run.drive_us[::step] <= REST_US)
    return middles_seen(suction.pa[::step][up if up.any() else slice(None)].T)


def _of_the_car(car: Car) -> list[str]:
    said: list[str] = []
    if 0 < car.surface_angle_deg < _RADIANS_AT_MOST:
        said.append(f"surface_angle {car.surface_angle_deg:g} is nearly level ground: it is in degrees")
    elif car.surface_angle_deg > 0 and car.allowance == 0:
        said.append("no allowance: held means the bare weight, with nothing in hand for bumps and steering")
    if car.surface_angle_deg % 180 != 0 and car.tyre_mu is None:
        said.append("no tyre_mu given: whether the car slides off the surface is not judged")
    if car.surface_angle_deg % 180 != 0 and car.cg_height_mm is None:
        said.append(
            "no cg_height given: what each axle needs on a wall leaves out the load that the height of the"
            " centre of gravity moves from one axle to the other"
        )
    ends_mm = [x for x, _ in car.floor_mm]
    long_mm = max(ends_mm) - min(ends_mm)
    if not long_mm / _LENGTHS < car.wheelbase_mm < long_mm * _LENGTHS:
        said.append(
            f"the wheelbase is {car.wheelbase_mm:g} mm and the floor {long_mm:g} mm long: "
            "is one of them in another unit?"
        )
    return said


def _lost_words(time: BoardTime) -> str:
    share = lost_share(len(time.t_s), time.lost_rows)
    return f"{time.lost_rows} rows were lost on the way" + (f", {share:.0%} of all" if share >= 0.005 else "")


def _of_the_log(run: Run, time: BoardTime) -> list[str]:
    said: list[str] = []
    if not np.isfinite(run.drive_us).any():
        said.append(
            "no throttle in the log: throttle cuts and slow leaks look alike and are not reported; "
            "sudden falls are taken for seal losses by their speed alone"
        )
    elif not np.isfinite(run.drive_us).all():
        said.append(f"the throttle is unknown in {np.mean(~np.isfinite(run.drive_us)):.1%} of the rows")
    if 1 / time.rate_hz > LossParameters().longest_period_s:
        said.append(
            f"only {time.rate_hz:.2g} rows a second: losses of the seal cannot be found, and none is reported"
        )
    if run.bad_lines:
        said.append(f"{run.bad_lines} bad lines were left out")
    if time.lost_rows:
        said.append(_lost_words(time))
    if run.duplicate_rows:
        rows = "1 row" if run.duplicate_rows == 1 else f"{run.duplicate_rows} rows"
        other = f", {run.contradicting_rows} of them with other content" if run.contradicting_rows else ""
        said.append(f"{rows} came twice{other}: the first counts")
    for (_, before), (row, after) in pairwise(time.rates):
        said.append(
            f"the rate went from {before:.4g} to {after:.4g} Hz at {time.t_s[row]:.2f} s: losses are looked "
            "for in each part by itself, and means are over rows, of which the faster part has more"
        )
    for at_s, changed in changes(run, time):
        said.append(
            f"the board's description changed at {at_s:.2f} s ({'; '.join(changed)}): "
            "each part of the run is read by its own"
        )
    if time.resets:
        how = "time goes on by the host's clock" if time.host else "how long it took is unknown"
        said.append(f"the board was reset {time.resets} times; across a reset {how}")
    said += [str(one) for one in run.corrections[-_MOST_CORRECTIONS:]]
    if run.torn_annotations:
        said.append(f"corrections that cannot be read were left out: {run.torn_annotations}")
    if run.cut_short is not None:
        said.append(f"{run.cut_short}: what came after is in none of these numbers")
    return said
