"""Locked: the verdict of a run whose suction held it fast."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from undertray.predict.drivable import Windows, whereabouts
from undertray.report.display import SI, Display
from undertray.report.verdict import NOT_HELD, Verdict, judge

if TYPE_CHECKING:
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["LOCKED", "judge_driven", "with_window"]

LOCKED = "locked"
"""Word of a run that held, with a suction that its driven wheels could not have overcome."""


def with_window(verdict: Verdict, reduction: Reduction, windows: Windows, units: Display = SI) -> Verdict:
    """Say whether a run was locked, where it was not worse."""
    window = windows.at(windows.car.surface_angle_deg)
    place = whereabouts(reduction, window)
    locks = window.locks
    if not place.locked or locks is None:
        return verdict
    said = (
        f"For {place.above_s:.1f} s the suction was above {units.pa(locks.high_pa)}, where {locks.limited_by}"
        " cannot overcome the drag of the skirt for sure: asked to drive then, it was locked."
    )
    if verdict.word in NOT_HELD or verdict.word == "cannot be told":
        return replace(verdict, reasons=(*verdict.reasons, said))
    return replace(verdict, word=LOCKED, good=False, headline=f"Locked. {said} {verdict.headline}")


def judge_driven(reduction: Reduction, car: Car, drag: Drag | None = None) -> Verdict:
    """Judge a run, by what pulls told of its skirt as well where there is that."""
    verdict = judge(reduction)
    return verdict if drag is None else with_window(verdict, reduction, Windows.of(car, drag, reduction))
