"""How a car rides under suction, in plain lines."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from undertray.report.display import SI, Display
from undertray.units import FACTORS

if TYPE_CHECKING:
    from undertray.predict.draws import Interval
    from undertray.predict.rideheight import Ride, RideLevel

__all__ = ["gap_text", "rate_text", "ride_words", "span_text"]

_IN_MM = FACTORS["length"]["in"] * 1e3
_LBF_IN_N_MM = FACTORS["stiffness"]["lbf/in"] / FACTORS["stiffness"]["N/mm"]


def gap_text(value_mm: float, units: Display = SI) -> str:
    """Show a gap as finely as a feeler gauge tells it."""
    text = f"{value_mm:.2f} mm" if units.name == "si" else f"{value_mm / _IN_MM:.4f} in"
    return text.replace("-", "−")


def rate_text(value_n_mm: float, units: Display = SI) -> str:
    """Show the rate of a spring."""
    return f"{value_n_mm:.3g} N/mm" if units.name == "si" else f"{value_n_mm / _LBF_IN_N_MM:.3g} lbf/in"


def span_text(found: Interval, show: Callable[[float], str], none: str = "never") -> str:
    """Show a number and the ends of its interval."""
    value, low, high = (
        show(one) if math.isfinite(one) else none for one in (found.value, found.low, found.high)
    )
    return value if low == high else f"{value} ({low} to {high})"


def ride_words(found: Ride, units: Display = SI) -> Iterator[str]:
    """Say how a car rides."""

    def mm(value: float) -> str:
        return gap_text(value, units)

    rests = "the feeler gauge's" if found.corrected else "the car file's"
    rates = ", ".join(
        f"{name} {span_text(rate, lambda v: rate_text(v, units))}" for name, rate in found.rate_n_mm.items()
    )
    yield f"loads of {found.source}, surface at {found.surface_angle:g} degrees, springs {rests}: {rates}"
    for level in found.levels:
        yield from _level_words(level, units)
    if math.isfinite(found.bottoms_pa.value):
        yield (
            f"the floor meets the surface at its {found.bottoms_at} end from a suction of"
            f" {span_text(found.bottoms_pa, units.pa)} on"
        )
    else:
        yield "the floor does not meet the surface at any suction: these loads do not press it down"
    top = found.levels[-1]
    for name, rate in found.rate_needed_n_mm.items():
        needed = span_text(rate, lambda v: rate_text(v, units), "none is stiff enough")
        at = f"at the {name} axle at {units.pa(top.suction_pa.value)}"
        yield f"rate that leaves {mm(found.keep_mm)} {at}: {needed}"
    if found.skirt_up_pa is not None and found.preload_needed_n is not None:
        if math.isfinite(found.skirt_up_pa.value):
            yield f"suction overcomes the skirt's spring from {span_text(found.skirt_up_pa, units.pa)} on"
        else:
            yield "suction does not overcome the skirt's spring: it grows faster as the car sinks"
        yield (
            f"force on the skirt's edge, fans off, that keeps it down at {units.pa(top.suction_pa.value)}:"
            f" {span_text(found.preload_needed_n, units.n)}"
        )
    for check in found.checks:
        reading = check.reading
        at = (
            units.pa(reading.suction_pa)
            if reading.suction_pa is not None
            else f"{reading.throttle_us:.0f} µs"
        )
        word = "within" if check.within else "NOT within"
        yield (
            f"feeler gauge, {reading.axle} axle at {at}: read {mm(reading.gap_mm)}, predicted"
            f" {span_text(check.gap_mm, mm)}: {span_text(check.apart_mm, mm)} apart, {word} what both are"
            " uncertain by"
        )
    if found.checks and not found.corrected:
        yield "nothing is corrected by the readings (--correct takes the rates that they ask for)"
    if not all(check.within for check in found.checks):
        yield "look at rates, clearances, a floor that bends, and tyres or arms that stick"


def _level_words(level: RideLevel, units: Display) -> Iterator[str]:
    def mm(value: float) -> str:
        return gap_text(value, units)

    at = "" if level.throttle_us is None else f"{level.throttle_us:.0f} µs, "
    yield f"at {at}{span_text(level.suction_pa, units.pa)}:"
    for name, axle in level.axles.items():
        yield (
            f"  {name} axle: load {span_text(axle.load_n, units.n)}, sinks {span_text(axle.sink_mm, mm)},"
            f" gap left {span_text(axle.gap_mm, mm)}"
        )
    said = ": it stands on its floor" if level.bottoms else ""
    yield f"  least gap along the floor: {span_text(level.least_gap_mm, mm)}{said}"
    if level.reach_mm is not None:
        short = ": it does not reach the surface" if level.reach_mm.value < 0 else ""
        yield f"  the skirt reaches for a rise of {span_text(level.reach_mm, mm)} more{short}"
    if level.skirt_n is not None:
        up = ": it is sucked up" if level.skirt_n.value < 0 else ""
        yield f"  the skirt presses with {span_text(level.skirt_n, units.n)}{up}"
