"""The zero of the sensors in a run: taken off, or looked at and said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.certificate import Calibration
from undertray.calibrate.tare import Still, Tare, find_tare
from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.products import Table
from undertray.reduce.reading import TapSuction

__all__ = ["TARES", "Zero", "take_zero"]

Array = NDArray[np.float64]

TARES = ("none", "zero", "linear")
"""What may be taken off: nothing, the zero before the run, or one that moves to that after it."""
_END_S = 30.0
_RECTANGLE = 3**0.5


@dataclass(frozen=True, slots=True, eq=False)
class Zero:
    """What was done about the zero of each tap.

    Attributes
    ----------
    how : str
        One of :data:`TARES`.
    zero_pa : mapping of str to float or None, or None
        Reading at rest of each tap, Pa, before anything was taken off: before the run, or after it where
        there was no rest before. None for all where the car never stood still.
    drift_pa : mapping of str to float or None, or None
        Zero after the run less zero before, Pa; None where one of them is not known.
    u_pa : ndarray, shape (taps,)
        Standard uncertainty that the zero leaves in the mean of each tap, Pa.
    nominal_pa : ndarray, shape (taps,), or None
        Nominal suction at which the zero was taken off; None where nothing was.
    notices : tuple of str
        What a reader has to know.
    """

    how: str
    zero_pa: dict[str, float | None] | None
    drift_pa: dict[str, float | None] | None
    u_pa: Array
    nominal_pa: Array | None
    notices: tuple[str, ...]


def take_zero(
    t_s: Array,
    suction: TapSuction,
    throttle_us: Array,
    car: Car,
    calibration: Calibration | None,
    how: str = "none",
) -> tuple[TapSuction, Zero]:
    """Take the zero off a run, or only look at it.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Board time, s.
    suction : TapSuction
        The run.
    throttle_us : ndarray, shape (n,)
        Pulse width, µs; NaN where unknown.
    car : Car
        The car, for its taps.
    calibration : Calibration or None
        What the suction was calibrated with.
    how : str
        One of :data:`TARES`.

    Returns
    -------
    suction : TapSuction
        Without the zero.
    zero : Zero
        What was done.

    Raises
    ------
    ReductionError
        When ``how`` is none of them.

    Notes
    -----
    Only the first and the last 30 s are looked at (:func:`undertray.calibrate.tare.find_tare`). What was
    taken off leaves its own standard uncertainty and, where the zero moved and was taken as constant,
    the drift as the half width of a rectangle. What was not taken off counts in the same way, as far
    as the reading at rest is more than the calibration's own 95 % interval there. A run that
    has no still part is left as it is, and that is said.
    """
    if how not in TARES:
        raise ReductionError("no such tare", seen=how, expected=" or ".join(TARES))
    names = [tap.name for tap in car.taps]
    tare = _tare(t_s, suction.pa, throttle_us)
    first = tare.before or tare.after
    if first is None:
        said = () if how == "none" else ("no still part before or after the run: no zero was taken off",)
        return suction, Zero("none", None, None, np.zeros(len(names)), None, said)
    drift_pa = tare.drift_pa
    notices: list[str] = []
    if how == "none":
        allowed_pa = _allowed_pa(car, calibration)
        over = np.nan_to_num(np.abs(first.zero_pa)) > allowed_pa
        if over.any():
            which = ", ".join(f"{names[i]} {first.zero_pa[i]:+.0f} Pa" for i in np.flatnonzero(over))
            notices.append(
                f"not zero at rest, by more than the calibration allows: {which}; --tare takes that off"
            )
        u_pa = np.where(over, np.abs(np.nan_to_num(first.zero_pa)), 0.0) / _RECTANGLE
        return suction, Zero(
            how, _named(names, first.zero_pa), _named(names, drift_pa), u_pa, None, tuple(notices)
        )
    linear = how == "linear" and tare.before is not None and tare.after is not None
    used = tare if linear else replace(tare, after=None if tare.before else tare.after)
    blind = [name for name, z in zip(names, first.zero_pa, strict=True) if not np.isfinite(z)]
    pa = _without(_known(used), t_s, suction.pa, linear)
    parts = [part for part in (used.before, used.after) if part is not None]
    u2 = sum(np.nan_to_num(part.u_pa) ** 2 for part in parts) / len(parts) ** 2
    moved = np.zeros(len(names)) if linear or drift_pa is None else np.nan_to_num(drift_pa) / _RECTANGLE
    nominal = [_still_nominal(t_s, suction.nominal, part) for part in parts]
    place = "before" if first is tare.before else "after"
    span = "a zero moving from before to after the run" if linear else f"the zero {place} the run"
    notices.append(f"{span} was taken off: " + _listed(names, first.zero_pa))
    if how == "linear" and not linear:
        notices.append("there is no still part at both ends of the run: drift of the zero was not taken off")
    if drift_pa is None:
        notices.append("drift of the zero during the run is not known, and not in any uncertainty")
    if blind:
        notices.append(f"tap {', '.join(blind)} gave no reading at rest: nothing was taken off it")
    return (
        replace(suction, pa=pa),
        Zero(
            "linear" if linear else "zero",
            _named(names, first.zero_pa),
            _named(names, drift_pa),
            np.sqrt(u2 + moved**2),
            np.mean(nominal, axis=0),
            tuple(notices),
        ),
    )


def _without(tare: Tare, t_s: Array, pa: Table, linear: bool) -> Table:
    """Suction with the zero taken off, worked out where it is asked for."""

    def make(rows: Any, taps: list[int]) -> Array:
        at_s = t_s[rows]
        return pa[rows, taps] + tare.remove(at_s, np.zeros((len(at_s), pa.shape[1])), linear)[:, taps]

    return Table(*pa.shape, make)


def _tare(t_s: Array, pa: Table, throttle_us: Array) -> Tare:
    """Look for still parts at the ends of a run."""
    head = int(np.searchsorted(t_s, t_s[0] + _END_S))
    tail = int(np.searchsorted(t_s, t_s[-1] - _END_S))
    if tail <= head:
        return find_tare(t_s, pa[:], throttle_us)
    ends = np.r_[0:head, tail : len(t_s)]
    return find_tare(t_s[ends], pa[ends], throttle_us[ends])


def _known(tare: Tare) -> Tare:
    """A tap that gave no reading at rest has nothing taken off."""
    parts = [
        None if part is None else replace(part, zero_pa=np.nan_to_num(part.zero_pa))
        for part in (tare.before, tare.after)
    ]
    return Tare(*parts)


def _allowed_pa(car: Car, calibration: Calibration | None) -> Array:
    """Expanded uncertainty of each tap at zero; infinite where it is not known."""
    if calibration is None:
        return np.full(len(car.taps), np.inf)
    columns = [calibration.columns[tap.column] for tap in car.taps]
    return np.array([c.coverage_factor * float(c.standard_uncertainty_pa(0.0)) for c in columns])


def _still_nominal(t_s: Array, nominal: Table, still: Still) -> Array:
    a, b = np.searchsorted(t_s, [still.start_s, still.end_s])
    part = nominal[int(a) : int(b) + 1]
    seen = np.isfinite(part)
    total = np.where(seen, part, 0.0).sum(axis=0)
    return np.asarray(total / np.maximum(seen.sum(axis=0), 1))


def _named(names: Sequence[str], values: Array | None) -> dict[str, float | None] | None:
    if values is None:
        return None
    return {n: float(v) if np.isfinite(v) else None for n, v in zip(names, values, strict=True)}


def _listed(names: Sequence[str], values: Array) -> str:
    return ", ".join(f"{n} {v:+.1f} Pa" for n, v in zip(names, values, strict=True) if np.isfinite(v))
