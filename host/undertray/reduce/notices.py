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

_RADIANS_AT_MOST = 6.3
_LENGTHS = 4.0  # a floor and a wheelbase further apart than this are no car (common practice, no source)
_LOOKED_AT = 2000
_MOST_CORRECTIONS = 8
_WRONG_WAY = -0.2  # share of what the other taps suck


def _wrong_way(car: Car, suction: TapSuction) -> list[str]:
    """Taps that blow while the others suck: by rows spread over the run."""
    if len(car.taps) < 2:
        return []
    pa = suction.pa[:: max(1, len(suction.pa) // _LOOKED_AT)]
    pa = pa[np.isfinite(pa).all(axis=1)]
    most = pa.max(axis=1, initial=-np.inf)
    if not len(pa) or most.max() <= 0:
        return []
    high = most >= 0.5 * most.max()
    level = np.median(pa[high], axis=0)
    rest = [float(np.median(np.delete(level, i))) for i in range(len(level))]
    return [
        f"tap {tap.name} reads {own:.0f} Pa where the others read {other:.0f}: its tube is on the other port "
        "of the sensor (or 'port' in board.json is wrong)"
        for tap, own, other in zip(car.taps, level, rest, strict=True)
        if other > 0 and own < _WRONG_WAY * other
    ]


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
    elif calibration.foreign_to(run.device):
        said.append("the calibration was made on another board")
    for name, share in suction.outside.items():
        said.append(f"tap {name}: {share:.1%} of the readings lie outside the calibrated range")
    said += _wrong_way(car, suction)
    said += _of_the_log(run, time)
    for name in absent:
        said.append(f"tap {name} was missing or faulty in part of the run: its neighbours stood in for it")
    said += _of_the_car(car)
    said += tube_notices(car, time.rate_hz)
    said += further
    return tuple(said)


def _of_the_car(car: Car) -> list[str]:
    said: list[str] = []
    if 0 < car.surface_angle_deg < _RADIANS_AT_MOST:
        said.append(f"surface_angle {car.surface_angle_deg:g} is nearly level ground: it is in degrees")
    elif car.surface_angle_deg > 0 and car.allowance == 0:
        said.append("no allowance: held means the bare weight, with nothing in hand for bumps and steering")
    if car.surface_angle_deg % 180 != 0 and car.tyre_mu is None:
        said.append("no tyre_mu given: whether the car slides off the surface is not judged")
    ends_mm = [x for x, _ in car.floor_mm]
    long_mm = max(ends_mm) - min(ends_mm)
    if not long_mm / _LENGTHS < car.wheelbase_mm < long_mm * _LENGTHS:
        said.append(
            f"the wheelbase is {car.wheelbase_mm:g} mm and the floor {long_mm:g} mm long: "
            "is one of them in another unit?"
        )
    return said


def _of_the_log(run: Run, time: BoardTime) -> list[str]:
    said: list[str] = []
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
    said += [str(one) for one in run.corrections[-_MOST_CORRECTIONS:]]
    if run.torn_annotations:
        said.append(f"corrections that cannot be read were left out: {run.torn_annotations}")
    if run.cut_off:
        said.append("the log was cut off: it was read to its last whole line")
    if run.broke_off:
        said.append(f"the recording broke off ({run.broke_off}): what came after is not in the log")
    return said
