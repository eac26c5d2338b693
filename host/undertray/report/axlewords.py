"""The axles of a run beside one another, where it leaks, and what a duct moves: words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from undertray.errors import escaped
from undertray.report.display import SI, Display, number

if TYPE_CHECKING:
    from undertray.predict.axles import AxleBalance, Axles, Duct, Region
    from undertray.reduce.summary import Estimate

__all__ = ["axle_words"]


def axle_words(found: Axles, units: Display = SI) -> Iterator[str]:
    """Say which axle is the weaker, where the floor leaks, and what a duct would move."""
    apart = found.apart_n
    sure = {True: "", False: ", which is smaller than its uncertainty", None: ", of unknown uncertainty"}
    yield (
        f"the {found.weaker} axle is the weaker by {_n(apart, units)} of margin{sure[found.sure]};"
        f" steady at {units.pa(found.suction_pa.mean)}"
    )
    for one in (found.front, found.rear):
        yield _axle(one, units)
    taps = ", ".join(f"{escaped(name)} {_pa(pa, units)}" for name, pa in found.taps_pa.items())
    if taps:
        yield f"taps, steady: {taps}"
    for region in found.leaks:
        yield _leak(region)
    if found.leaks and not any(region.told for region in found.leaks):
        yield (
            "these taps say hardly more of where it leaks than the outline does; tape over one side of the"
            " skirt at a time, and what that changes, would"
        )
    if found.duct is not None:
        yield from _duct(found.duct, found.weaker, units)


def _axle(one: AxleBalance, units: Display) -> str:
    said = f"{one.name} axle: load {_n(one.load_n, units)}, margin {_n(one.margin_n, units, signed=True)}"
    if one.spare is not None:
        said += f", {number(one.spare, 3)} times its need"
    if one.margin_pa is not None and one.spare is not None:
        low = one.margin_pa < 0
        what = "of mean suction are missing" if low else "of mean suction may be lost"
        said += f"; {units.pa(abs(one.margin_pa))} {what}"
    return said


def _leak(region: Region) -> str:
    name = region.name if region.name.endswith(" half") else f"by tap {escaped(region.name)}"
    skirt = f"{100 * region.skirt:.0f} % of the skirt"
    if region.share is None or region.low is None or region.high is None:
        return f"leak, {name} ({skirt}): not measured, no two taps span it"
    span = f"{100 * region.low:.0f} to {100 * region.high:.0f} %"
    if not region.told:
        return f"leak, {name} ({skirt}): the taps do not show it; anything from {span}"
    return f"leak, {name} ({skirt}): {100 * region.share:.0f} % of the air ({span})"


def _duct(duct: Duct, weaker: str, units: Display) -> Iterator[str]:
    yield (
        f"between {', '.join(map(escaped, duct.weak))} and {', '.join(map(escaped, duct.strong))}:"
        f" {_pa(duct.apart_pa, units)} of suction"
    )
    head = f"a duct of {duct.area_mm2:g} mm2 between them"
    if duct.gain_low_pa is None or duct.gain_high_pa is None:
        yield f"{head} moves nothing that would help: the part of the weaker axle has the higher suction"
        return
    flow = f"{number(1000 * duct.least_m3_s, 2)} to {number(1000 * duct.most_m3_s, 2)} L/s"
    part = ""
    if duct.of_leak is not None:
        part = f", {100 * duct.of_leak[0]:.0f} to {100 * duct.of_leak[1]:.0f} % of what leaks"
    yield f"{head} moves {flow} at first{part}"
    yield (
        f"it gives the {weaker} axle {units.n(duct.axle_low_n)} to {units.n(duct.axle_high_n)}"
        f" ({units.pa(duct.gain_low_pa)} to {units.pa(duct.gain_high_pa)})"
    )
    if duct.of_leak is None:
        yield "without a [fan] curve in the car file the air it carries is not known: the lower end is then 0"


def _n(found: Estimate, units: Display, signed: bool = False) -> str:
    return units.n(found.mean, signed=signed) + ("" if found.u95 is None else f" ±{units.n(found.u95)}")


def _pa(found: Estimate, units: Display) -> str:
    return units.pa(found.mean) + ("" if found.u95 is None else f" ±{units.pa(found.u95)}")
