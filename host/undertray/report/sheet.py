"""One run as the page shows it: every word and picture, ready to be laid out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.dipledger import dip_rows, dip_words
from undertray.report.display import SI, Display, number
from undertray.report.dragpicture import drag_picture
from undertray.report.fallwords import first_words, onset_words
from undertray.report.keyfigures import grip_rows, key_figures, steady_rows
from undertray.report.locked import with_window
from undertray.report.moments import MOST_ROWS, CloseUp, gravest, steady_pictures
from undertray.report.picture import Picture
from undertray.report.quality import quality_rows
from undertray.report.timeline import timeline
from undertray.report.verdict import Verdict, judge
from undertray.report.windowpicture import window_picture
from undertray.report.words import WITHOUT_THROTTLE, shifted_load

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.certificate import Calibration
    from undertray.predict.windows import Windows
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction

__all__ = ["Grid", "Sheet", "make_sheet"]

_MOST_FACTS = 40
_FACT_LENGTH = 200
_SIGNS = {True: ("good", "✓"), False: ("bad", "✗"), None: ("unsure", "?")}


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: heads, and rows whose first cell is their name."""

    heads: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything the page says of one run, as plain text and pictures.

    Attributes
    ----------
    run : str
        Name of the run.
    verdict : Verdict
        The answer.
    tone, sign : str
        ``good``, ``bad`` or ``unsure``, and the sign that goes with it.
    figures : list of (str, str, str)
        Headline numbers: name, value, note.
    notices : tuple of str
        What a reader has to know first.
    timeline : Picture
        The run over time.
    event_heads, events : tuple of str, list of tuple of str
        Table of events.
    timed : bool
        Whether a loss is among them, with its time below the need.
    untold : tuple of (str, str)
        What stands there in place of a warning, and why.
    events_left : str
        What was left out of it or not enlarged; empty if nothing.
    dips_said : tuple of str
        What is to be said of the dips.
    dips : Grid
        Those that left an axle short or are told elsewhere as well; without rows where there are none.
    close_ups : list of CloseUp
        The gravest events.
    steady_part, grip : Grid
        The run with the throttle up and still, and what grip that buys; without rows where unknown.
    load_shift : str
        What load braking moves from one axle to the other; empty without a grip.
    steady : list of Picture
        Map, fan picture, seal index.
    axles, taps, quality : Grid
        Tables.
    facts : list of (str, str)
        What the log says was run.
    """

    run: str
    verdict: Verdict
    tone: str
    sign: str
    figures: list[tuple[str, str, str]]
    notices: tuple[str, ...]
    timeline: Picture
    event_heads: tuple[str, ...]
    events: list[tuple[str, ...]]
    timed: bool
    untold: tuple[tuple[str, str], ...]
    events_left: str
    dips_said: tuple[str, ...]
    dips: Grid
    close_ups: list[CloseUp]
    steady_part: Grid
    grip: Grid
    load_shift: str
    steady: list[Picture]
    axles: Grid
    taps: Grid
    quality: Grid
    facts: list[tuple[str, str]]

    def pictures(self) -> Iterator[Picture]:
        """All pictures of the sheet.

        Yields
        ------
        Picture
            In the order of the page.
        """
        yield self.timeline
        for event in self.close_ups:
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
    """Prepare everything a page says of one run.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    car : Car
        The car it was reduced with.
    run : Run or None
        Its log, for facts and the board's own notes.
    calibration : Calibration or None
        The one that was used.
    units : Display
        Units of the numbers.
    reference : FanReference or None
        What the reference skirt gives at a throttle, where that is known.
    windows : Windows or None
        The drivable windows of the car, where it was pulled.

    Returns
    -------
    Sheet
    """
    verdict = judge(reduction, units)
    if windows is not None:
        verdict = with_window(verdict, reduction, windows, units)
    unsure = verdict.word in ("held, but not surely", "cannot be told")
    tone, sign = _SIGNS[None if unsure else verdict.good]
    close_ups, left = gravest(reduction, car, units)
    events = [_event_row(reduction, place, units) for place in range(min(len(reduction.events), MOST_ROWS))]
    return Sheet(
        run=reduction.run,
        verdict=verdict,
        tone=tone,
        sign=sign,
        figures=key_figures(reduction, verdict, units),
        notices=reduction.notices,
        timeline=timeline(reduction, units),
        event_heads=(
            "No.",
            "Kind",
            "Onset",
            "First tap",
            "From, to",
            "Lost",
            "Fall",
            "Warning",
            "Below its need",
            "Sure",
        ),
        events=events,
        timed=any(row[8] for row in events),
        untold=tuple((short, why) for short, why in UNTOLD.items() if any(row[7] == short for row in events)),
        events_left=left,
        dips_said=tuple(dip_words(reduction)),
        dips=Grid(*dip_rows(reduction, units)),
        close_ups=close_ups,
        steady_part=Grid(_steady_heads(reduction), steady_rows(reduction, units)),
        grip=Grid(*grip_rows(reduction.grip, reduction.hold.surface_angle)),
        load_shift="" if reduction.grip is None else shifted_load(reduction.grip, units),
        steady=[*steady_pictures(reduction, car, units, reference), *_of_pulls(windows, units)],
        axles=_axles(reduction, units),
        taps=_taps(reduction, units),
        quality=Grid(
            ("What", "Found", "How to read it"), quality_rows(reduction, run, car, calibration, units)
        ),
        facts=[("Car file", car.name), *(_facts(run.facts) if run is not None else [])],
    )


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


def _event_row(reduction: Reduction, place: int, units: Display) -> tuple[str, ...]:
    event = reduction.events[place]
    loss = event.kind in LOSS_KINDS
    if event.from_pa is None or event.to_pa is None:
        change = ""
    else:
        change = f"{units.pa(event.from_pa)}, {units.pa(event.to_pa)}"
    return (
        str(place + 1),
        f"{event.kind}, brief" if event.brief else event.kind,
        onset_words(event),
        first_words(event),
        change,
        "" if event.drop is None else f"{event.drop:.0%}",
        "" if event.fall_s is None else f"{event.fall_s * 1000:.0f} ms",
        warning_words(reduction, event) if loss else "",
        "" if event.below_hold_s is None or not loss else f"{event.below_hold_s:.2f} s",
        f"{event.confidence:.0%}",
    )


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


def _facts(facts: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for name, value in facts.items():
        if isinstance(value, Mapping) and not before:
            found += _facts(value, f"{name}: ")
        elif value is not None and len(found) < _MOST_FACTS:
            text = (
                value if isinstance(value, str) else number(value) if isinstance(value, float) else str(value)
            )
            found.append((f"{before}{name}"[:_FACT_LENGTH], text[:_FACT_LENGTH]))
    return found[:_MOST_FACTS]
