"""Counts to nominal suction, by what the board says of each part."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Column
from undertray.acquire.rowtable import Counts
from undertray.acquire.runlog import Note, Run, described
from undertray.errors import RunLogError
from undertray.units import FACTORS

__all__ = [
    "NominalSuction",
    "Scale",
    "Span",
    "ms5525dso_pa",
    "nominal_suction_pa",
    "run_spans",
]


# MS5525DSO: raw pressure and temperature words to Pa, with the coefficients of its PROM.

Array = NDArray[np.float64]
_WORD_MAX = 2**24 - 1


def ms5525dso_pa(
    d1: Array, d2: Array, scale: Mapping[str, Any], where: str
) -> tuple[Array, NDArray[np.bool_]]:
    """Compensated pressure of the part.

    Parameters
    ----------
    d1 : ndarray of float64, shape (n,)
        Raw 24-bit pressure word, NaN where missing.
    d2 : ndarray of float64, shape (n,)
        Raw 24-bit temperature word at the same rows.
    scale : mapping
        ``c``: the PROM words C1 to C6; ``q``: the exponents Q1 to Q6 of its range;
        ``range_pa``: the largest valid pressure, Pa.
    where : str
        For the error line.

    Returns
    -------
    pressure_pa : ndarray of float64, shape (n,)
        Pressure of the high port over the low port, Pa; NaN where the word is missing.
    out_of_range : ndarray of bool, shape (n,)
        Beyond ``range_pa``, or the word at one of its ends.

    Raises
    ------
    RunLogError
        When a coefficient is missing, of the wrong kind or out of bounds.

    Notes
    -----
    ``dT = D2 - C5 2^Q5``, ``OFF = C2 2^Q2 + C4 dT / 2^Q4``, ``SENS = C1 2^Q1 + C3 dT / 2^Q3``,
    ``P = (D1 SENS / 2^21 - OFF) / 2^15`` in 1e-4 psi, here in floating point, so without the
    steps of 0.69 Pa that whole-number arithmetic gives.

    References
    ----------
    TE Connectivity, MS5525DSO datasheet, calculation of pressure and temperature.
    """
    c, q = _coefficients(scale, where)
    limit = scale.get("range_pa")
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not 100 <= limit <= 1e6:
        raise RunLogError("bad 'range_pa'", where=where, seen=limit, expected="Pa from 100 to 1e6")
    delta = d2 - c[4] * 2.0 ** q[4]
    offset = c[1] * 2.0 ** q[1] + c[3] * delta / 2.0 ** q[3]
    sensitivity = c[0] * 2.0 ** q[0] + c[2] * delta / 2.0 ** q[2]
    pressure_pa = (d1 * sensitivity / 2**21 - offset) / 2**15 * 1e-4 * FACTORS["pressure"]["psi"]
    out_of_range = (np.abs(pressure_pa) > limit) | (d1 <= 0) | (d1 >= _WORD_MAX)
    return pressure_pa, out_of_range


def _coefficients(scale: Mapping[str, Any], where: str) -> tuple[list[int], list[int]]:
    for key, most in (("c", 0xFFFF), ("q", 30)):
        values = scale.get(key)
        if (
            not isinstance(values, list)
            or len(values) != 6
            or not all(isinstance(v, int) and not isinstance(v, bool) and 0 <= v <= most for v in values)
        ):
            raise RunLogError(
                f"bad '{key}'", where=where, seen=values, expected=f"six whole numbers from 0 to {most}"
            )
    if not any(scale["c"]):
        raise RunLogError("all coefficients are 0", where=where, expected="the words of the part's PROM")
    return scale["c"], scale["q"]


Mask = NDArray[np.bool_]
Ints = NDArray[np.int64]
_MOST = float(2**53)
_AROUND = 2  # rows beside some that tell what a part held at its limit in them
_AT_REST = 0.05  # a limit nearer to zero than this share of the range is where a part rests

# parts whose raw words the host turns into Pa: counts, second word, scale, where -> Pa, out of range
_HOST_COMPENSATED: dict[str, Callable[[Array, Array, Mapping[str, Any], str], tuple[Array, Mask]]] = {
    "ms5525dso": ms5525dso_pa
}


@dataclass(frozen=True, slots=True, eq=False)
class NominalSuction:
    """Suction by the parts' own scales, before any calibration."""

    suction_pa: Array
    out_of_range: Mask


