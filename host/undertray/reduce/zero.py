"""The zero of the sensors in a run: taken off, or looked at and said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.accuracy import worst_u95_pa
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.restzero import Still, Tare, find_tare
from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.longtable import Table
from undertray.reduce.reading import TapSuction

__all__ = ["TARES", "Zero", "take_zero", "untouched"]

Array = NDArray[np.float64]

TARES = ("none", "zero", "linear")
"""What may be taken off: nothing, the zero before the run, or one that moves to that after it."""
_END_S = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Zero:
    """What was done about the zero of each tap."""

    how: str
    zero_pa: dict[str, float | None] | None
    drift_pa: dict[str, float | None] | None
    left_pa: Array
    moved_pa: Array
    u_pa: Array
    nominal_pa: Array | None
    over: NDArray[np.bool_]
    notices: tuple[str, ...]

    def variance(self, per_pa: Array) -> Array:
        """Mean square of what the zero leaves in some numbers.

        Parameters
        ----------
        per_pa : ndarray, shape (quantities, taps)
            Change of the numbers with 1 Pa at a tap.

        Returns
        -------
        ndarray, shape (quantities,)

        Notes
        -----
        Between the two readings at rest the zero was somewhere from the one to the other, a rectangle: its
        middle is ``left_pa``, its width ``moved_pa``. Sensors on one board warm together, or each by
        itself: the larger of both is taken. ``(m l)^2 + max((m d)^2, m^2 d^2)/12 + m^2 u^2``.

        References
        ----------
        JCGM 100:2008 (GUM), 4.3.7 (rectangle) and F.2.4.5 (a known correction that is not applied; there
        in a sum of its own, here in the mean square).
        """
        known2 = np.square(per_pa @ self.left_pa)
        apart2 = np.square(per_pa) @ np.square(self.moved_pa)
        moved2 = np.maximum(np.square(per_pa @ self.moved_pa), apart2) / 12
        return np.asarray(known2 + moved2 + np.square(per_pa) @ np.square(self.u_pa))


def untouched(taps: int, notices: tuple[str, ...] = ()) -> Zero:
    """The zero of a run that shows none."""
    nothing = np.zeros(taps)
    return Zero("none", None, None, nothing, nothing, nothing, None, nothing > 0, notices)


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
    Only the first and the last 30 s are looked at (:func:`undertray.calibrate.restzero.find_tare`). A zero
    that moved from the one rest to the other was in between for the run: its middle counts as known and not
    taken off, unless it was, and that it may have been anywhere from the one to the other always counts
    (:meth:`Zero.variance`). A zero that is not taken off counts as far as the first reading at rest is
    more than the calibration's own 95 % interval there. A run that has no still part is left as it is,
    and that is said.
    """
    if how not in TARES:
        raise ReductionError("no such tare", seen=how, expected=" or ".join(TARES))
    names, tare = [tap.name for tap in car.taps], _tare(t_s, suction.pa, throttle_us)
    first = tare.before or tare.after
    if first is None:
        said = () if how == "none" else ("no still part before or after the run: no zero was taken off",)
        return suction, untouched(len(names), said)
    if how == "none":
        return suction, _left_on(names, tare, first, _allowed_pa(car, calibration))
    linear = how == "linear" and tare.before is not None and tare.after is not None
    used = tare if linear else replace(tare, after=None if tare.before else tare.after)
    parts = [part for part in (used.before, used.after) if part is not None]
    nominal = [_still_nominal(t_s, suction.nominal, part) for part in parts]
    middle_pa, moved_pa = _in_between(tare)
    return (
        replace(suction, pa=_without(_known(used), t_s, suction.pa, linear)),
        Zero(
            how="linear" if linear else "zero",
            zero_pa=_named(names, first.zero_pa),
            drift_pa=_named(names, tare.drift_pa),
            left_pa=np.nan_to_num(middle_pa - np.mean([part.zero_pa for part in parts], axis=0)),
            moved_pa=moved_pa,
            u_pa=np.sqrt(sum(np.nan_to_num(part.u_pa) ** 2 for part in parts)) / len(parts),
            nominal_pa=np.mean(nominal, axis=0),
            over=np.zeros(len(names), bool),
            notices=tuple(_of_the_tare(names, tare, first, how, linear, _allowed_pa(car, calibration))),
        ),
    )


