"""What a reader of a reduction has to know, in plain sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from undertray.acquire.clock import BoardTime
from undertray.acquire.runlog import Run
from undertray.calibrate.certificate import Calibration
from undertray.reduce.car import Car
from undertray.reduce.reading import TapSuction
from undertray.reduce.tube import tube_notices

__all__ = ["run_notices"]


def run_notices(
    run: Run,
    time: BoardTime,
    car: Car,
    calibration: Calibration | None,
    suction: TapSuction,
    absent: Sequence[str],
    further: Sequence[str],
) -> tuple[str, ...]:
    """Say what a reader of the numbers has to know.

    Parameters
    ----------
    run : Run
        The run.
    time : BoardTime
        Its time line.
    car : Car
        The car.
    calibration : Calibration or None
        The calibration used.
    suction : TapSuction
        What the taps read.
    absent : sequence of str
        Taps that were not good throughout.
    further : sequence of str
        What other stages had to say.

    Returns
    -------
    tuple of str
        Plain sentences.
    """
    said: list[str] = []
    if calibration is None:
        said.append("uncalibrated: the sensors' own scales were used, and no uncertainty can be stated")
    elif calibration.uid and run.device and run.device.uid and calibration.uid != run.device.uid:
        said.append("the calibration was made on another board")
    for name, share in suction.outside.items():
        said.append(f"tap {name}: {share:.1%} of the readings lie outside the calibrated range")
    if not np.isfinite(run.throttle_us).any():
        said.append(
            "no throttle in the log: throttle cuts and slow leaks cannot be told apart and are not reported; "
            "sudden falls are taken for seal losses by their speed alone"
        )
    elif not np.isfinite(run.throttle_us).all():
        said.append(f"the throttle is unknown in {np.mean(~np.isfinite(run.throttle_us)):.1%} of the rows")
    if run.bad_lines:
        said.append(f"{run.bad_lines} bad lines were left out")
    if time.lost_rows:
        said.append(f"{time.lost_rows} rows were lost on the way")
    if time.resets:
        how = "time goes on by the host's clock" if time.host else "how long it took is unknown"
        said.append(f"the board was reset {time.resets} times; across a reset {how}")
    if run.cut_off:
        said.append("the log was cut off: it was read to its last whole line")
    for name in absent:
        said.append(f"tap {name} was missing or faulty in part of the run: its neighbours stood in for it")
    off = car.surface_angle_deg % 180 != 0
    if off and car.tyre_mu is None:
        said.append("no tyre_mu given: whether the car slides off the surface is not judged")
    said += tube_notices(car, time.rate_hz)
    said += further
    return tuple(said)
