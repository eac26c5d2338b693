"""Counts to nominal suction, by what the board says of each part."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Column
from undertray.acquire.rowtable import Counts
from undertray.acquire.runlog import Note
from undertray.calibrate.ms5525dso import ms5525dso_pa
from undertray.errors import RunLogError

__all__ = ["NominalSuction", "Scale", "nominal_suction_pa"]

Array = NDArray[np.float64]
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
    """Suction by the parts' own scales, before any calibration.

    Attributes
    ----------
    suction_pa : ndarray of float64, shape (n, N)
        Nominal suction, Pa, positive below ambient; NaN where the count is missing.
    out_of_range : ndarray of bool, shape (n, N)
        The part was beyond the range in which its reading is valid. The reading is still
        given.
    """

    suction_pa: Array
    out_of_range: Mask


class Scale:
    """What turns the counts of a board into nominal suction, some of its rows at a time.

    Parameters
    ----------
    columns : sequence of Column, length N
        The pressure columns of the ``device`` note.
    notes : sequence of Note
        Notes of the same run; only ``status`` notes are looked at, and only for parts that
        send a second word. ``Note.row`` counts rows of the run; a note from before its first
        row may have a row below 0.

    Attributes
    ----------
    zero, pa_per_count : ndarray, shape (N,)
        ``(count - zero) pa_per_count`` is the nominal suction of a column that is not compensated.
    compensated : bool
        Whether the host has to compensate some column.

    Raises
    ------
    RunLogError
        When a ``scale`` is incomplete or out of bounds.
    """

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
        """Turn any rows of some columns into nominal suction, without looking for what is out of range.

        Parameters
        ----------
        counts : ndarray of float64, shape (k, columns)
            Their raw counts, NaN where missing.
        rows : ndarray of int64, shape (k,)
            Which rows of the run they are; needed where a part is compensated.
        columns : sequence of int
            Which columns.

        Returns
        -------
        ndarray of float64, shape (k, columns)

        Raises
        ------
        RunLogError
            As :meth:`nominal`.
        """
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
    """Turn the counts of a whole run into nominal suction, as :meth:`Scale.nominal` does.

    Parameters
    ----------
    counts : ndarray of float64, shape (n, N)
        Raw counts, NaN where missing.
    columns : sequence of Column, length N
        The pressure columns of the ``device`` note.
    notes : sequence of Note
        Notes of the same run, for parts that send a second word.

    Returns
    -------
    NominalSuction

    Raises
    ------
    RunLogError
        When the number of columns does not fit, a ``scale`` is incomplete, out of bounds or of
        an unknown kind, or a part's second word never came.
    """
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
