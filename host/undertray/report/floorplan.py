"""The floor seen from above: suction of each tap's share of it, and the order in which they fell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.quantiles import middles_seen
from undertray.reduce.geometry import nearest_part
from undertray.report.display import SI, Display, number
from undertray.report.picture import Picture, write_figure
from undertray.report.style import INK, LIMIT, PAPER, settings, short

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

    from undertray.reduce.car import Car, Tap
    from undertray.reduce.run import Reduction

__all__ = ["at_moment_pa", "car_picture", "cells", "floor_picture", "steady_pa"]

Array = NDArray[np.float64]
_NAME, _LINE = 16, 7
_LENGTH_IN, _SIGN_IN = 2.6, 0.07  # of the floor as drawn, and of a letter on it


def floor_picture(
    car: Car,
    suction_pa: Sequence[float] | Array,
    taps: Sequence[str],
    key: str,
    title: str,
    caption: str,
    units: Display = SI,
    order: Sequence[str] = (),
    top_pa: float | None = None,
    faulty: Sequence[str] = (),
) -> Picture:
    """Draw the floor with the suction of each tap.

    Parameters
    ----------
    car : Car
        Floor and taps.
    suction_pa : sequence of float, length taps
        Suction at each tap, Pa; NaN where it has none.
    taps : sequence of str
        Names of the taps, in the same order.
    key, title, caption : str
        As in :class:`~undertray.report.picture.Picture`.
    units : Display
        Units of the numbers.
    order : sequence of str
        Names of taps in the order they fell; each then bears its number.
    top_pa : float or None
        Suction at the end of the colours, so that several maps can be compared; the greatest
        of ``suction_pa`` if left out.
    faulty : sequence of str
        Names of taps whose reading is not to be trusted.

    Returns
    -------
    Picture

    Notes
    -----
    Each tap colours the part of the floor that is nearer to it than to any other tap: just what
    the reduction lets it speak for while all taps are good. Nothing is smoothed. The part of a tap that is
    faulty or has no reading is hatched: its neighbours stand in for it.
    """
    from matplotlib import colormaps
    from matplotlib.colors import Normalize
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    value_of = {
        name: np.nan if name in faulty else float(v) / units.pressure_pa
        for name, v in zip(taps, suction_pa, strict=True)
    }
    digits, places = units.pressure_digits
    shown = {
        name: "faulty"
        if name in faulty
        else number(value, digits, most_places=places)
        if np.isfinite(value)
        else "no reading"
        for name, value in value_of.items()
    }
    finite = [abs(v) for v in value_of.values() if np.isfinite(v)]
    top = (top_pa / units.pressure_pa) if top_pa else max(finite, default=1.0) or 1.0
    scale, colours = Normalize(0, top, clip=True), colormaps["cividis"]
    with settings():
        figure = Figure(figsize=(2.9, 3.6))
        panel = figure.add_axes((0.02, 0.18, 0.96, 0.8))
        bar = figure.add_axes((0.06, 0.125, 0.88, 0.04))
        parts = cells(car, car.taps)
        for tap, cell in parts:
            value = value_of.get(tap.name, np.nan)
            known = np.isfinite(value)
            corners = [(y, x) for x, y in cell]
            panel.add_patch(
                Polygon(
                    corners,
                    closed=True,
                    fill=bool(known),
                    facecolor=colours(scale(value)) if known else "none",
                    edgecolor="#ffffff" if known else LIMIT,
                    hatch=None if known else "///",
                    linewidth=1,
                )
            )
        outline = [(y, x) for x, y in car.floor_mm]
        panel.add_patch(Polygon(outline, closed=True, fill=False, edgecolor=INK, linewidth=1.3))
        cell_of = {tap.name: cell for tap, cell in parts}
        for tap in car.taps:
            value = value_of.get(tap.name, np.nan)
            light = np.isfinite(value) and sum(colours(scale(value))[:3]) > 1.35
            ink = "#000000" if light else "#ffffff"
            name, said = _broken(short(tap.name, _NAME)), shown.get(tap.name, "no reading")
            panel.plot(tap.y_mm, tap.x_mm, "o", markersize=3.5, color=ink if np.isfinite(value) else INK)
            low = _is_low(car, tap, f"{name}\n{said}", cell_of.get(tap.name, []))
            for words, lift, grows in ((name, 4, "bottom"), (said, -4, "top")) if low else (
                (f"{name}\n{said}", -4, "top"),
            ):  # fmt: skip
                panel.annotate(
                    words,
                    (_inside_mm(car, tap, words), tap.x_mm),
                    xytext=(0, lift),
                    textcoords="offset points",
                    ha="center",
                    va=grows,
                    fontsize=8.5,
                    linespacing=1.25,
                    color=ink if np.isfinite(value) else INK,
                    bbox=None
                    if np.isfinite(value)
                    else {"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
                )
            if tap.name in order:
                panel.annotate(
                    str(list(order).index(tap.name) + 1),
                    (tap.y_mm, tap.x_mm),
                    xytext=(-13, 0) if low else (0, 12),
                    textcoords="offset points",
                    ha="center",
                    va="center",
                    fontsize=11,
                    fontweight="bold",
                    color="#000000",
                    bbox={"boxstyle": "circle,pad=0.25", "facecolor": "#ffffff", "edgecolor": "#000000"},
                )
        _axles(panel, car, across=False)
        panel.set_aspect("equal")
        panel.invert_yaxis()
        panel.set_axis_off()
        _scale_bar(bar, colours, top, units)
    said = "; ".join(
        f"{name}: {value}{f' {units.pressure}' if np.isfinite(value_of[name]) else ''}"
        for name, value in shown.items()
    )
    fell = f" They fell in this order: {', '.join(order)}." if order else ""
    return Picture(
        key=key,
        title=title,
        caption=caption,
        words=f"Floor from above, front at the top. Suction {said}.{fell}",
        figure=figure,
        table={
            "tap": [tap.name for tap in car.taps],
            "x mm": [tap.x_mm for tap in car.taps],
            "y mm": [tap.y_mm for tap in car.taps],
            f"suction {units.pressure}": [value_of.get(tap.name, np.nan) for tap in car.taps],
            "fell as number": [
                list(order).index(tap.name) + 1 if tap.name in order else np.nan for tap in car.taps
            ],
        },
        size="small",
    )


def _broken(name: str) -> str:
    """A long name on two lines, parted where it is nearest to its middle."""
    parts = [at + 1 for at, sign in enumerate(name[:-1]) if sign in " -_." and at]
    if len(name) <= _LINE or not parts:
        return name
    at = min(parts, key=lambda place: abs(place - len(name) / 2))
    return f"{name[:at].rstrip()}\n{name[at:]}"


def _is_low(car: Car, tap: Tap, words: str, cell: Sequence[tuple[float, float]]) -> bool:
    """Whether the part of a tap ends so soon behind it that its words have no room under it."""
    xs = [x for x, _ in car.floor_mm]
    mm_per_in = (max(xs) - min(xs)) / _LENGTH_IN
    high_mm = (len(words.split("\n")) * _LINE_IN + 0.06) * mm_per_in
    return max((x for x, _ in cell), default=math.inf) - tap.x_mm < high_mm


_LINE_IN = 8.5 * 1.25 / 72


def _inside_mm(car: Car, tap: Tap, words: str) -> float:
    """Where across the car the words of a tap are centred, so that they stay inside of the outline."""
    ys, xs = [y for _, y in car.floor_mm], [x for x, _ in car.floor_mm]
    mm_per_in = (max(xs) - min(xs)) / _LENGTH_IN
    half_mm = 0.5 * _SIGN_IN * max(map(len, words.split("\n"))) * mm_per_in
    low, high = min(ys) + half_mm, max(ys) - half_mm
    return (low + high) / 2 if low > high else min(max(tap.y_mm, low), high)


_KINDS = (".svg", ".png", ".pdf")


def car_picture(car: Car, path: str | Path, units: Display = SI) -> None:
    """Draw a car as its file describes it: outline, taps, each tap's share, axles, centre of gravity.

    Parameters
    ----------
    car : Car
        The car.
    path : str or Path
        What to write: the ending says whether as SVG, PNG or PDF. A file that is there is replaced.
    units : Display
        Units of the lengths.

    Raises
    ------
    ReductionError
        When the ending is another, or the file cannot be written.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon
    from matplotlib.ticker import MultipleLocator

    kind = Path(path).suffix.lower()
    if kind not in _KINDS:
        raise ReductionError(
            "no kind of picture", where=str(path), expected=f"an ending of {', '.join(_KINDS)}"
        )
    centre_mm = car.wheelbase_mm * (1 - car.front_weight)
    with settings():
        figure = Figure(figsize=(6.4, 8.2))
        panel = figure.add_axes((0.13, 0.07, 0.72, 0.85))
        for tap, cell in cells(car, car.taps):
            corners = [(y, x) for x, y in cell]
            panel.add_patch(
                Polygon(corners, closed=True, facecolor="#e8eef7", edgecolor=LIMIT, linewidth=0.8)
            )
            words = f"{short(tap.name, _NAME)}\n{short(tap.column, _NAME)}"
            panel.plot(tap.y_mm, tap.x_mm, "o", markersize=6, color=INK)
            panel.annotate(
                words,
                (tap.y_mm, tap.x_mm),
                (0, -7),
                textcoords="offset points",
                ha="center",
                va="top",
                fontsize=9,
            )
        outline = [(y, x) for x, y in car.floor_mm]
        panel.add_patch(Polygon(outline, closed=True, fill=False, edgecolor=INK, linewidth=1.6))
        _axles(panel, car)
        panel.plot(0, centre_mm, "+", markersize=14, markeredgewidth=2, color=INK)
        panel.annotate(
            "weight", (0, centre_mm), (9, 0), textcoords="offset points", ha="left", va="center", fontsize=9
        )
        panel.set_aspect("equal")
        panel.autoscale_view()
        panel.invert_yaxis()
        per = units.length_mm
        for axis in (panel.xaxis, panel.yaxis):
            if units is not SI:  # ticks at whole inches
                low, high = axis.get_view_interval()
                axis.set_major_locator(MultipleLocator(per * max(1, round(abs(high - low) / per / 10))))
            axis.set_major_formatter(lambda mm, _: f"{mm / per:z.0f}")
        panel.set_xlabel(f"to the right of the centre line, {units.length}")
        panel.set_ylabel(f"behind the front axle, {units.length}")
        name = short(car.name, 50)
        figure.suptitle(f"{name}, from above, front at the top", fontsize=11, x=0.5, y=0.97)
    write_figure(figure, path, kind)