class Scale:
    """What turns the counts of a board into nominal suction, some of its rows at a time."""

    def __init__(self, columns: Sequence[Column], notes: Sequence[Note] = ()) -> None:
        self._columns, self._notes = columns, notes
        # one row a column: zero, signed Pa per count, lowest and highest valid count
        linear = np.tile([[0.0], [1.0], [-np.inf], [np.inf]], len(columns))
        self._compensated: list[int] = []
        for i, column in enumerate(columns):
            if "kind" in column.scale:
                self._compensated.append(i)
                continue
            zero, pa_per_count, low, high = _linear(column.scale, f"scale of {column.name}")
            linear[:, i] = zero, _sign(column) * pa_per_count, low, high
        self._linear = linear
        self._second: dict[int, tuple[list[int], list[float]]] = {}
        self.zero, self.pa_per_count = linear[:2]
        self.compensated = bool(self._compensated)

    def nominal(self, counts: Array | Counts, first: int = 0, last: int | None = None) -> NominalSuction:
        """Turn rows of a run into nominal suction.

        Parameters
        ----------
        counts : Counts, or ndarray of float64, shape (n, N)
            Raw counts of the whole run, NaN where missing.
        first, last : int
            First row wanted, and the row after the last; all of them if left out.

        Returns
        -------
        NominalSuction
            Of those rows: the same as of the whole run, for what a part held at its limit is told with
            the rows beside them.

        Raises
        ------
        RunLogError
            When the number of columns does not fit, a ``scale`` is of an unknown kind, or a part's second
            word never came.

        Notes
        -----
        ``p = (count - zero) pa_per_count`` is the pressure of the high port over the low port; a
        tap on the low port makes it the suction, a tap on the high port its negative. ``min`` and
        ``max`` are valid counts; but a part may stop there, so three readings in a row that stand at
        one of them are out of range as well, unless that limit lies at zero suction. The second
        word of a host-compensated part is taken from the list ``second`` of the status notes (one
        entry per column or null) and interpolated linearly over the rows between two notes.
        """
        if counts.ndim != 2 or counts.shape[1] != len(self._columns):
            raise RunLogError(
                "the rows do not fit the board's description",
                seen=counts.shape[-1] if counts.ndim else None,
                expected=f"{len(self._columns)} pressure columns",
            )
        last = len(counts) if last is None else last
        here = counts[first:last]
        suction, out_of_range, at_limit = self._by_scale(here)
        if at_limit:
            begin = max(0, first - _AROUND)
            around = counts[begin : last + _AROUND]
            beyond = (around < self._linear[2]) | (around > self._linear[3])
            _add_held(beyond, around, self._linear)
            out_of_range = beyond[first - begin : last - begin]
        for i in self._compensated:
            self._compensate(i, here[:, i], first, suction, out_of_range)
        return NominalSuction(suction, out_of_range)

    def suction_pa(self, counts: Array, rows: Ints | None, columns: Sequence[int]) -> Array:
        """Turn any rows of some columns into nominal suction, without looking for what is out of range."""
        out = np.empty_like(counts, float)
        for place, i in enumerate(columns):
            count, pa = counts[:, place], out[:, place]
            np.subtract(count, self.zero[i], out=pa)
            np.multiply(pa, self.pa_per_count[i], out=pa)
            if i in self._compensated and rows is not None and not np.isnan(count).all():
                pa[:] = _sign(self._columns[i]) * self._converted(i, count, rows)[0]
        return out

    def _by_scale(self, counts: Array) -> tuple[Array, Mask, bool]:
        """Nominal suction and what is out of range; and whether anything stands at a limit or beyond."""
        suction, out_of_range = np.empty_like(counts, float), np.zeros_like(counts, bool)
        for i, (zero, pa_per_count, low, high) in enumerate(self._linear.T.tolist()):
            count, pa = counts[:, i], suction[:, i]
            np.subtract(count, zero, out=pa)
            np.multiply(pa, pa_per_count, out=pa)
            # the ends of a column are found faster than what lies beyond them; NaN is both
            if not (low < count.min(initial=np.inf) and count.max(initial=-np.inf) < high):
                np.logical_or(count <= low, count >= high, out=out_of_range[:, i])
        return suction, out_of_range, bool(out_of_range.any())

    def _compensate(self, i: int, counts: Array, row: int, suction: Array, out_of_range: Mask) -> None:
        if np.isnan(counts).all():
            return  # while it never answers, the board may not have read its coefficients either
        pa, out_of_range[:, i] = self._converted(i, counts, np.arange(row, row + len(counts)))
        suction[:, i] = _sign(self._columns[i]) * pa

    def _converted(self, i: int, counts: Array, rows: Ints) -> tuple[Array, Mask]:
        column, where = self._columns[i], f"scale of {self._columns[i].name}"
        convert = _host_compensation(column.scale["kind"], where)
        if i not in self._second:
            self._second[i] = _second_words(self._notes, i, where)
        return convert(counts, np.interp(rows, *self._second[i]), column.scale, where)


def nominal_suction_pa(
    counts: Array, columns: Sequence[Column], notes: Sequence[Note] = ()
) -> NominalSuction:
    """Turn the counts of a whole run into nominal suction, as :meth:`Scale.nominal` does."""
    return Scale(columns, notes).nominal(np.asarray(counts, float))


