"""The figures a page begins with, and the run's steady part and its grip as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import work_rows
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import Display, speed_name
from undertray.report.fallwords import first_words
from undertray.report.verdict import Verdict

if TYPE_CHECKING:
    from undertray.reduce.grip import Grip
    from undertray.reduce.run import Reduction

__all__ = ["grip_rows", "key_figures", "steady_rows"]

Figure = tuple[str, str, str]
Row = tuple[str, ...]


def key_figures(reduction: Reduction, verdict: Verdict, units: Display) -> list[Figure]:
    """Choose the headline numbers of a run."""
    return [
        *_below(verdict),
        *_forces(reduction, units),
        *_losses(reduction),
        *_grip(reduction.grip, reduction.hold.surface_angle),
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


def grip_rows(found: Grip | None, angle_deg: float) -> tuple[Row, list[Row]]:
    """Tell what grip the suction buys."""
    if found is None:
        return (), []
    wheels = "all wheels" if found.driven == "all" else f"{found.driven} wheels"
    rows: list[Row] = [
        (
            "Lateral",
            f"{found.ground_lateral_g:.2f}{_to(found.ground_lateral_u95_g)} g",
            f"{found.surface_lateral_g:.2f}{_to(found.surface_lateral_u95_g)} g",
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
        rows.append(("Drag, taken off what drives", *(f"{found.drag_n:.1f} N",) * 2))
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


def _forces(reduction: Reduction, units: Display) -> list[Figure]:
    """Downforce and suction: while steady, with what they are uncertain by; else their medians."""
    hold, found = reduction.hold, reduction.steady
    needed = f"needed {units.n(hold.required_n)} at {hold.surface_angle:g}°"
    if found is not None:
        axle, margin = min(
            (("front axle", found.front_margin_n), ("rear axle", found.rear_margin_n)),
            key=lambda pair: pair[1].mean,
        )
        weakest = f", weakest of {1 + len(found.others)} throttles" if found.others else ""
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


def _losses(reduction: Reduction) -> list[Figure]:
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


def _grip(found: Grip | None, angle_deg: float) -> list[Figure]:
    if found is None:
        return []
    ground = f"{found.ground_lateral_g:.2f}{_to(found.ground_lateral_u95_g)} g"
    said = f"at tyre mu {found.tyre_mu:.3g} ±{found.mu_within:.2g}"
    if angle_deg == 0:
        return [("Lateral grip", ground, said)]
    return [
        (
            "Lateral grip",
            f"{found.surface_lateral_g:.2f}{_to(found.surface_lateral_u95_g)} g",
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
    return "never" if value is None else f"{value:.2f}{_to(u95)} s"


def _to(u95: float | None) -> str:
    return "" if u95 is None else f" ±{u95:.2f}"


def _median(values: Any, rows: Any) -> float | None:
    return float(np.median(values[rows])) if rows.any() else None