def cells(car: Car, taps: Sequence[Tap]) -> list[tuple[Tap, list[tuple[float, float]]]]:
    """Cut the floor into the parts nearest to each tap."""
    found = []
    for tap in taps:
        others = [(other.x_mm, other.y_mm) for other in taps if other is not tap]
        cell = nearest_part(car.floor_mm, (tap.x_mm, tap.y_mm), others)
        if len(cell) >= 3:
            found.append((tap, cell))
    return found


def at_moment_pa(reduction: Reduction, at_s: float) -> Array:
    """Suction at each tap at one moment."""
    t_s = reduction.series.t_s
    row = int(np.clip(np.searchsorted(t_s, at_s), 0, len(t_s) - 1))
    return middles_seen(reduction.series.tap_suction_pa[max(0, row - 2) : row + 3].T)


def steady_pa(reduction: Reduction, rows: NDArray[np.bool_]) -> Array:
    """Suction at each tap over chosen rows."""
    return middles_seen(reduction.series.tap_suction_pa[rows].T)


def _axles(panel: Axes, car: Car, across: bool = True) -> None:
    """Where the axles are: lines across the car, or marks beside it where words stand on the floor."""
    ys = [y for _, y in car.floor_mm]
    left, right = min(ys), max(ys)
    reach = 0.06 * (right - left)
    spans = [(left - reach, right + reach)] if across else [(left - reach, left), (right, right + reach)]
    for x_mm, name in ((0.0, "front\naxle"), (car.wheelbase_mm, "rear\naxle")):
        for from_mm, to_mm in spans:
            style = (0, (4, 3)) if across else "-"
            panel.plot([from_mm, to_mm], [x_mm, x_mm], color=LIMIT, linewidth=1, linestyle=style)
        panel.text(right + 1.4 * reach, x_mm, name, fontsize=7.5, va="center", color=INK)


def _scale_bar(bar: Axes, colours: Colormap, top: float, units: Display) -> None:
    """The colours beside their numbers; steps of one sixteenth keep the drawing small."""
    edges = np.linspace(0, top, 17)
    middles = (edges[:-1] + edges[1:]) / 2
    bar.barh([0] * 16, np.diff(edges), left=edges[:-1], height=1, color=colours(middles / top))
    bar.set_xlim(0, top)
    bar.set_ylim(-0.5, 0.5)
    bar.set_yticks([])
    bar.spines[:].set_visible(False)
    bar.set_xlabel(f"suction / {units.pressure}")
