"""Pictures of a run. Colours are told apart by colour-blind eyes, and never carry meaning alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray.errors import ReductionError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["run_picture"]

# Okabe and Ito's palette: chosen to stay apart under the common colour blindnesses
_INK = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#8C6D1F"]
_DASHES: list[Any] = ["-", "--", "-.", ":", (0, (5, 1)), (0, (3, 1, 1, 1)), (0, (1, 1)), (0, (7, 2))]
_SHADE = {
    "seal-loss": "#D55E00",
    "slow-leak": "#E69F00",
    "throttle-cut": "#56B4E9",
    "sensor-fault": "#CC79A7",
    "data-gap": "#999999",
}
_MOST_POINTS = 4000


def run_picture(reduction: Reduction, car: Car, path: str | Path) -> None:
    """Draw one run: suction, downforce against what is needed, axle margins, throttle.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    car : Car
        The car it was reduced with.
    path : str or Path
        Where the PNG goes; an existing file is replaced.

    Raises
    ------
    ReductionError
        When the file cannot be written.

    Notes
    -----
    A run of more than 4000 rows is drawn by the lowest and the highest value of each of 2000
    equal pieces, so that a dip of a single sample still shows. The file holds no date: the
    same run gives the same bytes.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 9), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(4, 1, sharex=True, height_ratios=[3, 3, 2, 1])
    figure.suptitle(_title(reduction, car), fontsize=12)
    series = reduction.series
    t_s = series.t_s

    for tap, name in enumerate(reduction.taps):
        _line(axes[0], t_s, series.tap_suction_pa[:, tap], tap, name)
    axes[0].set_ylabel("suction at the tap / Pa")

    _line(axes[1], t_s, series.downforce_n, 6, "downforce")
    axes[1].axhline(
        reduction.hold.required_n,
        color="#444444",
        linestyle="--",
        linewidth=1.2,
        label="needed to hold, with allowance",
    )
    axes[1].set_ylabel("downforce / N")

    for place, (name, load_n) in enumerate((("front", series.front_n), ("rear", series.rear_n))):
        _line(axes[2], t_s, load_n - reduction.axles[name].required_n, place, f"{name} axle")
    axes[2].axhline(0, color="#444444", linewidth=1.0)
    axes[2].set_ylabel("margin / N")

    _line(axes[3], t_s, series.throttle_us, 6, "throttle")
    axes[3].set_ylabel("throttle / µs")
    axes[3].set_xlabel("board time / s")

    for place, event in enumerate(reduction.events):
        _mark(axes, reduction, event, place)
    for panel in axes[:3]:
        panel.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)
        panel.grid(visible=True, color="#DDDDDD", linewidth=0.6)
        panel.set_axisbelow(True)
    axes[3].grid(visible=True, color="#DDDDDD", linewidth=0.6)
    if len(t_s) > 1:
        axes[3].set_xlim(float(t_s[0]), float(t_s[-1]))
    try:
        figure.savefig(path, dpi=100, format="png", metadata={"Software": None})
    except OSError as error:
        raise ReductionError(f"cannot write the picture: {error.strerror}", where=str(path)) from error


def _title(reduction: Reduction, car: Car) -> str:
    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    angle = f"surface at {reduction.hold.surface_angle:g}°"
    # a dollar sign would start mathematical text
    return f"{car.name}: {reduction.run} ({state}, {angle})".replace("$", r"\$")


def _line(axes: Axes, t_s: Any, values: Any, place: int, label: str) -> None:
    times, lowest_and_highest = _thinned(t_s, values)
    axes.plot(
        times,
        lowest_and_highest,
        color=_INK[place % len(_INK)],
        linestyle=_DASHES[place % len(_DASHES)] if place < len(_INK) - 1 and label != "downforce" else "-",
        linewidth=1.1,
        label=label.replace("$", r"\$"),
    )


def _thinned(t_s: Any, values: Any) -> tuple[Any, Any]:
    import numpy as np

    if len(t_s) <= _MOST_POINTS:
        return t_s, values
    edges = np.linspace(0, len(t_s), _MOST_POINTS // 2 + 1).astype(np.int64)[:-1]
    low, high = np.fmin.reduceat(values, edges), np.fmax.reduceat(values, edges)
    return np.repeat(t_s[edges], 2), np.column_stack((low, high)).ravel()


def _mark(axes: Any, reduction: Reduction, event: Any, place: int) -> None:
    last_s = float(reduction.series.t_s[-1])
    end_s = last_s if event.end_s is None else event.end_s
    colour = _SHADE.get(event.kind, "#999999")
    for panel in axes:
        panel.axvspan(event.onset_s, max(end_s, event.onset_s), color=colour, alpha=0.15, linewidth=0)
        panel.axvline(event.onset_s, color=colour, linewidth=0.9)
    words = event.kind if event.first_tap is None else f"{event.kind}: {event.first_tap} first"
    axes[0].annotate(
        f" {words}, {event.onset_s:.3f} s".replace("$", r"\$"),
        (event.onset_s, 0.98 - 0.09 * (place % 4)),
        xycoords=("data", "axes fraction"),
        fontsize=8,
        va="top",
        ha="left" if event.onset_s < 0.7 * last_s else "right",
    )
