"""What voltage a pack has left under its fans: as measured, and of a pack of other cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.errors import UndertrayError
from undertray.predict.draws import COUNT, Draws
from undertray.predict.fanlaw import FanLaw, VoltPoint
from undertray.units import quantity

__all__ = ["Pack", "PackVolts", "pack_of", "pack_volts"]

Array = NDArray[np.float64]

_MOST_CELLS = 14
_CELL_MV = (3000.0, 4400.0)
_OTHER_PACK = 0.3
_ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack that is asked about."""

    name: str
    cells: int | None = None
    loaded_mv: float | None = None
    heavier_kg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class PackVolts:
    """The pack of the runs; draws of shape (COUNT,), the best estimate first.

    ``sag`` is k of :meth:`suction_pa`, mV^2/Pa^1.5; ``other`` what it is multiplied by for another pack.
    """

    cells: int | None
    rest_mv: Array
    sag: Array
    other: Array

    def suction_pa(
        self, law: FanLaw, throttle_us: Array | float, gap_mm: Array | float | None, pack: Pack | None
    ) -> tuple[Array, Array]:
        """Suction and voltage together: the fans pull the pack down, and the pack the fans.

        Parameters
        ----------
        law : FanLaw
            The fans.
        throttle_us : array or float
            Pulse width, µs.
        gap_mm : array, float or None
            Gap as set, mm.
        pack : Pack or None
            Another pack; that of the runs if None.

        Returns
        -------
        suction_pa, pack_mv : ndarray, shape (COUNT,)
            Pa, and mV under load.

        Notes
        -----
        ``V = E - k p^1.5/V``: by the fan laws the power goes with the cube of the speed, p^1.5, and the
        current is the power over the voltage. Cells of the same kind in series add up in E and in k. How
        much another pack's cells give in is taken as that of these within 30 % (common practice, no
        source); its cells rest at the voltage of these.
        """
        if pack is not None and pack.loaded_mv is not None:
            volts = np.full(len(self.rest_mv), pack.loaded_mv)
            return law.suction_pa(throttle_us, volts, gap_mm), volts
        ratio = 1.0 if pack is None or pack.cells is None or self.cells is None else pack.cells / self.cells
        rest = self.rest_mv * ratio
        sag = self.sag * ratio * (1.0 if ratio == 1.0 else self.other)
        volts = rest
        for _ in range(_ROUNDS):
            pa = law.suction_pa(throttle_us, volts, gap_mm)
            left = np.maximum(rest - sag * pa**1.5 / volts, 0.2 * rest)
            # Newton's step with p going with V^2: for 1 % of voltage what is lost changes by 2 %
            step = (left - volts) / (1 + 2 * (rest - left) / volts)
            volts = np.maximum(volts + step, 1.0)
            if float(np.max(np.abs(step / volts))) < 1e-5:
                break
        return law.suction_pa(throttle_us, volts, gap_mm), volts


def pack_volts(
    points: Sequence[VoltPoint], cells: int | None, draws: Draws, cell_mv: float | None = None
) -> PackVolts | None:
    """Take the pack of the runs from their steady stretches."""
    if not points:
        return None
    seen = [(p.rest_mv, p.loaded_mv, p.suction_pa) for p in points if p.rest_mv is not None]
    sag, sag_u95 = 0.0, 0.0
    rest = float(np.mean([p.loaded_mv for p in points]))
    if seen:
        rested, loaded, pa = np.array(seen, float).T
        x, y = pa**1.5 / loaded, rested - loaded
        square = float(x @ x)
        sag = max(0.0, float(x @ y) / square) if square > 0 else 0.0
        sag_u95 = 2 * float(np.sqrt(np.mean((y - sag * x) ** 2) / square)) if square > 0 else 0.0
        rest = float(np.mean(rested))
    if cell_mv is not None:
        if cells is None:
            raise UndertrayError(
                "a cell's voltage needs to know how many there are",
                seen=f"{cell_mv / 1e3:g} V",
                do="say it with --pack-was 3S",
            )
        rest = cells * cell_mv
    return PackVolts(
        cells,
        np.full(COUNT, rest),
        np.maximum(draws.normal(sag, sag_u95), 0.0),
        np.maximum(draws.rectangle(1.0, _OTHER_PACK), 0.0),
    )


def pack_of(given: str, where: str) -> Pack:
    """Read a pack as an option gives it."""
    wrong = UndertrayError("no pack", where=where, seen=given, expected="'4S', '14.4 V' or '4S +60 g'")
    text = given.strip()
    if not 0 < len(text) <= 60:
        raise wrong
    at = next((i for i, c in enumerate(text) if c in "+-" and i > 0), len(text))
    name, heavier = text[:at].strip(), text[at:].replace(" ", "")
    heavier_kg = quantity(heavier, "kg", where) if heavier else 0.0
    if not -10 <= heavier_kg <= 10:
        raise wrong
    if name[-1:] in "sS" and name[:-1].strip().isdigit():
        cells = int(name[:-1])
        if not 1 <= cells <= _MOST_CELLS:
            raise wrong
        return Pack(text, cells, None, heavier_kg)
    loaded_mv = quantity(name, "mV", where, bare=False)
    if not _CELL_MV[0] / 3 <= loaded_mv <= _MOST_CELLS * _CELL_MV[1]:
        raise wrong
    return Pack(text, None, loaded_mv, heavier_kg)
