"""The picture of a run as a PNG file."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.report.display import SI, Display
from undertray.report.timeline import draw_timeline

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["run_picture"]


def run_picture(reduction: Reduction, car: Car, path: str | Path, units: Display = SI) -> None:
    """Draw one run: suction, downforce against what is needed, axle margins, throttle.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    car : Car
        The car it was reduced with.
    path : str or Path
        Where the PNG goes; an existing file is replaced.
    units : Display
        Units of the axes.

    Raises
    ------
    ReductionError
        When the file cannot be written.

    Notes
    -----
    The picture of :func:`undertray.report.timeline.timeline` with a heading. The file holds no
    date: the same run gives the same bytes.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from undertray.report.ink import drawing, short

    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    angle = f"surface at {reduction.hold.surface_angle:g}°"
    title = f"{short(car.name, 60)}: {short(reduction.run, 60)} ({state}, {angle})"
    figure = draw_timeline(reduction, units, title)
    FigureCanvasAgg(figure)
    try:
        drawn = BytesIO()
        with drawing():
            figure.savefig(drawn, dpi=130, format="png", metadata={"Software": None})
        write_whole(path, drawn.getvalue())
    except OSError as error:
        raise ReductionError(f"cannot write the picture: {error.strerror}", where=str(path)) from error
