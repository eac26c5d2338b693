"""Numbers of a reduced run beyond the plain ones: with their uncertainty, and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.steady import BLOCK_S, Blocks

if TYPE_CHECKING:
    from undertray.reduce.hold import HoldNeed
    from undertray.reduce.uncertainty import MeanUncertainty

__all__ = ["Cover", "Doubt", "Estimate", "OtherLevel", "Rest", "Side", "Steady", "steady_estimates"]

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Side:
    """Mean suction force on one half of the floor, left or right of the centre line, N, and its u95.

    None where no taps lie on both sides of the line: then it is not measured.
    """

    downforce_n: float | None
    u95_n: float | None


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean and the half width of its 95 % interval; None where it is not known."""

    mean: float
    u95: float | None


@dataclass(frozen=True, slots=True)
class OtherLevel:
    """A further throttle at which a run was steady.

    Attributes
    ----------
    throttle_us, seconds : float
        Mean pulse width, µs, and how long, s.
    suction_pa, downforce_n, front_margin_n, rear_margin_n : float
        Means.
    """

    throttle_us: float
    seconds: float
    suction_pa: float
    downforce_n: float
    front_margin_n: float
    rear_margin_n: float


@dataclass(frozen=True, slots=True)
class Steady:
    """The run where the throttle was up and still and nothing happened, at the weakest of such throttles.

    Attributes
    ----------
    throttle_us : float or None
        Mean pulse width, µs; None where no throttle was logged.
    seconds : float
        How long that was, s.
    suction_pa, downforce_n, front_n, rear_n : Estimate
        Mean suction, force and axle loads.
    margin_n, front_margin_n, rear_margin_n : Estimate
        The same less what is needed, N.
    centre_x_mm, centre_y_mm : Estimate or None
        Where the force acts, mm behind the front axle and to the right; None where there is none, and in a
        direction that no two taps span.
    others : tuple of OtherLevel
        The other throttles at which it was steady, in order of their suction.
    taps_pa : mapping of str to Estimate
        Suction at each tap that was good, Pa, by its name.
    """

    throttle_us: float | None
    seconds: float
    suction_pa: Estimate
    downforce_n: Estimate
    front_n: Estimate
    rear_n: Estimate
    margin_n: Estimate
    front_margin_n: Estimate
    rear_margin_n: Estimate
    centre_x_mm: Estimate | None = None
    centre_y_mm: Estimate | None = None
    others: tuple[OtherLevel, ...] = ()
    taps_pa: Mapping[str, Estimate] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cover:
    """How the taps cover the floor: the way of spreading, and the share of the floor outside their hull."""

    load: str
    extrapolated: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """What the uncertainty of the mean downforce is made of: standard uncertainties by source, N."""

    sources_n: Mapping[str, float]
    effective_rows: float


@dataclass(frozen=True, slots=True)
class Rest:
    """What the taps read at rest, and what was taken off.

    Attributes
    ----------
    tare : str
        ``none``, ``zero`` or ``linear``.
    zero_pa, drift_pa : mapping of str to float or None, or None
        By the tap's name, Pa; None where the car never stood still.
    """

    tare: str
    zero_pa: Mapping[str, float | None] | None
    drift_pa: Mapping[str, float | None] | None


def steady_estimates(
    found: MeanUncertainty,
    need: HoldNeed,
    seconds: float,
    blocks: Blocks,
    levels: Sequence[Bools],
    taps_pa: Mapping[str, Estimate],
) -> Steady:
    """Put together what is told of the steady part of a run.

    Parameters
    ----------
    found : MeanUncertainty
        Means of its rows.
    need : HoldNeed
        What is needed, with the allowance.
    seconds : float
        How long it was, s.
    blocks : Blocks
        The run in blocks.
    levels : sequence of ndarray of bool
        Blocks of each throttle at which it was steady, the weakest first.
    taps_pa : mapping of str to Estimate
        Suction of each tap.

    Returns
    -------
    Steady
    """

    def less(name: str, required_n: float = 0.0) -> Estimate:
        return Estimate(getattr(found.means, name) - required_n, found.u95[name])

    at_us = [float(blocks.throttle_us[level].mean()) for level in levels]
    return Steady(
        throttle_us=at_us[0] if np.isfinite(at_us[0]) else None,
        seconds=seconds,
        suction_pa=less("suction_pa"),
        downforce_n=less("downforce_n"),
        front_n=less("front_n"),
        rear_n=less("rear_n"),
        margin_n=less("downforce_n", need.whole_n),
        front_margin_n=less("front_n", need.front_n),
        rear_margin_n=less("rear_n", need.rear_n),
        centre_x_mm=None if found.means.x_mm is None else less("x_mm"),
        centre_y_mm=None if found.means.y_mm is None else less("y_mm"),
        others=tuple(
            _other(blocks, level, us, need) for level, us in zip(levels[1:], at_us[1:], strict=True)
        ),
        taps_pa=taps_pa,
    )


def _other(blocks: Blocks, level: Bools, throttle_us: float, need: HoldNeed) -> OtherLevel:
    suction_pa, front_n, rear_n = (
        float(values[level].mean()) for values in (blocks.suction_pa, blocks.front_n, blocks.rear_n)
    )
    seconds = float(level.sum()) * BLOCK_S
    margins = front_n - need.front_n, rear_n - need.rear_n
    return OtherLevel(throttle_us, seconds, suction_pa, front_n + rear_n, *margins)
