"""The page: one HTML file that needs nothing but itself."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray import __version__
from undertray.errors import ReductionError
from undertray.files import is_folder, write_whole
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import SI, Display, moment_text, number
from undertray.report.dragpicture import drag_picture
from undertray.report.fallwords import first_words, gap_words, onset_words, told_events
from undertray.report.keyfigures import grip_rows, key_figures, steady_rows
from undertray.report.locked import with_window
from undertray.report.moments import (
    MOST_ROWS,
    CloseUp,
    close_up_spans,
    gravest,
    least_moment,
    steady_pictures,
)
from undertray.report.picture import Picture
from undertray.report.quality import quality_rows
from undertray.report.style import THEME
from undertray.report.timeline import timeline, touch_numbers
from undertray.report.verdict import Verdict, judge
from undertray.report.windowpicture import window_picture
from undertray.report.words import CAUTIONS, WITHOUT_THROTTLE, dip_rows, dip_words, shifted_load

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.predict.drivable import Windows
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction
    from undertray.report.turnoverlist import Item

__all__ = [
    "Grid",
    "Sheet",
    "make_sheet",
    "render_comparison",
    "render_folder",
    "render_page",
    "render_turnover",
    "write_page",
]


# One run as the page shows it: every word and picture, ready to be laid out.

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
    gaps: str
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
    beside: Picture | None = None

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
    unsure = verdict.word in ("held, but not surely", "cannot be told")
    tone, sign = _SIGNS[None if unsure else verdict.good]
    close_ups, left = gravest(reduction, car, units)
    told = told_events(reduction)[:MOST_ROWS]
    events = [_event_row(reduction, place, event, units) for place, event in enumerate(told)]
    facts = run.facts if run is not None else {}
    return Sheet(
        run=reduction.run,
        verdict=verdict,
        tone=tone,
        sign=sign,
        number=_number(verdict, units),
        figures=key_figures(reduction, verdict, units),
        notices=reduction.notices,
        when=_date(_short_fact(facts.get("started_utc"))),
        skirt=_short_fact(facts.get("skirt")),
        timeline=timeline(reduction, units),
        touch=touch_numbers(reduction, car, units, close_up_spans(reduction))
        if len(reduction.series.t_s) > 1
        else None,
        least=least_moment(reduction, car, units),
        events=Grid(
            ("Event", "Onset", "First tap", "From, to", "Lost", "Fall", "Warning", "Below its need", "Sure"),
            events,
        ),
        gaps=gap_words(reduction),
        timed=any(row[7] for row in events),
        untold=tuple((short, why) for short, why in UNTOLD.items() if any(row[6] == short for row in events)),
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
        facts=[("Car file", car.name), *_facts(facts)],
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


def _number(verdict: Verdict, units: Display) -> tuple[str, str]:
    """The one number that comes first, and what it is of."""
    if verdict.at_s is None:
        return ("", "")
    u95_n = verdict.least_u95_n
    within = "uncertainty unknown" if u95_n is None else f"±{units.n(u95_n)}"
    said = f"least margin, {verdict.axle}, at {moment_text(verdict.at_s)}, {within}"
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


_HERE = Path(__file__).parent


def render_page(sheets: Sequence[Sheet], title: str) -> str:
    """Lay out a page.

    Parameters
    ----------
    sheets : sequence of Sheet
        A run each.
    title : str
        Heading of the page.

    Returns
    -------
    str
        HTML. Whatever came from logs and files is escaped by the template; the same sheets give
        the same bytes.

    Notes
    -----
    The page asks for nothing. Its own policy denies everything but the one style sheet and the one script
    with the hashes given; without the script all of it is there, and the timeline stands still.
    """
    script = (_HERE / "timeline.js").read_text(encoding="utf-8").strip()
    return _rendered("page.html.jinja", script, sheets=sheets, title=title, as_json=_as_json)


def _as_json(value: Any) -> _Ready:
    """JSON that may stand in a script element, whatever is in it."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return _Ready(re.sub("[<>&]", lambda found: f"\\u{ord(found[0]):04x}", text))


def render_turnover(items: Sequence[Item], line: str, title: str) -> str:
    """Lay out the list that is gone through before a car is turned over."""
    from undertray.report.turnoverlist import State

    tones = {State.SHOWN: "good", State.NOT_SHOWN: "unsure", State.AGAINST: "bad"}
    signs = {State.SHOWN: "\u2713", State.NOT_SHOWN: "?", State.AGAINST: "\u2717"}
    return _rendered("turnover.html.jinja", items=items, line=line, title=title, tones=tones, signs=signs)


def render_folder(**given: Any) -> str:
    """Lay out the runs of a folder, with what its template names."""
    return _rendered("folder.html.jinja", **given)


def render_comparison(**given: Any) -> str:
    """Lay out a comparison, with what its template names."""
    return _rendered("comparison.html.jinja", **given)


def _rendered(template: str, script: str = "", **given: Any) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    style = _style()
    scripts = f"; script-src {_hash(script)}" if script else ""
    return environment.get_template(template).render(
        style=_Ready(style),
        script=_Ready(script),
        policy=f"default-src 'none'; style-src {_hash(style)}{scripts}; base-uri 'none'; form-action 'none'",
        cautions=CAUTIONS,
        version=__version__,
        **given,
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def write_page(html: str, path: str | Path) -> None:
    """Write a page; a file that is there is replaced."""
    try:
        # half a character, from the name of a file perhaps, becomes a question mark
        write_whole(path, html.encode("utf-8", "replace"))
    except OSError as error:
        folder = Path(path).parent
        do = None if is_folder(folder) else f"make the folder {folder} first"
        raise ReductionError(f"cannot write the page: {error.strerror}", where=str(path), do=do) from error


class _Ready(str):
    """Our own style sheet and script, and JSON without a bracket: what must not be escaped."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


def _style() -> str:
    rules = (_HERE / "page.css").read_text(encoding="utf-8").strip()
    light = ";".join(f"--{name}:{colour}" for colour, (name, _) in THEME.items())
    dark = ";".join(f"--{name}:{colour}" for name, colour in THEME.values())
    return (
        f":root{{{light}}}\n@media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"@media print{{:root{{{light}}}}}\n{rules}"
    )
