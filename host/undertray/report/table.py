"""A reduction as a table for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.errors import escaped
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.summary import Spread
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import LONG_RUN_S, SI, Display, clock_text, moment_text, off_text, speed_name
from undertray.report.eventgroups import MOST_SINGLY
from undertray.report.verdict import Verdict, judge
from undertray.report.words import (
    WITHOUT_THROTTLE,
    dip_lines,
    felt_lines,
    first_words,
    gap_words,
    length_words,
    onset_words,
    order_words,
    other_levels,
    shifted_load,
    steady_at,
    told_events,
    wrapped,
)

if TYPE_CHECKING:
    from undertray.reduce.grip import Grip
    from undertray.reduce.run import Reduction

__all__ = ["reduction_table"]

_WITHIN = "±95 %"  # half the interval that holds it 95 times in 100
_MOST_EVENTS = 40
_MOST_SAID = 600  # characters of what is said of one event beside its line


def reduction_table(
    result: Reduction, verdict: Verdict | None = None, units: Display = SI, details: bool = False
) -> str:
    """The reduction as a table for people: what happened, then what it rests on, on one screen.

    ``details`` adds each tap, the times to a speed and the whole log, fans at rest too. Without them a tap is
    named where a reading of it was missing or at the end of its range.
    """
    state = "calibrated" if result.calibrated else "UNCALIBRATED"
    head = (
        f"{_safe(result.run)}: {result.duration_s:.1f} s, {result.rows} rows, {result.rate_hz:.1f} Hz, "
        f"{state}; {units.n_text(result.hold.required_n)} {units.force} needed at "
        f"{result.hold.surface_angle:g} degrees"
    )
    lines = [
        wrapped((verdict or judge(result, units)).text),
        wrapped(head),
        "",
        *_events(result),
        *dip_lines(result, units),
        "",
        *_judged(result, units),
        *_steady(result, units, details),
        *_fans(result),
        *felt_lines(result),
        *(["", *_whole(result, units)] if details else _poor_taps(result)),
    ]
    return "\n".join(lines)


def _poor_taps(result: Reduction) -> list[str]:
    """The taps that did not give a good reading all the time."""
    said = []
    for name, tap in result.taps.items():
        poor = [
            f"{what} for {seconds:.2f} s"
            for what, seconds in (("saturated", tap.saturated_s), ("missing", tap.missing_s))
            if seconds > 0
        ]
        said += [f"tap {_safe(name)}: {', '.join(poor)}"] if poor else []
    return said


def _steady(result: Reduction, units: Display, details: bool) -> list[str]:
    found = result.steady
    if found is None:
        lines = ["the throttle was never up and still for a second with nothing happening"]
    else:
        up = "with the throttle up and still" if found.throttle_us is not None else WITHOUT_THROTTLE
        lines = [
            f"{up}{steady_at(found)}, and no event ({found.seconds:.1f} s)",
            f"{'':{_wide(units)}}{'mean':>9}{_WITHIN:>9}{'needed':>9}{'margin':>9}",
            f"{f'suction, {units.pressure}':{_wide(units)}}{units.pa_text(found.suction_pa.mean, 'z9')}"
            + _off(found.suction_pa.u95, units.pressure_pa, units.places[0] + 1),
        ]
        for name, load, margin in (
            ("downforce", found.downforce_n, found.margin_n),
            ("front axle", found.front_n, found.front_margin_n),
            ("rear axle", found.rear_n, found.rear_margin_n),
        ):
            needed = load.mean - margin.mean
            lines.append(
                f"{f'{name}, {units.force}':{_wide(units)}}{units.n_text(load.mean, 'z9')}"
                f"{_off(load.u95, units.force_n, units.places[1] + 1)}{units.n_text(needed, '9')}"
                f"{units.n_text(margin.mean, '+z9')}"
            )
        lines += [
            f"{f'{_safe(name)}, {units.pressure}':{_wide(units)}}{units.pa_text(pa.mean, 'z9')}"
            + _off(pa.u95, units.pressure_pa, units.places[0] + 1)
            for name, pa in (found.taps_pa.items() if details else ())
        ]
        lines += other_levels(found, units)
    return [*lines, *(_grip(result.grip, result.hold.surface_angle, units, details) if result.grip else [])]


def _grip(found: Grip, angle_deg: float, units: Display, details: bool) -> list[str]:
    level = angle_deg == 0
    there = f"{found.surface_lateral_g:.2f}{off_text(found.surface_lateral_u95_g)} g at {angle_deg:g} degrees"
    place = "" if level else f", {there}"
    ground = f"{found.ground_lateral_g:.2f}{off_text(found.ground_lateral_u95_g)} g lateral on the ground"
    lines = [f"grip at tyre mu {found.tyre_mu:.3g} ±{found.mu_within:.2g}: {ground}{place}"]
    if not details:
        return [*lines, *_pulled(found, units)]
    for one in found.to_speed:
        own = _seconds(one.surface_s, one.surface_u95_s)
        there = "" if level else f", {own} at {angle_deg:g} degrees"
        ground = _seconds(one.ground_s, one.ground_u95_s)
        lines.append(f"  to {speed_name(one.speed_m_s)} {ground} on the ground{there}")
    lines[-1] += f" ({'all wheels' if found.driven == 'all' else found.driven + ' wheels'}, traction alone)"
    return [*lines, *_pulled(found, units), f"  {shifted_load(found, units)}"]


def _pulled(found: Grip, units: Display) -> list[str]:
    """What pulls of a balance put into the grip."""
    said = []
    if found.skirt_share is not None:
        said.append(f"the skirt carries {100 * found.skirt_share:.0f} % of the suction force")
    if found.drag_n is not None:
        said.append(f"{units.n_text(found.drag_n)} {units.force} of drag are taken off what drives it")
    return [f"  by the pulls: {', '.join(said)}"] if said else []


def _fans(result: Reduction) -> list[str]:
    fan, lines = result.fan, []
    if fan.seal_index is not None:
        index = fan.seal_index
        lines.append(
            f"seal index {index.median:.2f}{off_text(index.u95)} (median), {index.least:.2f} at least,"
            f" {index.last:.2f} at last; 1 is the reference"
        )
    if fan.leak_mm2 is not None:
        leak = f"{fan.leak_mm2:.3g}{off_text(fan.leak_u95_mm2, '.2g')} mm2"
        lines.append(f"the seal leaks as a sharp-edged hole of {leak}")
    lags = [
        f"{s:.2f} s {way}" for s, way in ((fan.lag.up_s, "up"), (fan.lag.down_s, "down")) if s is not None
    ]
    if lags:
        steps = f"{fan.lag.steps} step{'s' if fan.lag.steps > 1 else ''}"
        lines.append(f"the fans need {', '.join(lags)} for 63 % of a step of throttle ({steps})")
    return lines


def _judged(result: Reduction, units: Display) -> list[str]:
    found = result.holding
    if isinstance(found, str):
        return []
    lines = [
        f"while it should hold, {found.counted_s:.1f} s up to {found.until_s:.2f} s",
        f"{'':{_wide(units)}}{'needed':>9}{'median margin':>15}{'least':>9}{'below, s':>10}",
    ]
    needed_n = {f"{name} axle": axle.required_n for name, axle in result.axles.items()}
    needed_n["whole car"] = result.hold.required_n
    lines += [
        f"{f'{part.who}, {units.force}':{_wide(units)}}{units.n_text(needed_n[part.who], '9')}"
        f"{units.n_text(part.median_n, '+z15')}{units.n_text(part.least_n, '+z9')}{part.below_s:10.2f}"
        for part in found.parts
    ]
    return [*lines, ""]


def _whole(result: Reduction, units: Display) -> list[str]:
    series = result.series
    lines = [
        "over the whole log, fans at rest too",
        f"{'':{_wide(units)}}{'mean':>9}{'5 %':>9}{'median':>9}{'95 %':>9}{'max':>9}{_WITHIN:>9}",
    ]
    pressure = (units.pressure, units.pressure_pa, units.places[0])
    force = (units.force, units.force_n, units.places[1])
    for name, spread, (unit, per, digits) in (
        ("suction", result.suction_pa, pressure),
        ("downforce", result.downforce_n, force),
        ("front axle", _spread(series.front_n, result.axles["front"].u95_n), force),
        ("rear axle", _spread(series.rear_n, result.axles["rear"].u95_n), force),
    ):
        values = (spread.mean, spread.p05, spread.median, spread.p95, spread.max)
        lines.append(
            f"{f'{name}, {unit}':{_wide(units)}}"
            + "".join(f"{v / per:z9.{digits}f}" for v in values)
            + _off(spread.u95, per, digits + 1)
        )
    lines.append(_centre(result, units))
    halves = [
        f"{name} {units.n_text(side.downforce_n)}"
        f"{_within(side.u95_n, units.force_n, units.places[1])} {units.force}"
        for name, side in result.sides.items()
        if side.downforce_n is not None
    ]
    unmeasured = "not measured, no taps on both sides of the middle line"
    lines.append(f"halves of the floor: {', '.join(halves) or unmeasured}")
    mean = f"mean, {units.pressure}"
    head = f"{mean:>9}{'median':>9}{'max':>9}{'saturated, s':>14}{'missing, s':>12}"
    lines += ["", f"{'tap':{_wide(units) + 9 - max(9, len(mean))}}{head}"]
    for name, tap in result.taps.items():
        values3 = "".join(
            f"{'-':>9}" if v is None else units.pa_text(v, "z9") for v in (tap.mean, tap.median, tap.max)
        )
        lines.append(f"{_safe(name):{_wide(units)}}{values3}{tap.saturated_s:14.2f}{tap.missing_s:12.2f}")
    if result.cover.extrapolated > 0:
        outside = f"{result.cover.extrapolated:.0%} of the floor lies outside the taps' hull"
        lines.append(f"spread over the floor by {result.cover.load}; {outside}")
    return lines


def _spread(values: Any, u95: float | None) -> Spread:
    return Spread.of(values[np.isfinite(values)], u95)


def _centre(result: Reduction, units: Display) -> str:
    centre, force = result.centre_mm, result.downforce_n
    if force.mean <= (force.u95 or 0.0):
        return "centre of the force: unknown, there was hardly any"
    along, across = "along the car not measured", "across it not measured"
    if centre.x is not None:
        x_off = _within(centre.x_u95, units.length_mm, units.places[2])
        along = f"{units.mm_text(centre.x)}{x_off} {units.length} behind the front axle"
    if centre.y is not None:
        side = "to the right" if centre.y > 0 else "to the left"
        where = side if round(centre.y) else "off the middle line"
        y_off = _within(centre.y_u95, units.length_mm, units.places[2])
        across = f"{units.mm_text(abs(centre.y))}{y_off} {units.length} {where}"
    bare = "" if centre.x is not None and centre.y is not None else " (no two taps span it)"
    return f"centre of the force: {along}, {across}{bare}"


def _events(result: Reduction) -> list[str]:
    events, gaps = told_events(result), [wrapped(said)] if (said := gap_words(result)) else []
    if not events:
        return ["no event found", *gaps]
    long = result.duration_s >= LONG_RUN_S
    heads = ("event", "onset, s", "min:s", "first tap", "drop", "fall, ms", "end, s", "warning, s")
    # of many events the cuts, which the driver made, are one line
    folded = "throttle-cut" if len(events) > MOST_SINGLY else None
    cuts, others = ([e for e in events if (e.kind == folded) == cut] for cut in (True, False))
    shown = others[:_MOST_EVENTS]
    lines = [_event_line(heads, long)] if shown else []
    for event in shown:
        drop = "-" if event.drop is None else f"{event.drop:.0%}"
        fall = "-" if event.fall_s is None else f"{event.fall_s * 1e3:.0f}"
        end = "-" if event.end_s is None else f"{event.end_s:.2f}"
        warning = warning_words(result, event).removesuffix(" s") if event.kind in LOSS_KINDS else "-"
        onset, first = f"{event.onset_s:.3f}", _safe(first_words(event) or "-")
        cells = event.kind, onset, clock_text(round(event.onset_s, 3)), first, drop, fall, end, warning
        lines.append(_event_line(cells, long))
    told = {warning_words(result, event) for event in shown if event.kind in LOSS_KINDS}
    lines += [f"{short}: {why}, no warning time is known" for short, why in UNTOLD.items() if short in told]
    times: dict[str, list[str]] = {}  # of events of which the same is said
    for event in shown:
        apart = order_words(event) if event.first_tap is None and event.order_ms else ""
        between = onset_words(event) if event.onset_between_s else ""
        if said := "; ".join(text for text in (between, length_words(event), apart) if text):
            times.setdefault(said, []).append(f"{event.onset_s:.3f}")
    for said, at in times.items():
        more = f" s and {len(at) - 1} times more" if len(at) > 1 else " s"
        lines.append(wrapped(f"at {at[0]}{more}: {escaped(said, _MOST_SAID)}", "  "))
    if len(others) > len(shown):
        lines.append(f"... and {len(others) - len(shown)} more (--json lists all)")
    if cuts:
        first, last = moment_text(cuts[0].onset_s), moment_text(cuts[-1].onset_s)
        span = f", the first at {first}, the last at {last}" if len(cuts) > 1 else f" at {first}"
        lines.append(wrapped(f"throttle cuts: {len(cuts)}{span} (--json lists all)", "  "))
    return lines + gaps


def _event_line(cells: Sequence[str], long: bool) -> str:
    """A line of the table of events, 80 columns wide; of a long run with minutes and seconds."""
    kind, onset, clock, first, *others = cells
    widths = (5, 9, 9, 13) if long else (6, 10, 10, 14)
    rest = "".join(f"{cell:>{width}}" for cell, width in zip(others, widths, strict=True))
    if long:
        return f"{kind:13}{onset:>9}{clock:>8}  {first:12}{rest}"
    return f"{kind:14}{onset:>10}  {first:14}{rest}"


def _wide(units: Display) -> int:
    """Columns for what a line is of, with its unit."""
    return 16 if units is SI else 20


def _off(u95: float | None, per: float, digits: int) -> str:
    return f"{'-':>9}" if u95 is None else f"{u95 / per:9.{digits}f}"


def _within(u95: float | None, per: float, digits: int) -> str:
    return "" if u95 is None else f" ±{u95 / per:.{digits}f}"


def _seconds(value: float | None, u95: float | None = None) -> str:
    return "never" if value is None else f"{value:.2f}{off_text(u95)} s"


def _safe(text: str) -> str:
    """A foreign name on one line of a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)[:40]
