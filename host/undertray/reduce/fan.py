"""The fans' reference: what a car sucks at a throttle on its good seal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import NeverSteady, ReductionError
from undertray.quantiles import middle, quantiles
from undertray.reduce.givenfiles import json_object, refuse_newer, write_object
from undertray.reduce.longtable import pieces
from undertray.reduce.loss import Loss
from undertray.reduce.parallelfans import are_apart, common_square
from undertray.reduce.series import Series
from undertray.reduce.steady import BLOCK_S, Blocks, FanDrive

__all__ = ["FORMAT", "Dwell", "FanAt", "FanLag", "FanReference", "fan_lag", "fit_reference", "steady_dwells"]


# Steady dwells of a run, and how the fans follow a step of the throttle.

Array = NDArray[np.float64]

_APART_US = 12.0
_LEAST_S = 1.0
_STEP_US, _STEP_S = 100.0, 0.05
_BEFORE_S, _AFTER_S, _MOST_LAG_S = 0.3, 1.2, 3.0
_SETTLED = 1 - np.exp(-1)


@dataclass(frozen=True, slots=True)
class FanAt:
    """Throttle of a fan, µs, and voltage of its pack, mV; None where it was not measured."""

    throttle_us: float
    pack_mv: float | None


@dataclass(frozen=True, slots=True)
class Dwell:
    """A stretch of steady throttle in which nothing happened; ``fans`` are two that do not do the same."""

    start_s: float
    seconds: float
    throttle_us: float
    suction_pa: float
    pack_mv: float | None
    fans: tuple[FanAt, ...] = ()


@dataclass(frozen=True, slots=True)
class FanLag:
    """Time the fans need for 63 % of a step of throttle.

    Attributes
    ----------
    up_s, down_s : float or None
        Median over the steps up and down, s; None where there was none to see it by.
    steps : int
        How many steps that rests on.
    """

    up_s: float | None
    down_s: float | None
    steps: int


def steady_dwells(blocks: Blocks) -> tuple[Dwell, ...]:
    """Join the steady blocks of a run to dwells."""
    rows = np.flatnonzero(blocks.steady & np.isfinite(blocks.throttle_us))
    if not len(rows):
        return ()
    new = np.diff(rows) > 1
    for one in blocks.drives():
        new |= np.abs(np.diff(one.throttle_us[rows])) > _APART_US
    dwells = []
    for part in np.split(rows, np.flatnonzero(new) + 1):
        if len(part) * BLOCK_S >= _LEAST_S:
            dwells.append(
                Dwell(
                    float(blocks.t_s[part[0]]),
                    len(part) * BLOCK_S,
                    float(blocks.throttle_us[part].mean()),
                    float(blocks.suction_pa[part].mean()),
                    _mean_mv(blocks.pack_mv[part]),
                    _apart(blocks, part),
                )
            )
    return tuple(dwells)


def _mean_mv(pack_mv: Array) -> float | None:
    return float(pack_mv.mean()) if np.isfinite(pack_mv).all() else None


def _apart(blocks: Blocks, part: NDArray[np.int64]) -> tuple[FanAt, ...]:
    """What each of two fans did in some blocks; nothing where they did the same."""
    fans = tuple(
        FanAt(float(one.throttle_us[part].mean()), _mean_mv(one.pack_mv[part])) for one in blocks.fans
    )
    if not fans:
        return ()
    volts = [np.nan if one.pack_mv is None else one.pack_mv for one in fans]
    return fans if are_apart(fans[0].throttle_us, fans[1].throttle_us, *volts) else ()


def fan_lag(series: Series, events: Sequence[Loss]) -> FanLag:
    """Estimate how the fans follow the throttle.

    Parameters
    ----------
    series : Series
        The run over time.
    events : sequence of Loss
        What happened in it; steps near an event that the throttle does not explain are left out.

    Returns
    -------
    FanLag

    Notes
    -----
    A step is a change by 100 µs and more within 50 ms, with a throttle that stood still (within 12 µs)
    for 0.3 s before it and for 1.2 s after it. By the fan laws the root of the suction goes with the
    speed, so the lag is the time until that root has done 1 - 1/e of its way, from the change of the
    pulse on: for a fan of first order its time constant.
    """
    u, t_s = series.throttle_us, series.t_s
    if len(t_s) < 3 or not np.isfinite(u).any():
        return FanLag(None, None, 0)
    with np.errstate(invalid="ignore"):
        moves = np.concatenate(
            [np.flatnonzero(np.abs(np.diff(u[a : b + 1])) > _APART_US) + a + 1 for a, b in pieces(0, len(u))]
        )
    busy = [(e.onset_s, np.inf if e.end_s is None else e.end_s) for e in events if e.kind != "throttle-cut"]
    busy_s = np.array(busy).reshape(-1, 2)
    lags: dict[bool, list[float]] = {True: [], False: []}
    ends = np.append(t_s[moves[1:]], t_s[-1])
    since = np.diff(t_s[moves], prepend=-np.inf)
    for first, quiet_s, k in zip(moves.tolist(), since.tolist(), range(len(moves)), strict=True):
        if quiet_s < _BEFORE_S:
            continue
        last = k
        while last + 1 < len(moves) and t_s[moves[last + 1]] - t_s[first] <= _STEP_S:
            last += 1
        rows = slice(first, int(np.searchsorted(t_s, min(ends[last], t_s[first] + _MOST_LAG_S))))
        lag = _lag(series, busy_s, first, int(moves[last]), rows)
        if lag is not None:
            lags[lag[1]].append(lag[0])
    up_s, down_s = (middle(v) if v else None for v in (lags[True], lags[False]))
    return FanLag(up_s, down_s, len(lags[True]) + len(lags[False]))


def _lag(series: Series, busy_s: Array, first: int, settled: int, rows: slice) -> tuple[float, bool] | None:
    """Lag after one step, and whether it went up; None where that cannot be told."""
    t_s, u = series.t_s, series.throttle_us
    begin = int(np.searchsorted(t_s, t_s[first] - _BEFORE_S))
    if rows.stop - rows.start < 4 or first - begin < 2 or t_s[rows.stop - 1] - t_s[settled] < _AFTER_S:
        return None
    change_us = float(u[settled] - u[first - 1])
    if not abs(change_us) >= _STEP_US:  # NaN too
        return None
    if np.any((busy_s[:, 0] < t_s[rows.stop - 1]) & (busy_s[:, 1] > t_s[begin])):
        return None
    root = np.sqrt(np.maximum(series.mean_suction_pa[begin : rows.stop], 0.0))
    if not np.isfinite(root).all():
        return None
    before = quantiles(root[: first - begin], (0.5,))[0]
    tail = int(np.searchsorted(t_s[begin : rows.stop], t_s[rows.stop - 1] - _BEFORE_S))
    way = quantiles(root[tail:], (0.5,))[0] - before
    up = change_us > 0
    if (way > 0) != up or abs(way) <= 0.2 * max(before, before + way):
        return None
    done = (root[first - begin :] - before) / way >= _SETTLED
    at = int(done.argmax())
    return (float(t_s[first + at] - t_s[first]), up) if done.any() else None


FORMAT = 1
_MAX_BYTES = 100_000
_REST_US = 1000.0
_LEVEL_US = 20.0
_LEAST_SHARE = 0.03
_MOST_S = 5.0
_EXPONENTS = np.linspace(1.0, 3.0, 81)
_PRIOR = 0.002  # relative misfit that one of exponent is worth: decides what a sweep cannot


@dataclass(frozen=True, slots=True)
class FanReference:
    """Suction over throttle of a car on its good seal, measured from ``low_us`` to ``top_us``."""

    car: str
    runs: tuple[str, ...]
    idle_us: float
    top_us: float
    top_pa: float
    exponent: float
    pack_mv: float | None
    levels: int
    seconds: float
    misfit: float
    lag_up_s: float | None = None
    lag_down_s: float | None = None
    low_us: float | None = None

    def suction_pa(self, throttle_us: ArrayLike, pack_mv: ArrayLike | None = None) -> Array:
        """Suction on the good seal, the fans settled.

        Parameters
        ----------
        throttle_us : array, any shape
            Pulse width, µs; NaN stays NaN.
        pack_mv : array or None
            Pack voltage, mV; the reference's own where left out or NaN.

        Returns
        -------
        ndarray
            Pa, 0 below ``idle_us``.

        Notes
        -----
        ``dp = top_pa ((u - idle)/(top - idle))^n (V/V_ref)^2``: dp goes with the square of the fan speed
        on a fixed leak, the speed with the voltage, and n takes up what the speed controller does. Between
        the dwells it was fitted to; beyond ``top_us`` it is an extrapolation.
        """
        u = np.asarray(throttle_us, float)
        share = np.maximum(u - self.idle_us, 0.0) / (self.top_us - self.idle_us)
        pa = self.top_pa * share**self.exponent
        if self.pack_mv is not None and pack_mv is not None:
            pa = pa * np.nan_to_num(np.asarray(pack_mv, float) / self.pack_mv, nan=1.0) ** 2
        return np.asarray(np.where(np.isfinite(u), pa, np.nan))

    def driven_pa(self, fans: Sequence[FanDrive]) -> Array:
        """Suction on the good seal of the fans of a run: of two by what each would give with its like."""
        pa = [self.suction_pa(one.throttle_us, one.pack_mv) for one in fans]
        return pa[0] if len(pa) == 1 else common_square(pa[0], pa[1])

    def throttle_us(self, suction_pa: ArrayLike) -> Array:
        """Throttle that gives a suction on the good seal, at the reference's own pack voltage.

        Parameters
        ----------
        suction_pa : array, any shape
            Suction, Pa; NaN stays NaN.

        Returns
        -------
        ndarray
            Pulse width, µs, ``idle_us`` for 0 and less; above ``top_us`` it is an extrapolation.

        Notes
        -----
        :meth:`suction_pa` solved for the throttle.
        """
        share = np.maximum(np.asarray(suction_pa, float), 0.0) / self.top_pa
        return np.asarray(self.idle_us + (self.top_us - self.idle_us) * share ** (1 / self.exponent))

    def to_json(self, path: str | Path) -> None:
        """Save it; the same reference gives the same bytes."""
        data = {k: float(f"{v:.9g}") if isinstance(v, float) else v for k, v in asdict(self).items()}
        write_object({"format": FORMAT, **data}, path, "reference")

    @classmethod
    def from_json(cls, path: str | Path) -> FanReference:
        """Read a reference."""
        where = Path(path).name
        data = json_object(Path(path), where, "a fan reference", "reference", _MAX_BYTES)
        version = data.get("format")
        refuse_newer(version, FORMAT, "reference", where)
        runs = data.get("runs")
        if (
            version != FORMAT
            or not isinstance(runs, list)
            or not all(isinstance(r, str) for r in runs[:1000])
        ):
            raise ReductionError(
                "not a fan reference", where=where, expected="what 'undertray reference' writes"
            )
        idle_us = _number(data, "idle_us", where, 0, 1e4)
        return cls(
            car=str(data.get("car", ""))[:64],
            runs=tuple(r[:200] for r in runs[:1000]),
            idle_us=idle_us,
            top_us=_number(data, "top_us", where, idle_us + 1, 2e4),
            top_pa=_number(data, "top_pa", where, 1e-3, 1e6),
            exponent=_number(data, "exponent", where, 0.1, 10),
            pack_mv=_optional(data, "pack_mv", where, 1, 1e6),
            levels=int(_number(data, "levels", where, 1, 1e6)),
            seconds=_number(data, "seconds", where, 0, 1e9),
            misfit=_number(data, "misfit", where, 0, 1e3),
            lag_up_s=_optional(data, "lag_up_s", where, 0, 100),
            lag_down_s=_optional(data, "lag_down_s", where, 0, 100),
            low_us=_optional(data, "low_us", where, 0, 2e4),
        )


def fit_reference(
    dwells: Sequence[Dwell], car: str, runs: Sequence[str], rest_us: float, lag: FanLag | None = None
) -> FanReference:
    """Fit the reference through dwells on a good seal.

    Parameters
    ----------
    dwells : sequence of Dwell
        Of one run or several; a sweep of throttles is best.
    car : str
        Name of the car.
    runs : sequence of str
        Names of the runs.
    rest_us : float
        Least pulse width of the runs, µs: the fans do not suck below it.
    lag : FanLag or None
        How the fans follow.

    Returns
    -------
    FanReference

    Raises
    ------
    NeverSteady
        When there is no dwell with suction.

    Notes
    -----
    Least squares of the logarithms, each dwell weighted by its length up to 5 s. With one throttle the
    exponent is 2 and the fans begin at rest; with two the exponent is 2 and where they begin is fitted;
    with three and more both are, the exponent between 1 and 3. Dwells below 3 % of the highest suction
    are left out. A dwell in which two fans did not do the same counts by :func:`common_square`.
    """
    top = max((d.suction_pa for d in dwells), default=0.0)
    used = [d for d in dwells if d.suction_pa > _LEAST_SHARE * top > 0]
    if not used:
        raise NeverSteady(
            "no reference can be taken from these runs",
            where=", ".join(runs)[:60],
            expected="a throttle that stands still for two seconds, with suction and no event",
            do="choose a run with a sweep or a firm hold",
        )
    u = np.array([d.throttle_us for d in used])
    y = np.log([d.suction_pa for d in used])
    w = np.array([min(d.seconds, _MOST_S) for d in used], float)
    w /= w.sum()
    volts = [d.pack_mv for d in used if d.pack_mv is not None]
    pack_mv = middle(volts) if len(volts) == len(used) else None
    if pack_mv is not None:
        y = y - 2 * np.log(np.array(volts) / pack_mv)
    apart = [k for k, d in enumerate(used) if d.fans]
    every_us = np.array([*u.tolist(), *(one.throttle_us for k in apart for one in used[k].fans)])
    lowest, highest = float(every_us.min()), float(every_us.max())
    begin = rest_us if rest_us < lowest - _LEVEL_US else min(_REST_US, lowest - 2 * _LEVEL_US)
    levels = len(np.unique(np.round(u / _LEVEL_US)))
    idles = np.array([begin]) if levels == 1 else np.arange(begin, lowest - _LEVEL_US + 1, 2.0)
    exponents = _EXPONENTS if levels >= 3 else np.array([2.0])
    # one column a trial: misfit of every dwell for each idle and exponent
    x = np.log((u - idles[:, None]) / (highest - idles[:, None]))
    off = y - exponents[:, None, None] * x
    for k in apart:
        squares = [
            ((one.throttle_us - idles) / (highest - idles)) ** exponents[:, None]
            * (1.0 if pack_mv is None or one.pack_mv is None else (one.pack_mv / pack_mv) ** 2)
            for one in used[k].fans
        ]
        off[..., k] = np.log(used[k].suction_pa / common_square(squares[0], squares[1]))
    level = off @ w
    misfit2 = np.square(off - level[..., None]) @ w
    n, i = np.unravel_index(np.argmin(misfit2 + np.square(_PRIOR * (exponents[:, None] - 2))), misfit2.shape)
    return FanReference(
        car=car,
        runs=tuple(runs),
        idle_us=float(idles[i]),
        top_us=highest,
        top_pa=float(np.exp(level[n, i])),
        exponent=float(exponents[n]),
        pack_mv=pack_mv,
        levels=levels,
        seconds=float(sum(d.seconds for d in used)),
        misfit=float(np.sqrt(misfit2[n, i])),
        lag_up_s=lag.up_s if lag else None,
        lag_down_s=lag.down_s if lag else None,
        low_us=lowest,
    )


def _number(data: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ReductionError(
            f"bad '{key}' in a fan reference",
            where=where,
            seen=value,
            expected=f"a number from {low:g} to {high:g}",
        )
    return float(value)


def _optional(data: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float | None:
    return None if data.get(key) is None else _number(data, key, where, low, high)
