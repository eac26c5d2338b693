"""What reduced runs give to a fan law: their steady stretches, with gap and pack as noted in the log."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from undertray.errors import UndertrayError
from undertray.predict.fanlaw import LawPoint
from undertray.predict.packvolts import VoltPoint
from undertray.reduce.fan import steady_dwells
from undertray.reduce.steady import REST_US, Blocks
from undertray.reduce.summary import Reduction
from undertray.units import quantity

__all__ = ["RunPoints", "run_points"]

_CELLS = re.compile(r"(?<![0-9.])([1-9]\d?)\s?[sS](?![A-Za-z])")
_NUMBER = re.compile(r"[-+]?\d+\.?\d*")
_LONGEST_S = 5.0
_MOST_MM = 50.0


@dataclass(frozen=True, slots=True)
class RunPoints:
    """Points of some runs."""

    law: tuple[LawPoint, ...]
    volts: tuple[VoltPoint, ...]
    cells: int | None
    notices: tuple[str, ...]


def run_points(
    runs: Sequence[tuple[Reduction, Mapping[str, Any]]],
    gap_mm: float | None = None,
    cells: int | None = None,
) -> RunPoints:
    """Take points from runs.

    Parameters
    ----------
    runs : sequence of (Reduction, mapping)
        Runs and their facts; of the facts ``gap`` (``"0.8 mm"``) and ``pack`` (``"3S 1300 mAh"``) count.
    gap_mm : float or None
        Gap of those that do not note one.
    cells : int or None
        Cells of the pack of those that do not note it.

    Returns
    -------
    RunPoints

    Notes
    -----
    A stretch counts by the root of its length, up to 5 s.
    """
    law: list[LawPoint] = []
    volts: list[VoltPoint] = []
    noted: set[int] = set()
    said: list[str] = []
    for number, (one, facts) in enumerate(runs):
        own_mm, own_cells = _gap_mm(facts, one.run, said), _cells(facts)
        noted |= {own_cells} if own_cells is not None else set()
        dwells = [dwell for dwell in steady_dwells(one.blocks) if dwell.suction_pa > 0]
        if not dwells:
            said.append(f"{one.run}: no throttle stood still with suction, so it says nothing of the fans")
        rest_mv = _rest_mv(one.blocks)
        for dwell in dwells:
            weight = math.sqrt(min(dwell.seconds, _LONGEST_S) / _LONGEST_S)
            gap = gap_mm if own_mm is None else own_mm
            law.append(LawPoint(number, dwell.throttle_us, dwell.pack_mv, gap, dwell.suction_pa, weight))
            if dwell.pack_mv is not None:
                volts.append(VoltPoint(rest_mv, dwell.pack_mv, dwell.suction_pa))
    if len(noted) > 1:
        said.append(
            "the runs note packs of "
            + " and ".join(f"{n}S" for n in sorted(noted))
            + ": their voltages count, but other cells can only be asked for by voltage"
        )
    found = next(iter(noted)) if len(noted) == 1 else None if noted else cells
    return RunPoints(tuple(law), tuple(volts), found, tuple(said))


def _fact(facts: Mapping[str, Any], key: str) -> object:
    notes = facts.get("notes")
    value = facts.get(key)
    return notes.get(key) if value is None and isinstance(notes, Mapping) else value


def _gap_mm(facts: Mapping[str, Any], run: str, said: list[str]) -> float | None:
    value = _fact(facts, "gap")
    if value is None:
        return None
    try:
        text = str(value)[:60].strip()
        gap = quantity(float(text) if _NUMBER.fullmatch(text) else text, "mm", f"{run}, gap")
    except UndertrayError as error:
        said.append(f"the gap noted is none: {error}")
        return None
    if not 0 < gap <= _MOST_MM:
        said.append(f"{run}: a gap of {gap:g} mm is none, and does not count")
        return None
    return gap


def _cells(facts: Mapping[str, Any]) -> int | None:
    value = _fact(facts, "pack")
    found = _CELLS.search(str(value)[:200]) if value is not None else None
    return int(found[1]) if found and int(found[1]) <= 14 else None


def _rest_mv(blocks: Blocks) -> float | None:
    """Voltage while the fans stood, before the run or after it."""
    with np.errstate(invalid="ignore"):
        rest = blocks.pack_mv[(blocks.throttle_us <= REST_US) & np.isfinite(blocks.pack_mv)]
    return float(np.median(rest)) if len(rest) >= 5 else None
