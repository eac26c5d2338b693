"""One run as its page shows it: every word, figure and picture, ready to be laid out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import work_rows
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import (
    LONG_RUN_S,
    SI,
    Display,
    clock_text,
    moment_text,
    number,
    off_text,
    span_of,
    speed_name,
)
from undertray.report.eventgroups import MOST_SINGLY, EventGroup, event_groups
from undertray.report.moments import (
    MOST_ROWS,
    CloseUp,
    close_up_spans,
    gravest,
    in_event,
    least_moment,
    quiet_part,
    steady_pictures,
)
from undertray.report.picture import Picture
from undertray.report.pullpicture import drag_picture
from undertray.report.timeline import timeline, touch_numbers
from undertray.report.verdict import Verdict, judge, tone_of, with_window, within_words
from undertray.report.windowpicture import window_picture
from undertray.report.words import (
    WITHOUT_THROTTLE,
    data_gaps,
    dip_rows,
    dip_words,
    felt_lines,
    first_words,
    gap_words,
    onset_words,
    shifted_load,
    told_events,
)

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.predict.drivable import Windows
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.grip import Grip
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = [
    "Grid",
    "Sheet",
    "calibration_age_days",
    "grip_rows",
    "key_figures",
    "make_sheet",
    "quality_rows",
    "steady_rows",
]


_MOST_FACTS = 40
_FACT_LENGTH = 200


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: heads, and rows whose first cell is their name."""

    heads: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything the page says of one run, as plain text and pictures."""

    run: str
    verdict: Verdict
    tone: str
    sign: str
    number: tuple[str, str]
    figures: list[tuple[str, str, str]]
    notices: tuple[str, ...]
    when: str
    skirt: str
    timeline: Picture
    touch: dict[str, Any] | None
    least: CloseUp | None
    events: Grid
    every_event: Grid
    events_found: int
    gaps: str
    timed: bool
    untold: tuple[tuple[str, str], ...]
    events_left: tuple[str, ...]
    dips_said: tuple[str, ...]
    dips: Grid
    close_ups: list[CloseUp]
    steady_part: Grid
    grip: Grid
    load_shift: str
    felt: tuple[str, ...]
    steady: list[Picture]
    axles: Grid
    taps: Grid
    quality: Grid
    facts: list[tuple[str, str]]
    beside: Picture | None = None

    @property
    def parts(self) -> tuple[tuple[str, str], ...]:
        """What the page can jump to: name and title of each part, from the top."""
        least = [("least", "Least margin")] if self.least else []
        events = [("events", f"Events ({self.events_found})")]
        return (
            ("time", "Over time"),
            *(events + least if self.lost else least + events),
            ("dips", "Dips"),
            ("steady", "Steady state"),
            *([("motion", "Motion")] if self.felt else []),
            ("axles", "Axles and taps"),
            ("quality", "Recording"),
            ("facts", "What was run"),
        )

    @property
    def lost(self) -> bool:
        """Whether a loss is enlarged: it comes first then, and the least margin after it."""
        return any(event.gravest for event in self.close_ups)

    def pictures(self) -> Iterator[Picture]:
        """All pictures of the sheet."""
        yield self.timeline
        if self.beside is not None:
            yield self.beside
        for event in (*([self.least] if self.least else []), *self.close_ups):
            yield from event.pictures
        yield from self.steady


def make_sheet(
    reduction: Reduction,
    car: Car,
    run: Run | None = None,
    calibration: Calibration | None = None,
    units: Display = SI,
    reference: FanReference | None = None,
    windows: Windows | None = None,
) -> Sheet:
    """Prepare everything a page says of one run."""
    verdict = judge(reduction, units)
    if windows is not None:
        verdict = with_window(verdict, reduction, windows, units)
    tone, sign = tone_of(verdict.word)
    quiet, marks_s = quiet_part(reduction), _marks_s(run)
    close_ups, left = gravest(reduction, car, units, quiet)
    told = told_events(reduction)
    events = [_event_row(reduction, place, event, units) for place, event in enumerate(told[:MOST_ROWS])]
    groups = event_groups(reduction) if len(told) > MOST_SINGLY else []
    facts = run.facts if run is not None else {}
    return Sheet(
        run=reduction.run,
        verdict=verdict,
        tone=tone,
        sign=sign,
        number=_number(reduction, verdict, units),
        figures=key_figures(reduction, verdict, units),
        notices=tuple(map(units.told, reduction.notices)),
        when=_date(_short_fact(facts.get("started_utc"))),
        skirt=_short_fact(facts.get("skirt")),
        timeline=timeline(reduction, units, marks_s),
        touch=touch_numbers(reduction, car, units, close_up_spans(reduction), marks_s)
        if len(reduction.series.t_s) > 1
        else None,
        least=least_moment(reduction, car, units, quiet),
        events=Grid(_EVENT_HEADS, [_group_row(reduction, group, units) for group in groups] or events),
        every_event=Grid(_EVENT_HEADS, events if groups else []),
        events_found=len(told),
        gaps=gap_words(reduction),
        timed=any(row[7] for row in events),
        untold=tuple((short, why) for short, why in UNTOLD.items() if any(row[6] == short for row in events)),
        events_left=left,
        dips_said=tuple(dip_words(reduction, units)),
        dips=Grid(*dip_rows(reduction, units)),
        close_ups=close_ups,
        steady_part=Grid(_steady_heads(reduction), steady_rows(reduction, units)),
        grip=Grid(*grip_rows(reduction.grip, reduction.hold.surface_angle, units)),
        load_shift="" if reduction.grip is None else shifted_load(reduction.grip, units),
        felt=tuple(line.strip() for line in felt_lines(reduction)),
        steady=[*steady_pictures(reduction, car, units, quiet, reference), *_of_pulls(windows, units)],
        axles=_axles(reduction, units),
        taps=_taps(reduction, units),
        quality=Grid(
            ("What", "Found", "How to read it"), quality_rows(reduction, run, car, calibration, units)
        ),
        facts=[("Car file", car.name), *_facts(facts)],
    )


def _marks_s(run: Run | None) -> tuple[float, ...]:
    """When the driver marked moments, s."""
    if run is None or not any(note.kind == "mark" for note in run.notes):
        return ()
    from undertray.acquire.clock import board_time
    from undertray.acquire.inspection import marks

    return marks(run, board_time(run))


def _of_pulls(windows: Windows | None, units: Display) -> Iterator[Picture]:
    if windows is not None and windows.drag is not None:
        yield drag_picture(windows.drag, (), units)
        yield window_picture(windows.all_angles(), windows.places, units, windows.reference)


def _steady_heads(reduction: Reduction) -> tuple[str, ...]:
    found, when = reduction.steady, "Throttle up and still"
    if found is not None:
        known = found.throttle_us is not None
        when = f"{when} at {found.throttle_us:.0f} µs" if known else WITHOUT_THROTTLE.capitalize()
        when += f", {found.seconds:.1f} s" + (" (the weakest)" if found.others else "")
    return (when, "Mean", "Uncertain by", "Needed", "Margin")


def _event_row(reduction: Reduction, place: int, event: Loss, units: Display) -> tuple[str, ...]:
    loss = event.kind in LOSS_KINDS
    if event.from_pa is None or event.to_pa is None:
        change = ""
    else:
        change = f"{units.pa(event.from_pa)} to {units.pa(event.to_pa)}"
    return (
        f"{place + 1} {event.kind}{', brief' if event.brief else ''}",
        onset_words(event),
        first_words(event),
        change,
        "" if event.drop is None else f"{event.drop:.0%}",
        "" if event.fall_s is None else f"{event.fall_s * 1000:.0f} ms",
        warning_words(reduction, event) if loss else "",
        "" if event.below_hold_s is None or not loss else f"{event.below_hold_s:.2f} s",
        f"{event.confidence:.0%}",
    )


_EVENT_HEADS = (
    "Event",
    "Onset",
    "First tap",
    "From, to",
    "Lost",
    "Fall",
    "Warning",
    "Below its need",
    "Sure",
)


def _group_row(reduction: Reduction, group: EventGroup, units: Display) -> tuple[str, ...]:
    """Events that are alike in one row: what differs from the least to the greatest."""
    told = told_events(reduction)
    if len(group.places) == 1:
        return _event_row(reduction, group.example, told[group.example], units)
    events = [told[place] for place in group.places]
    kind, loss = events[0].kind, events[0].kind in LOSS_KINDS
    below_s = sum(event.below_hold_s or 0.0 for event in events)
    from_pa, to_pa = ([getattr(event, name) for event in events] for name in ("from_pa", "to_pa"))
    warned = warning_words(reduction, events[0]) if loss else ""
    if loss and warned not in (*UNTOLD, "none"):
        warned = _span([event.warning_s for event in events], lambda ahead_s: f"{ahead_s:.2f} s")
    return (
        f"{len(events)} × {kind}{', brief' if events[0].brief else ''}",
        _from_to(events[0].onset_s, events[-1].onset_s),
        first_words(events[0]) if loss else "",
        f"{_span(from_pa, units.pa)} to {_span(to_pa, units.pa)}" if any(from_pa) else "",
        _span([event.drop for event in events], lambda drop: f"{drop:.0%}"),
        _span([event.fall_s for event in events], lambda fall_s: f"{fall_s * 1000:.0f} ms"),
        warned,
        f"{below_s:.2f} s in all" if loss and below_s else "",
        _span([event.confidence for event in events], lambda sure: f"{sure:.0%}"),
    )


def _span(values: Sequence[float | None], show: Callable[[float], str]) -> str:
    """Some values from the least to the greatest; one alone where they look the same."""
    known = [value for value in values if value is not None]
    low, high = (show(min(known)), show(max(known))) if known else ("", "")
    return span_of(low, high, "\u2013")  # "to" is said of a change


def _from_to(first_s: float, last_s: float) -> str:
    """From the first to the last, in minutes and seconds where they are long."""
    if last_s < LONG_RUN_S:
        return f"{first_s:.2f} s to {last_s:.2f} s"
    return f"{clock_text(round(first_s, 2))} to {clock_text(round(last_s, 2))}"


def _axles(reduction: Reduction, units: Display) -> Grid:
    heads = (
        "Axle",
        "Mean load, whole log",
        "Uncertain by",
        "Needed",
        "Margin, median",
        "Margin, least",
        "Below its need",
    )
    judged = reduction.holding
    parts = {} if isinstance(judged, str) else {part.who.removesuffix(" axle"): part for part in judged.parts}
    rows = [
        (
            name,
            units.n(axle.downforce_n),
            "unknown" if axle.u95_n is None else f"±{units.n(axle.u95_n)}",
            units.n(axle.required_n),
            *(
                (
                    units.n(part.median_n, signed=True),
                    units.n(part.least_n, signed=True),
                    f"{part.below_s:.2f} s",
                )
                if (part := parts.get(name))
                else ("", "", "")
            ),
        )
        for name, axle in reduction.axles.items()
    ]
    return Grid(heads, rows)


def _taps(reduction: Reduction, units: Display) -> Grid:
    heads = ("Tap", "Mean", "Median", "Greatest", "Off scale", "Missing")
    rows = [
        (
            name,
            units.pa(tap.mean),
            units.pa(tap.median),
            units.pa(tap.max),
            f"{tap.saturated_s:.2f} s",
            f"{tap.missing_s:.2f} s",
        )
        for name, tap in reduction.taps.items()
    ]
    return Grid(heads, rows)


def _number(reduction: Reduction, verdict: Verdict, units: Display) -> tuple[str, str]:
    """The one number that comes first, and what it is of."""
    if verdict.at_s is None:
        return ("", "")
    within, where = within_words(verdict.least_u95_n, units), in_event(reduction, verdict.at_s)
    said = f"least margin, {verdict.axle}, at {moment_text(verdict.at_s)}{where}, {within}"
    return (units.n(verdict.least_margin_n, signed=True), said)


def _date(text: str) -> str:
    """A time of a log to the minute; as it stands where it is none."""
    try:
        time = datetime.fromisoformat(text)
        return f"{(time if time.tzinfo else time.replace(tzinfo=UTC)).astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    except (ValueError, OverflowError):
        return text


def _short_fact(value: Any) -> str:
    return value[:_FACT_LENGTH] if isinstance(value, str) else ""


def _facts(facts: Mapping[str, Any], before: str = "", inner: bool = False) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for name, value in facts.items():
        if isinstance(value, Mapping) and not inner:
            # what the person noted needs no word for where it is kept
            found += _facts(value, "" if name == "notes" else f"{name}: ", inner=True)
        elif value is not None and len(found) < _MOST_FACTS:
            text = (
                value if isinstance(value, str) else number(value) if isinstance(value, float) else str(value)
            )
            began = name == "started_utc" and not inner
            shown = ("started", _date(text)) if began else (f"{before}{name}", text)
            found.append((shown[0][:_FACT_LENGTH], shown[1][:_FACT_LENGTH]))
    return found[:_MOST_FACTS]


# The figures a page begins with, and the run's steady part and its grip as tables.

Figure = tuple[str, str, str]
Row = tuple[str, ...]


def key_figures(reduction: Reduction, verdict: Verdict, units: Display) -> list[Figure]:
    """Choose the headline numbers of a run."""
    return [
        *_below(verdict),
        *_force_figures(reduction, units),
        *_loss_figures(reduction),
        *_grip_figures(reduction.grip, reduction.hold.surface_angle),
        _centre(reduction, units),
    ]


def steady_rows(reduction: Reduction, units: Display) -> list[Row]:
    """Tell what the run was like with the throttle up and still and nothing happening."""
    found = reduction.steady
    if found is None:
        return []
    rows: list[Row] = [
        ("Suction", units.pa(found.suction_pa.mean), _within(found.suction_pa.u95, units.pa), "", "")
    ]
    for name, load, margin in (
        ("Downforce", found.downforce_n, found.margin_n),
        ("Front axle", found.front_n, found.front_margin_n),
        ("Rear axle", found.rear_n, found.rear_margin_n),
    ):
        needed = units.n(load.mean - margin.mean)
        spare = units.n(margin.mean, signed=True)
        rows.append((name, units.n(load.mean), _within(load.u95, units.n), needed, spare))
    for other in found.others:
        margin_n = min(other.front_margin_n, other.rear_margin_n)
        which = "front" if margin_n == other.front_margin_n else "rear"
        rows.append(
            (
                f"At {other.throttle_us:.0f} µs, {other.seconds:.1f} s",
                f"{units.pa(other.suction_pa)}, {units.n(other.downforce_n)}",
                "",
                "",
                f"{units.n(margin_n, signed=True)} ({which} axle)",
            )
        )
    return rows


def grip_rows(found: Grip | None, angle_deg: float, units: Display = SI) -> tuple[Row, list[Row]]:
    """Tell what grip the suction buys."""
    if found is None:
        return (), []
    wheels = "all wheels" if found.driven == "all" else f"{found.driven} wheels"
    rows: list[Row] = [
        (
            "Lateral",
            f"{found.ground_lateral_g:.2f}{off_text(found.ground_lateral_u95_g)} g",
            f"{found.surface_lateral_g:.2f}{off_text(found.surface_lateral_u95_g)} g",
        ),
        *(
            (
                f"0 to {speed_name(one.speed_m_s)}, {wheels}",
                _seconds(one.ground_s, one.ground_u95_s),
                _seconds(one.surface_s, one.surface_u95_s),
            )
            for one in found.to_speed
        ),
    ]
    if found.skirt_share is not None:
        rows.append(("Suction that the skirt carries", *(f"{100 * found.skirt_share:.0f} %",) * 2))
    if found.drag_n is not None:
        rows.append(("Drag, taken off what drives", *(f"{units.n_text(found.drag_n)} {units.force}",) * 2))
    heads: Row = (
        f"At tyre mu {found.tyre_mu:.3g} ±{found.mu_within:.2g}",
        "On the ground",
        f"At {angle_deg:g}°",
    )
    level = 2 if angle_deg == 0 else 3
    return heads[:level], [row[:level] for row in rows]


def _below(verdict: Verdict) -> list[Figure]:
    """For how long it had no margin; the margin itself stands in the verdict."""
    if verdict.at_s is None:
        return []
    return [("Below its need", f"{verdict.below_s:.2f} s", f"of {verdict.held_s:.1f} s {verdict.since}")]


def _centre(reduction: Reduction, units: Display) -> Figure:
    """Where the force acts: while steady; over the whole log where it never was, and then it says so."""
    found, centre = reduction.steady, reduction.centre_mm
    if found is not None:
        x, y = found.centre_x_mm, found.centre_y_mm
        if found.downforce_n.mean <= 0:
            return ("Steady centre of force", "unknown", "hardly any suction")
        along_mm, across_mm, off_mm = x.mean if x else None, y.mean if y else None, y.u95 if y else None
        return ("Steady centre of force", *_where(along_mm, across_mm, off_mm, units))
    if reduction.downforce_n.mean <= 0 or _lost_in(reduction):
        return ("Centre of force, whole log", "unknown", "hardly any suction")
    return ("Centre of force, whole log", *_where(centre.x, centre.y, centre.y_u95, units))


def _force_figures(reduction: Reduction, units: Display) -> list[Figure]:
    """Downforce and suction: while steady, with what they are uncertain by; else their medians."""
    hold, found = reduction.hold, reduction.steady
    needed = f"needed {units.n(hold.required_n)} at {hold.surface_angle:g}°"
    if found is not None:
        axle, margin = min(
            (("front axle", found.front_margin_n), ("rear axle", found.rear_margin_n)),
            key=lambda pair: pair[1].mean,
        )
        weakest = f", weakest of {found.throttles} throttles" if found.others else ""
        return [
            (
                "Steady margin",
                units.n(margin.mean, signed=True),
                f"{_within(margin.u95, units.n)}, {axle}{weakest}",
            ),
            (
                "Steady downforce",
                units.n(found.downforce_n.mean),
                f"{_within(found.downforce_n.u95, units.n)}, {needed}{weakest}",
            ),
            (
                "Steady suction",
                units.pa(found.suction_pa.mean),
                f"{_within(found.suction_pa.u95, units.pa)}, mean of the taps{weakest}",
            ),
        ]
    series = reduction.series
    work = work_rows(series.throttle_us)
    rows = np.isfinite(series.front_n) if work is None else work & np.isfinite(series.front_n)
    when = "whole run" if work is None else "fans up"
    return [
        (f"Downforce, {when}", units.n(_median(series.downforce_n, rows)), f"median; {needed}"),
        (f"Suction, {when}", units.pa(_median(series.mean_suction_pa, rows)), "median over the floor"),
    ]


def _loss_figures(reduction: Reduction) -> list[Figure]:
    losses = [event for event in reduction.events if event.kind in LOSS_KINDS]
    if not losses:
        return [("Losses of the seal", "0", "seal losses and slow leaks")]
    first = losses[0]
    told = warning_words(reduction, first)
    kind = f"{'brief ' if first.brief else ''}{first.kind}"
    which = "before the first loss" if len(losses) > 1 else "before it"
    value, note = ("undefined", UNTOLD[told]) if told in UNTOLD else (told, which)
    tap = f"{first.first_tap} first" if first.first_tap else first_words(first) or "no single tap first"
    return [
        ("Losses of the seal", str(len(losses)), f"{kind} at {first.onset_s:.2f} s, {tap}"),
        ("Warning", value, note),
    ]


def _grip_figures(found: Grip | None, angle_deg: float) -> list[Figure]:
    if found is None:
        return []
    ground = f"{found.ground_lateral_g:.2f}{off_text(found.ground_lateral_u95_g)} g"
    said = f"at tyre mu {found.tyre_mu:.3g} ±{found.mu_within:.2g}"
    if angle_deg == 0:
        return [("Lateral grip", ground, said)]
    return [
        (
            "Lateral grip",
            f"{found.surface_lateral_g:.2f}{off_text(found.surface_lateral_u95_g)} g",
            f"at {angle_deg:g}°, {ground} on the ground; {said}",
        )
    ]


def _lost_in(reduction: Reduction) -> bool:
    """Whether the mean force is within its own uncertainty: it then acts nowhere."""
    return abs(reduction.downforce_n.mean) <= (reduction.downforce_n.u95 or 0.0)


def _where(x_mm: float | None, y_mm: float | None, y_u95_mm: float | None, units: Display) -> tuple[str, str]:
    """Where it acts along and across the car; a direction that no two taps span is not measured."""
    behind = "along the car; " if x_mm is None else "behind the front axle, "
    if y_mm is None:
        beside = "across the car not measured"
    elif abs(y_mm) <= max(y_u95_mm or 0.0, 0.5):
        beside = "on the middle line"
    else:
        beside = f"{units.mm(abs(y_mm))} to the {'right' if y_mm > 0 else 'left'}"
    return ("not measured" if x_mm is None else units.mm(x_mm)), behind + beside


def _within(u95: float | None, shown: Any) -> str:
    return "uncertainty unknown" if u95 is None else f"±{shown(u95)}"


def _seconds(value: float | None, u95: float | None) -> str:
    return "never" if value is None else f"{value:.2f}{off_text(u95)} s"


def _median(values: Any, rows: Any) -> float | None:
    return float(np.median(values[rows])) if rows.any() else None


# What the recording itself was worth: losses on the way, calibration, drift of the zeros.


def quality_rows(
    reduction: Reduction, run: Run | None, car: Car, calibration: Calibration | None, units: Display
) -> list[Row]:
    """Tell what the recording was worth."""
    rows: list[Row] = [
        (
            "Length and rate",
            f"{reduction.duration_s:.2f} s, {reduction.rate_hz:.1f} rows a second, {reduction.rows} rows",
            "measured, not declared",
        ),
        ("Rows lost on the way", str(reduction.lost_rows), "0 is usual over a cable; gaps are never bridged"),
        ("Lines that failed their check", str(reduction.bad_lines), "left out, and kept in the log"),
        ("Times without rows", str(len(data_gaps(reduction))), "each is an event named data-gap"),
        *_calibrated_rows(run, calibration, units),
    ]
    rows.append(_drift(reduction, units))
    u95_n = reduction.downforce_n.u95
    rows.append(
        (
            "Uncertainty of the whole log's mean downforce",
            "unknown" if u95_n is None else f"±{units.n(u95_n)}",
            _largest(reduction),
        )
    )
    rows += _board(run)
    rows += _tubes(reduction, car, units)
    return rows


def _largest(reduction: Reduction) -> str:
    sources = reduction.doubt.sources_n
    said = "half width of the 95 % interval"
    if not any(sources.values()):
        return said
    return f"{said}; largest source: {max(sources, key=lambda name: sources[name])}"


def _drift(reduction: Reduction, units: Display) -> Row:
    drift = {name: pa for name, pa in (reduction.rest.drift_pa or {}).items() if pa is not None}
    if not drift:
        return ("Zero drift over the run", "unknown", "needs fans at rest at both ends of the run")
    worst = max(drift, key=lambda name: abs(drift[name]))
    taken = {"zero": "; the zero before was taken off", "linear": "; taken off"}.get(reduction.rest.tare, "")
    return (
        "Zero drift over the run",
        f"{units.pa(drift[worst])} at worst ({worst})",
        f"between the rests at both ends; a few pascals are usual{taken}",
    )


def _tubes(reduction: Reduction, car: Car, units: Display) -> list[Row]:
    """What each size of tube can show."""
    if not reduction.tubes:
        return [
            (
                "Tubes",
                "not given",
                "tube_length and tube_bore in the car file; long tubes ring, see the build guide",
            )
        ]
    rows: list[Row] = []
    for tube in dict.fromkeys(reduction.tubes.values()):
        names = [name for name, own in reduction.tubes.items() if own == tube]
        which = "all taps" if len(names) == len(car.taps) else ", ".join(names)
        swing = "" if tube.peak_hz is None else f", rings at {tube.peak_hz:.0f} Hz"
        rows.append(
            (
                "Tubes",
                f"{units.mm(tube.length_mm)}, bore {units.mm(tube.bore_mm)} ({which})",
                f"true within 5 % up to {tube.trust_hz:.0f} Hz{swing}, late by {tube.delay_s * 1e3:.1f} ms",
            )
        )
    return rows


def calibration_age_days(facts: Mapping[str, Any], made_utc: str) -> float | None:
    """How old a calibration was when a run was recorded."""
    times = []
    for text in (facts.get("started_utc"), made_utc):
        try:
            time = datetime.fromisoformat(text if isinstance(text, str) else "")
        except ValueError:
            return None
        times.append(time if time.tzinfo else time.replace(tzinfo=UTC))
    return (times[0] - times[1]).total_seconds() / 86400


def _calibrated_rows(run: Run | None, calibration: Calibration | None, units: Display) -> list[Row]:
    if calibration is None:
        return [
            ("Calibration", "none", "the sensors' own scale was used: good to a few per cent of their range")
        ]
    age = calibration_age_days(run.facts, calibration.made_utc) if run is not None else None
    if age is None:
        old = "age unknown"
    elif age < 0:
        old = f"{_age(-age)} after the run"
    else:
        old = f"{_age(age)} old at the start of the run"
    residual_pa = max((c.residual_sd_pa for c in calibration.columns.values()), default=float("nan"))
    return [
        (
            "Calibration",
            f"made {_date(calibration.made_utc)}, {old}",
            "repeat it after a crash and each season",
        ),
        ("Scatter about the calibration line", units.pa(residual_pa), "the worst column"),
    ]


def _age(days: float) -> str:
    """How long ago, as it is spoken of."""
    count, unit = (24 * days, "hour") if days < 2 else (days, "day")
    return f"{count:.0f} {unit}{'' if round(count) == 1 else 's'}"


def _board(run: Run | None) -> list[Row]:
    if run is None:
        return []
    rows: list[Row] = []
    last = next((note.data for note in reversed(run.notes) if note.kind == "status"), {})
    skipped, errors = last.get("skipped"), last.get("read_errors")
    if isinstance(skipped, int):
        rows.append(("Slots the board skipped", str(skipped), "since its power-up"))
    if isinstance(errors, list) and all(isinstance(e, int) for e in errors):
        rows.append(
            ("Failed sensor reads", ", ".join(map(str, errors[:16])), "by column, since its power-up")
        )
    temperatures = [
        [v for v in note.data["temperature_c"] if isinstance(v, int | float)]
        for note in run.notes
        if note.kind == "status" and isinstance(note.data.get("temperature_c"), list)
    ]
    flat = [v for values in temperatures for v in values]
    if flat:
        rows.append(
            ("Temperature of the sensors", f"{min(flat):.1f} to {max(flat):.1f} °C", "zeros move with it")
        )
    packs = [n.data["pack_mv"] for n in run.notes if n.kind == "status" and _is_number(n.data.get("pack_mv"))]
    if packs:
        rows.append(
            ("Pack voltage", f"{max(packs) / 1000:.2f} to {min(packs) / 1000:.2f} V", "suction goes with it")
        )
    faults = sum(note.kind == "fault" for note in run.notes)
    rows.append(("Faults the board reported", str(faults), "sensor notes, at most one a second and column"))
    return rows


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
