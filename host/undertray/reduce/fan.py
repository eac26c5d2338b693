"""The fans' reference: what a car sucks at a throttle on its good seal."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.reduce.dwells import Dwell, FanLag

__all__ = ["FORMAT", "FanReference", "fit_reference"]

Array = NDArray[np.float64]

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
    """Suction over throttle of a car on its good seal.

    Attributes
    ----------
    car : str
        Name of the car.
    runs : tuple of str
        The runs it was taken from.
    idle_us, top_us : float
        Pulse width at which the fans begin to suck, and the highest that was held, µs.
    top_pa : float
        Suction at ``top_us`` and ``pack_mv``, Pa.
    exponent : float
        Of the pulse width above ``idle_us``; 2 by the fan laws.
    pack_mv : float or None
        Pack voltage it is for, mV; None where it was not measured in every dwell.
    levels, seconds : int, float
        Different throttles and steady time it rests on.
    misfit : float
        Relative rms deviation of the dwells.
    lag_up_s, lag_down_s : float or None
        How the fans follow, s, where a step was seen.
    """

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
        """Save it; the same reference gives the same bytes.

        Parameters
        ----------
        path : str or Path
            The file; one that is there is replaced.

        Raises
        ------
        ReductionError
            When it cannot be written.
        """
        data = {k: float(f"{v:.9g}") if isinstance(v, float) else v for k, v in asdict(self).items()}
        text = json.dumps({"format": FORMAT, **data}, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        try:
            write_whole(path, text.encode())
        except OSError as error:
            raise ReductionError(
                f"the reference cannot be written: {error.strerror}", where=str(path), do="check the folder"
            ) from error

    @classmethod
    def from_json(cls, path: str | Path) -> FanReference:
        """Read a reference.

        Parameters
        ----------
        path : str or Path
            The file.

        Returns
        -------
        FanReference

        Raises
        ------
        ReductionError
            When it cannot be read, is none, is of a newer format, or has a value that cannot be.
        """
        where = Path(path).name
        data = _load(Path(path), where)
        version = data.get("format")
        if isinstance(version, int) and not isinstance(version, bool) and version > FORMAT:
            raise ReductionError(
                "a newer reference format",
                where=where,
                seen=version,
                expected=f"format {FORMAT}",
                do="update undertray on this computer",
            )
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
    ReductionError
        When there is no dwell with suction.

    Notes
    -----
    Least squares of the logarithms, each dwell weighted by its length up to 5 s. With one throttle the
    exponent is 2 and the fans begin at rest; with two the exponent is 2 and where they begin is fitted;
    with three and more both are, the exponent between 1 and 3. Dwells below 3 % of the highest suction
    are left out.
    """
    top = max((d.suction_pa for d in dwells), default=0.0)
    used = [d for d in dwells if d.suction_pa > _LEAST_SHARE * top > 0]
    if not used:
        raise ReductionError(
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
    pack_mv = float(np.median(volts)) if len(volts) == len(used) else None
    if pack_mv is not None:
        y = y - 2 * np.log(np.array(volts) / pack_mv)
    lowest, highest = float(u.min()), float(u.max())
    begin = rest_us if rest_us < lowest - _LEVEL_US else min(_REST_US, lowest - 2 * _LEVEL_US)
    levels = len(np.unique(np.round(u / _LEVEL_US)))
    idles = np.array([begin]) if levels == 1 else np.arange(begin, lowest - _LEVEL_US + 1, 2.0)
    exponents = _EXPONENTS if levels >= 3 else np.array([2.0])
    # one column a trial: misfit of every dwell for each idle and exponent
    x = np.log((u - idles[:, None]) / (highest - idles[:, None]))
    off = y - exponents[:, None, None] * x
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
    )


def _load(path: Path, where: str) -> Mapping[str, Any]:
    try:
        with path.open("rb") as file:
            raw = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise ReductionError(
            f"cannot be read ({error.strerror})", where=where, do="give what 'undertray reference' wrote"
        ) from error
    try:
        data = json.loads(raw if len(raw) <= _MAX_BYTES else b"")
    except (ValueError, RecursionError) as error:
        raise ReductionError("not JSON, or too long", where=where, expected="a fan reference") from error
    if not isinstance(data, dict):
        raise ReductionError("not a fan reference", where=where, expected="a JSON object")
    return data


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