def _add_held(out_of_range: Mask, counts: Array, linear: Array) -> None:
    """Mark three and more readings in a row at a limit: a part cut off there, no coincidence."""
    zero, _, low, high = linear
    for limit in (low, high):
        there = counts == limit
        if not there.any():
            continue
        far = np.isfinite(limit) & (np.abs(limit - zero) > _AT_REST * (high - low))
        for i in np.flatnonzero(far & there.any(axis=0)).tolist():
            beyond = out_of_range[:, i] | there[:, i]
            held = beyond[:-2] & beyond[1:-1] & beyond[2:]
            for part in (slice(None, -2), slice(1, -1), slice(2, None)):
                out_of_range[part, i] |= held


def _sign(column: Column) -> float:
    return 1.0 if column.port == "low" else -1.0


def _linear(scale: Mapping[str, Any], where: str) -> tuple[float, float, float, float]:
    zero, pa_per_count, low, high = (
        _number(scale, key, where) for key in ("zero", "pa_per_count", "min", "max")
    )
    if not 1e-9 <= abs(pa_per_count) <= 1e6:
        raise RunLogError("bad 'pa_per_count'", where=where, seen=pa_per_count, expected="1e-9 to 1e6 Pa")
    if not low < high:
        raise RunLogError("'min' is not below 'max'", where=where, seen=(low, high), expected="min < max")
    return zero, pa_per_count, low, high


def _number(scale: Mapping[str, Any], key: str, where: str) -> float:
    value = scale.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -_MOST <= value <= _MOST:
        raise RunLogError(f"bad '{key}'", where=where, seen=value, expected="a number")
    return float(value)


def _host_compensation(
    kind: object, where: str
) -> Callable[[Array, Array, Mapping[str, Any], str], tuple[Array, Mask]]:
    if not isinstance(kind, str) or kind not in _HOST_COMPENSATED:
        raise RunLogError(
            "this part's counts cannot be turned into Pa here",
            where=where,
            seen=kind,
            expected="kind " + " or ".join(sorted(_HOST_COMPENSATED)),
            do="update undertray on this computer",
        )
    return _HOST_COMPENSATED[kind]


def _second_words(notes: Sequence[Note], index: int, where: str) -> tuple[list[int], list[float]]:
    """Rows at which the second word of a column came, and the words."""
    at: list[int] = []
    words: list[float] = []
    for note in notes:
        if note.kind != "status":
            continue
        second = note.data.get("second")
        word = second[index] if isinstance(second, list) and index < len(second) else None
        if word is None:
            continue
        if isinstance(word, bool) or not isinstance(word, int) or not 0 <= word < 2**32:
            raise RunLogError(
                "bad 'second' of a status note", where=where, seen=word, expected="a whole number"
            )
        at.append(note.row)
        words.append(float(word))
    if not words:
        raise RunLogError(
            "the part's second word never came",
            where=where,
            expected="a status note with 'second' for this column",
            do="record a few seconds more; the board sends it once a second",
        )
    return at, words


# What turns each row of a run into nominal suction: the description of the board that holds for it.


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """Rows of a run that one description of the board holds for."""

    first: int
    last: int
    wanted: tuple[int, ...]
    scale: Scale

    def counts(self, run: Run) -> Counts | Array:
        """Counts of the columns asked for, in these rows."""
        if isinstance(run.counts, Counts):
            return run.counts.part(self.first, self.last, self.wanted)
        rows = run.counts[self.first : self.last]
        return rows if self.wanted == tuple(range(rows.shape[1])) else rows.T[list(self.wanted)].T


def run_spans(run: Run, names: Sequence[str]) -> list[Span]:
    """Tell by what each row of a run is turned into nominal suction."""
    spans = []
    for first, last, device in described(run):
        at = {column.name: i for i, column in enumerate(device.columns)}
        without = [name for name in names if name not in at]
        if without:
            since = f" from row {first + 1} on" if first else ""
            raise RunLogError(
                f"the log has no pressure column {without[0]}{since}",
                where=run.where,
                seen=without[0],
                expected="one of " + ", ".join(at),
                do="cut a copy of the log before that row" if first else "ask for another column",
            )
        wanted = tuple(at[name] for name in names)
        whole = (first, last) == (0, len(run.counts))
        status = [
            replace(n, row=n.row - first, data={**n.data, "second": _picked(n.data["second"], wanted)})
            for n in run.notes
            if "second" in n.data and (whole or first <= n.row <= last)
        ]
        spans.append(Span(first, last, wanted, Scale([device.columns[i] for i in wanted], status)))
    return spans


def _picked(second: object, wanted: Sequence[int]) -> object:
    if not isinstance(second, list):
        return second
    return [second[i] if i < len(second) else None for i in wanted]