def _in_between(tare: Tare) -> tuple[Array, Array]:
    """Middle and width of what the zero was from the last second of rest to the first after the run."""
    at_pa = [part.next_pa for part in (tare.before, tare.after) if part is not None]
    return np.asarray((at_pa[0] + at_pa[-1]) / 2), np.nan_to_num(at_pa[-1] - at_pa[0])


def _left_on(names: Sequence[str], tare: Tare, first: Still, allowed_pa: Array) -> Zero:
    """Nothing is taken off: what that leaves, and which tare would take it off."""
    middle_pa, moved_pa = _in_between(tare)
    zero_pa = np.nan_to_num(first.zero_pa)
    over, far = np.abs(zero_pa) > allowed_pa
    said = []
    if far.any():
        which = _listed(names, np.where(far, zero_pa, np.nan), 0)
        said.append(f"not zero at rest, by more than the calibration allows: {which}; --tare takes that off")
    said += _drifted(names, tare, allowed_pa)
    middle_pa = np.where(np.isfinite(middle_pa), middle_pa, zero_pa)
    return Zero(
        how="none",
        zero_pa=_named(names, first.zero_pa),
        drift_pa=_named(names, tare.drift_pa),
        left_pa=middle_pa - np.where(over, 0.0, zero_pa),
        moved_pa=moved_pa,
        u_pa=np.zeros(len(names)),
        nominal_pa=None,
        over=over,
        notices=tuple(said),
    )


def _of_the_tare(
    names: Sequence[str], tare: Tare, first: Still, how: str, linear: bool, allowed_pa: Array
) -> Iterator[str]:
    """What a reader of a tared run has to know."""
    place = "before" if first is tare.before else "after"
    span = "a zero moving from before to after the run" if linear else f"the zero {place} the run"
    yield f"{span} was taken off: " + _listed(names, first.zero_pa)
    if how == "linear" and not linear:
        yield "there is no still part at both ends of the run: drift of the zero was not taken off"
    if tare.drift_pa is None:
        yield "drift of the zero during the run is not known, and not in any uncertainty"
    if not linear:
        yield from _drifted(names, tare, allowed_pa)
    blind = [name for name, z in zip(names, first.zero_pa, strict=True) if not np.isfinite(z)]
    if blind:
        yield f"tap {', '.join(blind)} gave no reading at rest: nothing was taken off it"


def _drifted(names: Sequence[str], tare: Tare, allowed_pa: Array) -> Iterator[str]:
    """A zero that moved by more than the calibration is uncertain by anywhere."""
    drift_pa = np.zeros(len(names)) if tare.drift_pa is None else np.nan_to_num(tare.drift_pa)
    far = np.abs(drift_pa) > allowed_pa[1]
    if far.any():
        yield (
            "the zero moved between rest before and after the run:"
            f" {_listed(names, np.where(far, drift_pa, np.nan), 0)}; the uncertainty has it in it,"
            " and --tare linear takes its straight part off"
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
    """Expanded uncertainty of each tap: at zero, and at most; infinite where it is not known."""
    if calibration is None:
        return np.full((2, len(car.taps)), np.inf)
    columns = [calibration.columns[tap.column] for tap in car.taps]
    at_zero = [c.coverage_factor * float(c.standard_uncertainty_pa(0.0)) for c in columns]
    return np.array([at_zero, [worst_u95_pa(c)[0] for c in columns]])


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


def _listed(names: Sequence[str], values: Array, places: int = 1) -> str:
    return ", ".join(f"{n} {v:+.{places}f} Pa" for n, v in zip(names, values, strict=True) if np.isfinite(v))
