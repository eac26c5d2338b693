"""Does a reading go with the height that was given for it? Asked while the column still stands there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from undertray.calibrate.taken import TakenPoint

__all__ = ["Plausible"]

# A part as it comes has a total error band of up to 2 % of span, most of it in the zero, which the first
# point takes out. What is left: a slope that is off by up to 4 % (2 % of span at half the span, where such a
# part has its highest pressure), bending and creep of up to 0.5 % of span (a quarter of the band; data
# sheets, from memory), and 2 mm of reading: four times what an eye makes of a meniscus.
_SLOPE = 0.05
_CREEP = 0.25
_READING_MM = 2.0


@dataclass(frozen=True, slots=True)
class Plausible:
    """What a point may read.

    Attributes
    ----------
    names : tuple of str, length N
        The pressure columns.
    pa_per_mm : float
        Pressure of 1 mm of reading of the column, Pa.
    accuracy_pa : tuple of float, length N
        What each part may be off by, by its own scale, Pa.
    """

    names: tuple[str, ...]
    pa_per_mm: float
    accuracy_pa: tuple[float, ...]

    def doubts(
        self, taken: Sequence[TakenPoint], height_mm: float, nominal_pa: Sequence[float]
    ) -> tuple[str, ...]:
        """Compare a reading with the column, with the zero, and with the last point.

        Parameters
        ----------
        taken : sequence of TakenPoint
            The points so far.
        height_mm : float
            Column reading given for the new one, mm.
        nominal_pa : sequence of float, length N
            Its readings, Pa.

        Returns
        -------
        tuple of str, length N
            What speaks against each sensor's reading; empty where nothing does.
        """
        counting = [point for point in taken if point.reason is None]
        zero = next((point for point in counting if point.height_mm == 0), None)
        last = counting[-1] if counting else None
        return tuple(
            self._moved(i, last, height_mm, nominal_pa[i]) or self._stands(i, zero, height_mm, nominal_pa[i])
            for i in range(len(self.names))
        )

    def _usual_pa(self, i: int, pressure_pa: float) -> float:
        """How far a sound reading may be from a pressure, once its zero is known, Pa."""
        return _SLOPE * abs(pressure_pa) + _CREEP * self.accuracy_pa[i] + _READING_MM * self.pa_per_mm

    def _moved(self, i: int, last: TakenPoint | None, height_mm: float, reading_pa: float) -> str:
        if last is None:
            return ""
        due_pa = (height_mm - last.height_mm) * self.pa_per_mm
        moved_pa = reading_pa - last.nominal_pa[i]
        if abs(moved_pa - due_pa) <= self._usual_pa(i, due_pa):
            return ""
        if moved_pa * due_pa < -0.5 * due_pa**2:
            way = "rises" if due_pa > 0 else "sinks"
            return (
                f"{self.names[i]} goes by {moved_pa:+.1f} Pa as the column {way} by {abs(due_pa):.1f} Pa: its"
                " ports are swapped, or the column went the other way"
            )
        return (
            f"{self.names[i]} moved by {moved_pa:+.1f} Pa of the {due_pa:+.1f} Pa that {last.height_mm:g} to"
            f" {height_mm:g} mm make"
        )

    def _stands(self, i: int, zero: TakenPoint | None, height_mm: float, reading_pa: float) -> str:
        due_pa = height_mm * self.pa_per_mm
        usual_pa = self._usual_pa(i, due_pa)
        if zero is None:
            start_pa, usual_pa, since = 0.0, usual_pa + self.accuracy_pa[i], "by its own scale"
        else:
            start_pa, since = zero.nominal_pa[i], "from its reading with both ports open"
        if abs(reading_pa - start_pa - due_pa) <= usual_pa:
            return ""
        return (
            f"{self.names[i]} stands at {reading_pa - start_pa:+.1f} Pa {since}, and the column at"
            f" {due_pa:.1f} Pa: more than the usual {usual_pa:.0f} Pa apart"
        )
