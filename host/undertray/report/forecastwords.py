"""What a car will do, in words and one picture: its axles, its ride, and what other parts come to."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from undertray.errors import escaped
from undertray.predict.draws import Interval
from undertray.report.comparewords import WIDE, side_by_side, text_table
from undertray.report.display import SI, Display, number, off_text, span_of, speed_name
from undertray.report.picture import Picture
from undertray.report.style import DASHES, GRID, LIMIT, MARKERS, SERIES, settings, short
from undertray.report.windowpicture import window_words
from undertray.report.words import steady_at
from undertray.units import FACTORS

if TYPE_CHECKING:
    from undertray.predict.axles import AxleBalance, Axles, Duct, Region
    from undertray.predict.fanlaw import LawRange
    from undertray.predict.forecast import Curve, Outcome, WhatIf
    from undertray.predict.rideheight import Ride, RideLevel
    from undertray.reduce.summary import Estimate

__all__ = ["axle_words", "margin_picture", "ride_words", "what_if_words"]


# Axles.


def axle_words(found: Axles, units: Display = SI, width: int = WIDE) -> Iterator[str]:
    """Say which axle is the weaker, where the floor leaks, and what a duct would move."""
    apart = found.apart_n
    sure = {True: "", False: ", which is smaller than its uncertainty", None: ", of unknown uncertainty"}
    yield (
        f"The {found.weaker} axle is the weaker by {_n(apart, units)} of margin{sure[found.sure]};"
        f" steady{steady_at(found)}: {units.pa(found.suction_pa.mean)}."
    )
    yield ""
    columns = [_axle_cells(one, units) for one in (found.front, found.rear)]
    yield from side_by_side(("load", "margin", "times its need", "mean suction to spare"), columns, width)
    taps = ", ".join(f"{escaped(name)} {_pa(pa, units)}" for name, pa in found.taps_pa.items())
    if taps:
        yield f"taps, steady: {taps}"
    if found.leaks:
        yield ""
        heads = ("part of the floor", "of the skirt", "of the air that leaks in", "at least to at most")
        yield from text_table(heads, [_leak_cells(one) for one in found.leaks], width, numbers_right=False)
        if any(one.share is None for one in found.leaks):
            yield "not measured: no two taps span it"
        if any(_is_measured(one) and not one.told for one in found.leaks):
            yield "not told: anything in that span goes with what the taps read"
        if not any(one.told for one in found.leaks):
            yield (
                "these taps say hardly more of where it leaks than the outline does; tape over one side of"
                " the skirt at a time, and what that changes, would"
            )
    if found.duct is not None:
        yield ""
        yield from _duct(found.duct, found.weaker, units)


def _axle_cells(one: AxleBalance, units: Display) -> tuple[str, ...]:
    """An axle by name, its load, margin, times its need, and the mean suction that may be lost."""
    spare = "" if one.spare is None else number(one.spare, 3)
    lost = ""
    if one.margin_pa is not None and one.spare is not None:
        lost = units.pa(one.margin_pa) if one.margin_pa >= 0 else f"{units.pa(-one.margin_pa)} missing"
    return (f"{one.name} axle", _n(one.load_n, units), _n(one.margin_n, units, signed=True), spare, lost)


def _leak_cells(region: Region) -> tuple[str, ...]:
    name, skirt = _of(region), f"{100 * region.skirt:.0f} %"
    if region.share is None or not _is_measured(region):
        return name, skirt, "not measured", ""
    share = f"{100 * region.share:.0f} %" if region.told else "not told"
    return name, skirt, share, _span(region)


def _is_measured(region: Region) -> bool:
    return None not in (region.share, region.low, region.high)


def _of(region: Region) -> str:
    return region.name if region.name.endswith(" half") else f"by tap {escaped(region.name)}"


def _span(region: Region) -> str:
    if region.low is None or region.high is None:
        return "unknown"
    return f"{100 * region.low:.0f} to {100 * region.high:.0f} %"


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
    return units.n(found.mean, signed=signed) + off_text(found.u95, units.n)


def _pa(found: Estimate, units: Display) -> str:
    return units.pa(found.mean) + off_text(found.u95, units.pa)


# Ride.

_LBF_IN_N_MM = FACTORS["stiffness"]["lbf/in"] / FACTORS["stiffness"]["N/mm"]


def gap_text(value_mm: float, units: Display = SI) -> str:
    """Show a gap as finely as a feeler gauge tells it."""
    text = f"{value_mm:.2f} mm" if units.name == "si" else f"{value_mm / units.length_mm:.4f} in"
    return text.replace("-", "−")


def rate_text(value_n_mm: float, units: Display = SI) -> str:
    """Show the rate of a spring."""
    return f"{value_n_mm:.3g} N/mm" if units.name == "si" else f"{value_n_mm / _LBF_IN_N_MM:.3g} lbf/in"


def span_text(found: Interval, show: Callable[[float], str], none: str = "never") -> str:
    """Show a number and the ends of its interval."""
    value, low, high = (
        show(one) if math.isfinite(one) else none for one in (found.value, found.low, found.high)
    )
    return value if low == high else f"{value} ({span_of(low, high)})"


def ride_words(found: Ride, units: Display = SI, width: int = WIDE) -> Iterator[str]:
    """Say how a car rides: the answer first, then loads, sink and gap by suction, then what would do."""
    yield from _ride_answer(found, units)
    yield ""
    yield from _levels_table(found.levels, units, width)
    yield ""
    top = found.levels[-1]
    at = units.pa(top.suction_pa.value)
    for name, rate in found.rate_needed_n_mm.items():
        needed = span_text(rate, lambda v: rate_text(v, units), "none is stiff enough")
        has = span_text(found.rate_n_mm[name], lambda v: rate_text(v, units))
        left = f"leaves {gap_text(found.keep_mm, units)}" if found.keep_mm else "just keeps it off the ground"
        yield f"{name} axle, softest rate that {left} at {at}: {needed}; it has {has}"
    if found.skirt_up_pa is not None and found.preload_needed_n is not None:
        if math.isfinite(found.skirt_up_pa.value):
            yield f"suction overcomes the skirt's spring from {span_text(found.skirt_up_pa, units.pa)} on"
        else:
            yield "suction does not overcome the skirt's spring: it grows faster as the car sinks"
        yield (
            f"force on the skirt's edge, fans off, that keeps it down at {at}:"
            f" {span_text(found.preload_needed_n, units.n)}"
        )
    yield from _check_words(found, units)
    rests = "the feeler gauge's" if found.corrected else "the car file's"
    yield (
        f"loads of {found.source}, surface at {found.surface_angle:g} degrees, springs {rests};"
        " brackets: 95 %"
    )


def _ride_answer(found: Ride, units: Display) -> Iterator[str]:
    """What gap remains at the highest suction, and from where on none does."""
    top = found.levels[-1]
    gap = span_text(top.least_gap_mm, lambda v: gap_text(v, units))
    left = f"stands on its floor (least gap {gap})" if top.bottoms else f"keeps a gap of {gap} at the least"
    if math.isfinite(found.bottoms_pa.value):
        from_pa = span_text(found.bottoms_pa, units.pa)
        ends = f"the floor meets the surface at its {found.bottoms_at} end from a suction of {from_pa} on"
    else:
        ends = "the floor does not meet the surface at any suction: these loads do not press it down"
    yield f"At {_level_at(top, units)} the car {left}; {ends}."
    if not all(check.within for check in found.checks):
        yield "A gap that was read does NOT fit that: see below."


def _level_at(level: RideLevel, units: Display) -> str:
    at = "" if level.throttle_us is None else f"{level.throttle_us:.0f} µs, "
    return f"{at}{span_text(level.suction_pa, units.pa)}"


def _levels_table(levels: Sequence[RideLevel], units: Display, width: int) -> Iterator[str]:
    """A line an axle at each suction; below it what is not of an axle."""

    def bare(value: float) -> str:
        return units.n(value).removesuffix(f" {units.force}")

    def length(value: float) -> str:
        return gap_text(value, units).split(" ")[0]

    unit = gap_text(0.0, units).split(" ")[1]
    heads = ("axle", f"load, {units.force}", f"sinks (− rises), {unit}", f"gap left, {unit}")
    rows = [
        (
            name,
            span_text(axle.load_n, bare),
            span_text(axle.sink_mm, length),
            span_text(axle.gap_mm, length),
        )
        for level in levels
        for name, axle in level.axles.items()
    ]
    head, *lines = text_table(heads, rows, width - 2, numbers_right=False)
    yield f"  {head}"
    for level in levels:
        yield f"at {_level_at(level, units)}:"
        for _ in level.axles:
            yield f"  {lines.pop(0)}"
        yield from _level_words(level, units)


def _level_words(level: RideLevel, units: Display) -> Iterator[str]:
    def mm(value: float) -> str:
        return gap_text(value, units)

    said = ": it stands on its floor" if level.bottoms else ""
    yield f"  least gap along the floor: {span_text(level.least_gap_mm, mm)}{said}"
    if level.reach_mm is not None:
        short = ": it does not reach the surface" if level.reach_mm.value < 0 else ""
        yield f"  the skirt reaches for a rise of {span_text(level.reach_mm, mm)} more{short}"
    if level.skirt_n is not None:
        up = ": it is sucked up" if level.skirt_n.value < 0 else ""
        yield f"  the skirt presses with {span_text(level.skirt_n, units.n)}{up}"


def _check_words(found: Ride, units: Display) -> Iterator[str]:
    """Say how gaps that were read compare."""

    def mm(value: float) -> str:
        return gap_text(value, units)

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


# What if.

_LB_KG = FACTORS["mass"]["lb"]


def what_if_words(found: WhatIf, units: Display = SI, width: int = WIDE) -> Iterator[str]:
    """Say what cases come to: the answer in a sentence each, then what it rests on."""
    same = [case for case in found.asked if _as_it_is(case, found.now)]
    asked = [(case, gain) for case, gain in zip(found.asked, found.gain_n, strict=True) if case not in same]
    yield _answer(found.now, None, units)
    for case, gain in asked:
        yield _answer(case, gain, units)
    yield (
        "margins: of the worse axle; brackets: 95 %"
        + ("; nothing else was asked (--mass, --pack, --gap, --angle, ...)" if not asked else "")
    )
    cases = [found.now, *(case for case, _ in asked)]
    yield ""
    yield from _cases_table(cases, units, width)
    yield ""
    for case, even in zip(found.asked, found.break_even_kg, strict=True):
        if case not in same and even is not None:
            yield (
                f"{escaped(case.name)}: this pack may be heavier than that of the runs by"
                f" {span_text(even, lambda kg: _mass(kg, units))} before it gains nothing"
            )
    beyond: dict[str, list[str]] = {}
    for case in cases:
        for said in case.beyond:
            beyond.setdefault(said, []).append(case.name)
    for said, names in beyond.items():
        whose = "" if len(names) == len(cases) else f" ({escaped(', '.join(names))})"
        yield f"BEYOND WHAT WAS MEASURED{whose}: {said}"
    if beyond:
        yield "beyond what was measured an interval is wider by a tenth of the change out there"
    runs = "1 run" if found.runs == 1 else f"{found.runs} runs"
    yield (
        f"fan law from {found.points} steady stretches of {runs}, which scatter about it by"
        f" {found.law_scatter:.1%}"
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


def _as_it_is(case: Outcome, now: Outcome) -> bool:
    """Whether nothing else was asked."""
    return replace(case, name=now.name) == now


def _answer(case: Outcome, gain_n: Interval | None, units: Display) -> str:
    """The answer in one sentence: how much margin is left, of which axle, and what that is against now."""
    worse = min(case.margin_n, key=lambda name: case.margin_n[name].value)
    change = "" if gain_n is None else f", {_signed(gain_n, units)} against as it is"
    far = ", BEYOND WHAT WAS MEASURED (see below)" if case.outside else ""
    name = escaped(case.name)
    return (
        f"{name[:1].upper()}{name[1:]}: least margin {_signed(case.least_margin_n, units)}, {worse}, at"
        f" {_throttles(case)} and {case.surface_angle:g} degrees{change}{far}."
    )


def _throttles(case: Outcome) -> str:
    second = "" if case.second_us in (None, case.throttle_us) else f" and {case.second_us:.0f}"
    return f"{case.throttle_us:.0f}{second} µs"


def _cases_table(cases: Sequence[Outcome], units: Display, width: int) -> Iterator[str]:
    """The cases beside one another, what their rows leave out, and between which suctions each drives."""
    yield from side_by_side(*_case_cells(cases, units), width)
    if any(case.lateral_g is not None or case.to_speed for case in cases):
        yield "lateral: no drag, no load transfer; to a speed: traction alone"
    if any(case.closer_mm is not None for case in cases):
        yield "gap against the runs: under this suction, on the springs, at the mass and angle of the runs"
    for case in cases:
        if case.window is not None:
            head, *lines = window_words(case.window, units)
            yield from ("", f"{escaped(case.name)}, {head}", *lines)


def _case_cells(cases: Sequence[Outcome], units: Display) -> tuple[list[str], list[tuple[str, ...]]]:
    """What is told of a case by name, and for each case its own name and these; what none has is left out."""
    told = [_case_told(case, units) for case in cases]
    names = list(dict.fromkeys(name for one in told for name in one))
    return names, [
        (escaped(case.name), *(one.get(name, "") for name in names))
        for case, one in zip(cases, told, strict=True)
    ]


def _case_told(case: Outcome, units: Display) -> dict[str, str]:
    told = {"mass": _mass(case.mass_kg, units, signed=False), "throttle": _throttles(case)}
    if case.gap_mm is not None:
        told["gap as set"] = gap_text(case.gap_mm, units)
    if case.closer_mm is not None:
        closer = case.closer_mm
        way = "closer" if closer.value >= 0 else "wider"
        if closer.value < 0:
            closer = Interval(-closer.value, -closer.high, -closer.low)
        told["gap against the runs"] = f"{span_text(closer, lambda mm: gap_text(mm, units))} {way}"
    if case.pack_mv is not None:
        volts = [span_text(one, _volts) for one in (case.pack_mv, case.second_mv) if one is not None]
        told["pack under load"] = " and ".join(volts)
    told["surface"] = f"{case.surface_angle:g} degrees"
    told["suction"] = span_text(case.suction_pa, units.pa)
    for name, margin in case.margin_n.items():
        told[f"{name}, load"] = span_text(case.load_n[name], units.n)
        told[f"{name}, need"] = units.n(case.need_n[name])
        told[f"{name}, margin"] = _signed(margin, units)
    told["goes first"] = case.limiting
    told["margins 0 or more from"] = _throttle(case.holds_from_us)
    if case.largest_gap_mm is not None:
        told["largest gap that holds"] = span_text(
            case.largest_gap_mm,
            lambda mm: gap_text(mm, units) if mm > 0 else "none",
            "over six times the largest measured",
        )
    if case.lateral_g is not None and case.ground_lateral_g is not None:
        told["lateral, its surface"] = span_text(case.lateral_g, _g)
        told["lateral, the ground"] = span_text(case.ground_lateral_g, _g)
    for one in case.to_speed:
        told[f"to {speed_name(one.speed_m_s)}, its surface"] = span_text(one.surface_s, _seconds)
    if case.locks_from_us is not None:
        told["skirt holds it fast from"] = _throttle(case.locks_from_us)
    return told


def _throttle(found: Interval) -> str:
    return span_text(found, lambda us: f"{us:.0f} µs", "no throttle up to 2000 µs")


def _volts(mv: float) -> str:
    return f"{mv / 1e3:.2f} V"


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


# The margin against the gap.


def margin_picture(curves: Sequence[Curve], measured: LawRange | None, units: Display = SI) -> Picture:
    """Draw least margin against gap."""
    from matplotlib.figure import Figure

    per = units.length_mm
    length = "mm" if units.name == "si" else "in"
    table: dict[str, Any] = {"pack": [], f"gap {length}": []}
    table |= {f"{what} {units.force}": [] for what in ("least margin", "from", "to")}
    words = []
    with settings():
        figure = Figure(figsize=(5.0, 3.4))
        panel = figure.add_axes((0.14, 0.15, 0.83, 0.8))
        if measured is not None and measured.high > measured.low:
            panel.axvspan(measured.low / per, measured.high / per, color=GRID, alpha=0.35, linewidth=0)
            panel.text(
                measured.low / per, 0.96, " measured", transform=panel.get_xaxis_transform(), fontsize=7
            )
        panel.axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        for place, curve in enumerate(curves):
            look = place % len(SERIES)
            gap = [mm / per for mm in curve.gap_mm]
            value, low, high = (
                [n / units.force_n for n in part] for part in (curve.margin_n, curve.low_n, curve.high_n)
            )
            name = short(curve.name)
            panel.fill_between(gap, low, high, color=SERIES[look], alpha=0.13, linewidth=0)
            panel.plot(
                gap,
                value,
                color=SERIES[look],
                linestyle=DASHES[look],
                marker=MARKERS[look],
                markevery=4,
                markersize=4,
                linewidth=1.5,
                label=name,
            )
            table["pack"] += [curve.name] * len(gap)
            for key, part in zip(list(table)[1:], (gap, value, low, high), strict=True):
                table[key] += part
            words.append(
                f"{curve.name}: "
                + ", ".join(
                    f"{units.n(curve.margin_n[k], signed=True)} at {gap_text(curve.gap_mm[k], units)}"
                    for k in (0, -1)
                )
                + "."
            )
        panel.set_xlabel(f"gap as set / {length}")
        panel.set_ylabel(f"least margin / {units.force}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.set_axisbelow(True)
        panel.legend(fontsize=8, frameon=False)
    return Picture(
        key="margin-gap",
        title="Margin against gap",
        caption="Least margin of the axles for each pack; bands hold 95 %. Below the dashed line it lets go."
        " Outside of the grey band no gap was measured.",
        words=" ".join(words),
        figure=figure,
        table=table,
        size="middle",
    )
