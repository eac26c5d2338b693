"""The result of a reduction, with the names of the summary's keys."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.dips import Alarm, Dip
from undertray.reduce.loss import Loss
from undertray.reduce.series import Series
from undertray.reduce.steady import BLOCK_S, Blocks

if TYPE_CHECKING:
    from undertray.reduce.grip import Grip
    from undertray.reduce.hold import HoldNeed
    from undertray.reduce.leakage import FanState
    from undertray.reduce.margins import Holding
    from undertray.reduce.tube import Tube
    from undertray.reduce.uncertainty import MeanUncertainty

__all__ = [
    "Axle",
    "Bump",
    "Centre",
    "Cover",
    "Doubt",
    "Estimate",
    "Hold",
    "Margin",
    "Motion",
    "OtherLevel",
    "Reduction",
    "Rest",
    "Side",
    "SpeedGain",
    "Spread",
    "Steady",
    "TapSummary",
    "plain",
    "steady_estimates",
]


# Numbers of a reduced run beyond the plain ones: with their uncertainty, and what they rest on.

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
class Bump:
    """A bump that an accelerometer felt: when, s, and by how much the upward axis departed, g."""

    at_s: float
    peak_g: float


@dataclass(frozen=True, slots=True)
class SpeedGain:
    """In how long a car gained a speed, as an accelerometer felt it, on the taking that it stood before.

    Attributes
    ----------
    speed_m_s : float
        The speed.
    from_s : float
        When it went off, s.
    seconds, u95_s : float
        How long it took, and the half width of the 95 % interval, s.
    """

    speed_m_s: float
    from_s: float
    seconds: float
    u95_s: float


@dataclass(frozen=True, slots=True)
class Motion:
    """What an accelerometer in the car felt, along the car's own axes.

    Attributes
    ----------
    part : str
        What it is.
    rows, full_rows : int
        Rows with a reading, and rows with one at the end of its range.
    quiet_s : float
        How long it felt nothing but gravity, s.
    angle_deg : Estimate or None
        Angle of the surface as measured there, 0 on the ground, 180 upside down; None where it was never so.
    forward_g, braking_g, lateral_g : float or None
        Largest over a tenth of a second, in units of 9.80665 m/s2; None where the surface is neither level
        nor upside down, as gravity pulls along it, or where its angle is not known.
    within_g : float or None
        Half width of what each of the three is uncertain by.
    bumps : tuple of Bump
        In order of time, at most 1000.
    dips_after_bumps : int
        How many of the dips came within 0.3 s after a bump.
    gains : tuple of SpeedGain
        The shortest time to each speed that was reached.
    """

    part: str
    rows: int
    full_rows: int
    quiet_s: float = 0.0
    angle_deg: Estimate | None = None
    forward_g: float | None = None
    braking_g: float | None = None
    lateral_g: float | None = None
    within_g: float | None = None
    bumps: tuple[Bump, ...] = ()
    dips_after_bumps: int = 0
    gains: tuple[SpeedGain, ...] = ()


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

    @property
    def throttles(self) -> int:
        """At how many throttles it was steady."""
        return 1 + len(self.others)


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
) -> Steady:
    """Put together what is told of the steady part of a run."""

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
        taps_pa=found.taps_pa,
    )


def _other(blocks: Blocks, level: Bools, throttle_us: float, need: HoldNeed) -> OtherLevel:
    suction_pa, front_n, rear_n = (
        float(values[level].mean()) for values in (blocks.suction_pa, blocks.front_n, blocks.rear_n)
    )
    seconds = float(level.sum()) * BLOCK_S
    margins = front_n - need.front_n, rear_n - need.rear_n
    return OtherLevel(throttle_us, seconds, suction_pa, front_n + rear_n, *margins)


Array = NDArray[np.float64]
FORMAT = 1
_OVER_TIME = ("series", "blocks", "holding")


@dataclass(frozen=True, slots=True)
class Spread:
    """How a quantity was spread over the run, in its unit.

    Attributes
    ----------
    mean, p05, median, p95, max : float
        Over all good rows.
    u95 : float or None
        Half width of the 95 % interval of the mean; None for an uncalibrated run, where what
        the sensors are off by is not known.
    """

    mean: float
    p05: float
    median: float
    p95: float
    max: float
    u95: float | None

    @classmethod
    def of(cls, values: Array, u95: float | None) -> Spread:
        """Summarise a series.

        Parameters
        ----------
        values : ndarray, shape (n,)
            No NaN, n at least 1; put in another order.
        u95 : float or None
            Uncertainty of the mean.

        Returns
        -------
        Spread
        """
        mean, most = float(values.mean()), float(values.max())
        p05, median, p95 = quantiles(values, (0.05, 0.5, 0.95), spoil=True)
        return cls(mean, p05, median, p95, most, u95)


@dataclass(frozen=True, slots=True)
class TapSummary:
    """One tap over the run: suction in Pa (None if it never read), times in s."""

    mean: float | None
    median: float | None
    max: float | None
    saturated_s: float
    missing_s: float


@dataclass(frozen=True, slots=True)
class Centre:
    """Centre of the mean suction force, mm, and u95; None without suction, or where no two taps span it."""

    x: float | None
    y: float | None
    x_u95: float | None = None
    y_u95: float | None = None


@dataclass(frozen=True, slots=True)
class Margin:
    """Force beyond what is needed, N: median and least."""

    median: float
    min: float


@dataclass(frozen=True, slots=True)
class Axle:
    """One axle.

    Attributes
    ----------
    downforce_n, u95_n : float
        Mean suction load, N, and the half width of its 95 % interval; None where that is not known.
    required_n, stay_n : float
        What it needs with the allowance, and what it takes to stay on without, N.
    margin_n : Margin
        Load beyond what it needs.
    below_s : float
        Time below that in the whole log, s.
    """

    downforce_n: float
    required_n: float
    stay_n: float
    margin_n: Margin
    below_s: float
    u95_n: float | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """The whole car at its surface angle.

    Attributes
    ----------
    surface_angle : float
        Degrees.
    required_n, stay_n : float
        Needed by the whole car, the friction condition in, with the allowance and without.
    required_u95_n : float
        Half width of what both are uncertain by, as the friction of the tyres is; 0 where nothing slides.
    margin_n : Margin
        Downforce beyond that.
    below_s : float
        Time in which an axle or the whole car was not held, s.
    limiting_axle : str
        The axle with the least median margin: it lets go first.
    skirt_travel_mm : float or None
        How far the car can drop while its skirt still reaches the surface, where the car file gives it.
    """

    surface_angle: float
    required_n: float
    stay_n: float
    margin_n: Margin
    below_s: float
    limiting_axle: str
    skirt_travel_mm: float | None = None
    required_u95_n: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Reduction:
    """A reduced run.

    Attributes
    ----------
    format : int
        Version of the summary.
    run : str
        Name of the run.
    calibrated : bool
        Whether a calibration was used.
    rows, bad_lines, lost_rows, duplicate_rows : int
        Good rows, lines that were no good, slots missing in ``seq``, and rows left out because they tell a
        slot for the second time.
    truncated, why : bool, str or None
        Whether the run goes on where its log ends, as far as the log tells; and why it was cut short.
    duration_s, rate_hz : float
        Length of the run, and its measured sample rate.
    suction_pa, downforce_n : Spread
        Mean suction over the floor, and the force.
    taps : mapping of str to TapSummary
        By the tap's name.
    centre_mm : Centre
        Where the mean force acts.
    axles : mapping of str to Axle
        ``front`` and ``rear``.
    hold : Hold
        Whether the car is held at its surface angle.
    events : tuple of Loss
        In order of onset.
    dips, dips_per_min : tuple of Dip, float or None
        Short falls that came back, and how many a minute that should have held; None where that is unknown.
    alarms : tuple of Alarm
        When the board's own alarm was on.
    series : Series
        The run over time.
    blocks : Blocks
        The same by blocks of a tenth of a second.
    holding : Holding or str
        When it should have held, and whether it did; why that cannot be told where it cannot.
    sides : mapping of str to Side
        ``left`` and ``right`` half of the floor.
    steady : Steady or None
        None where it never was steady.
    grip : Grip or None
        What grip the steady suction buys; None without a tyre mu, or where it never was steady.
    fan : FanState
        Lag of the fans, seal index, equivalent leak.
    cover : Cover
        How the taps cover the floor.
    rest : Rest
        Zero of the taps.
    doubt : Doubt
        What the uncertainty is made of.
    tubes : mapping of str to Tube
        By the tap's name, where the car file gives them.
    notices : tuple of str
        What a reader of the numbers has to know.
    caveats : tuple of str
        Why a car that held in this run may not have held for sure; empty where nothing speaks against it.
    no_verdict : str
        Why nothing can be said of holding on, whatever the numbers are; else empty.
    motion : Motion or None
        What an accelerometer felt; None without one, and then :meth:`as_dict` has no such key.
    """

    format: int
    run: str
    calibrated: bool
    rows: int
    bad_lines: int
    lost_rows: int
    duplicate_rows: int
    truncated: bool
    why: str | None
    duration_s: float
    rate_hz: float
    suction_pa: Spread
    taps: Mapping[str, TapSummary]
    downforce_n: Spread
    centre_mm: Centre
    axles: Mapping[str, Axle]
    hold: Hold
    events: tuple[Loss, ...]
    dips: tuple[Dip, ...]
    dips_per_min: float | None
    alarms: tuple[Alarm, ...]
    series: Series = field(repr=False)
    blocks: Blocks = field(repr=False)
    holding: Holding | str = field(repr=False)
    sides: Mapping[str, Side]
    steady: Steady | None
    grip: Grip | None
    fan: FanState
    cover: Cover
    rest: Rest
    doubt: Doubt
    tubes: Mapping[str, Tube]
    notices: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()
    no_verdict: str = ""
    motion: Motion | None = None

    def as_dict(self) -> dict[str, Any]:
        """The summary as JSON holds it.

        Returns
        -------
        dict
            Numbers, texts, lists and None only; never NaN. Numbers have 12 significant digits. Of an event
            ``order`` is a list of (tap, ms after the first or None).
        """
        fields = (f.name for f in dataclasses.fields(self) if f.name not in _OVER_TIME)
        told = {name: plain(getattr(self, name)) for name in fields}
        if self.motion is None:
            del told["motion"]
        return told | {"events": [_event(event) for event in self.events]}


def _event(event: Loss) -> dict[str, Any]:
    """An event in the terms of JSON, with each tap's time beside its name."""
    told: dict[str, Any] = plain(event)
    same = 0.0 if event.kind == "sensor-fault" else None  # taps told in one fault went wrong at once
    apart_ms = told.pop("order_ms") or [same] * len(event.order)
    return told | {"order": [list(pair) for pair in zip(event.order, apart_ms, strict=True)]}


def plain(value: Any, digits: int = 12) -> Any:
    """Put a result in the terms of JSON, its numbers with some significant digits."""
    if isinstance(value, bool | str | int) or value is None:
        return value
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{digits}g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): plain(v, digits) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v, digits) for v in value]
    return {f.name: plain(getattr(value, f.name), digits) for f in dataclasses.fields(value)}
