"""What another mass, pack, gap or angle would come to, in plain lines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from undertray.errors import escaped
from undertray.predict.draws import Interval
from undertray.report.display import SI, Display, speed_name
from undertray.report.ridewords import gap_text, span_text
from undertray.report.windowpicture import window_words
from undertray.units import FACTORS

if TYPE_CHECKING:
    from undertray.predict.forecast import Outcome, WhatIf

__all__ = ["what_if_words"]

_LB_KG = FACTORS["mass"]["lb"]


def what_if_words(found: WhatIf, units: Display = SI) -> Iterator[str]:
    """Say what cases come to."""
    yield (
        f"fan law from {found.points} steady stretches of {found.runs} runs, which scatter about it by"
        f" {found.law_scatter:.1%}; brackets: 95 %"
    )
    law = found.law
    idle, throttle, voltage = (
        span_text(law["idle_us"], lambda us: f"{us:.0f} µs"),
        *(span_text(law[name], _plain) for name in ("throttle", "voltage")),
    )
    yield (
        f"  fans from {idle} on; suction goes with the throttle above that to the power {throttle}, with the"
        f" pack's voltage to {voltage}"
    )
    if "of_gap" in law:
        yield (
            f"  of the leak {span_text(law['of_gap'], _percent)} goes with the gap; it leaves"
            f" {span_text(law['shut_off'], _percent)} of the shut-off suction"
        )
    yield from _case_words(found.now, units)
    for case, gain, even in zip(found.asked, found.gain_n, found.break_even_kg, strict=True):
        yield from _case_words(case, units)
        yield f"  least margin against '{escaped(found.now.name)}': {_signed(gain, units)}"
        if even is not None:
            yield (
                "  this pack may be heavier than that of the runs by"
                f" {span_text(even, lambda kg: _mass(kg, units))} before it gains nothing"
            )
    if any(case.beyond for case in (found.now, *found.asked)):
        yield "beyond what was measured an interval is wider by a tenth of the change out there"


def _case_words(case: Outcome, units: Display) -> Iterator[str]:
    parts = [_mass(case.mass_kg, units, signed=False), f"{case.throttle_us:.0f} µs"]
    if case.gap_mm is not None:
        parts.append(f"gap {gap_text(case.gap_mm, units)}")
    if case.pack_mv is not None:
        parts.append(f"pack {span_text(case.pack_mv, lambda mv: f'{mv / 1e3:.2f} V')} under load")
    parts.append(f"surface at {case.surface_angle:g} degrees")
    yield f"{escaped(case.name)}: {', '.join(parts)}"
    yield f"  suction {span_text(case.suction_pa, units.pa)}"
    if case.closer_mm is not None:
        closer = case.closer_mm
        way = "closer" if closer.value >= 0 else "wider"
        if closer.value < 0:
            closer = Interval(-closer.value, -closer.high, -closer.low)
        told = span_text(closer, lambda mm: gap_text(mm, units))
        yield f"  under it the gap is {told} {way} than on the springs, at the mass and angle of the runs"
    for name, margin in case.margin_n.items():
        yield (
            f"  {name}: load {span_text(case.load_n[name], units.n)} of {units.n(case.need_n[name])}, margin"
            f" {_signed(margin, units)}"
        )
    from_us = _throttle(case.holds_from_us)
    yield f"  as suction falls the {case.limiting} goes first; all margins are 0 or more from {from_us} on"
    if case.largest_gap_mm is not None:
        largest = span_text(
            case.largest_gap_mm,
            lambda mm: gap_text(mm, units) if mm > 0 else "none",
            "more than six times the largest measured",
        )
        yield f"  largest gap that still holds: {largest}"
    if case.lateral_g is not None and case.ground_lateral_g is not None:
        yield (
            f"  lateral {span_text(case.lateral_g, _g)} on its surface,"
            f" {span_text(case.ground_lateral_g, _g)} on the ground (no drag, no load transfer)"
        )
    for one in case.to_speed:
        yield (
            f"  to {speed_name(one.speed_m_s)} {span_text(one.surface_s, _seconds)} on its surface"
            " (traction alone)"
        )
    if case.window is not None:
        yield from (f"  {line}" for line in window_words(case.window, units))
    if case.locks_from_us is not None:
        yield f"  its skirt holds it fast from {_throttle(case.locks_from_us)} on"
    for said in case.beyond:
        yield f"  BEYOND WHAT WAS MEASURED: {said}"


def _throttle(found: Interval) -> str:
    return span_text(found, lambda us: f"{us:.0f} µs", "no throttle up to 2000 µs")


def _signed(found: Interval, units: Display) -> str:
    return span_text(found, lambda n: units.n(n, signed=True))


def _plain(value: float) -> str:
    return f"{value:.2f}"


def _percent(value: float) -> str:
    return f"{value:.0%}"


def _g(value: float) -> str:
    return f"{value:.2f} g"


def _seconds(value: float) -> str:
    return f"{value:.2f} s" if math.isfinite(value) else "never"


def _mass(kg: float, units: Display, signed: bool = True) -> str:
    sign = "+" if signed else ""
    if units.name == "us":
        text = f"{kg / _LB_KG:{sign}.2f} lb"
    else:
        text = f"{1e3 * kg:{sign}.0f} g" if signed else f"{kg:.3g} kg"
    return text.replace("-", "−")
