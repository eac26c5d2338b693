"""What the live view shows at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from undertray.reduce.steady import REST_US
from undertray.report.display import Display

__all__ = [
    "RESTING",
    "AlarmSeen",
    "AxleNow",
    "Snapshot",
    "TapNow",
    "five_signs",
    "n_now",
    "pa_now",
    "page_units",
]


RESTING = "fans at rest"
"""What they hold then: nothing is asked of them."""
_SAME_ROW = 0.1  # of the length between the foremost tap and the last


@dataclass(frozen=True, slots=True)
class TapNow:
    """One tap, or one pressure column where no car is given; its place under the floor where one is."""

    name: str
    suction_pa: float | None
    fault: str
    x_mm: float | None = None
    y_mm: float | None = None


@dataclass(frozen=True, slots=True)
class AxleNow:
    """Load on one axle against what it needs."""

    name: str
    downforce_n: float
    required_n: float
    margin_n: float


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """The last alarm, kept after it is over: what, when, until when, and the worst while it lasted."""

    words: str
    at_s: float
    until_s: float | None = None
    axle: str = ""
    worst_n: float | None = None
    least_pa: float | None = None

    def going_on(self, now: Snapshot) -> AlarmSeen:
        """The same alarm with what one more moment says."""
        axle, worst_n, least_pa = self.axle, self.worst_n, self.least_pa
        if now.limiting is not None and (worst_n is None or now.limiting.margin_n < worst_n):
            axle, worst_n = now.limiting.name, now.limiting.margin_n
        if now.suction_pa is not None and (least_pa is None or now.suction_pa < least_pa):
            least_pa = now.suction_pa
        more = [one for one in now.alarm.split(", ") if one not in self.words.split(", ")]
        return replace(
            self, words=", ".join([self.words, *more]), axle=axle, worst_n=worst_n, least_pa=least_pa
        )


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The run as it stands."""

    elapsed_s: float = 0.0
    rows_per_s: float = 0.0
    rows: int = 0
    lost: int = 0
    bad: int = 0
    segments: int = 1
    missing: float = 0.0
    """Share of the rows of the last two seconds that never came."""
    link: str = "waiting"
    disk: str = "ok"
    taps: tuple[TapNow, ...] = ()
    axles: tuple[AxleNow, ...] = ()
    suction_pa: float | None = None
    downforce_n: float | None = None
    required_n: float | None = None
    throttle_us: float | None = None
    seal_index: float | None = None
    alarm: str = ""
    alarms: int = 0
    withdrawn: int = 0
    last_alarm: AlarmSeen | None = None
    marks: int = 0
    notice: str = ""
    live: bool = True

    def dead(self, **changes: Any) -> Snapshot:
        """Take away every figure that was judged: what is no longer so must not look as if it were."""
        kept = (
            *("elapsed_s", "rows", "lost", "bad", "segments", "link", "disk"),
            *("alarms", "withdrawn", "last_alarm", "marks"),
        )
        return Snapshot(**{**{key: getattr(self, key) for key in kept}, "live": False, **changes})

    @property
    def limiting(self) -> AxleNow | None:
        """The axle that lets go first."""
        return min(self.axles, key=lambda axle: axle.margin_n, default=None)

    @property
    def holding(self) -> str:
        """``holds``, ``DOES NOT HOLD``, or ``fans at rest``, which ask for nothing; empty without axles."""
        if self.limiting is None:
            return ""
        if self.limiting.margin_n >= 0:
            return "holds"
        resting = self.throttle_us is not None and self.throttle_us <= REST_US
        return RESTING if resting else "DOES NOT HOLD"

    @property
    def tap_rows(self) -> list[list[TapNow]]:
        """Taps as they lie under the floor: rows from front to rear, left to right; none without places."""
        placed = sorted((tap for tap in self.taps if tap.x_mm is not None), key=lambda tap: tap.x_mm or 0.0)
        if not placed or len(placed) < len(self.taps):
            return []
        near = _SAME_ROW * ((placed[-1].x_mm or 0.0) - (placed[0].x_mm or 0.0))
        rows: list[list[TapNow]] = []
        for tap in placed:
            if rows and (tap.x_mm or 0.0) - (rows[-1][0].x_mm or 0.0) <= near:
                rows[-1].append(tap)
            else:
                rows.append([tap])
        return [sorted(row, key=lambda tap: tap.y_mm or 0.0) for row in rows]

    def as_dict(self) -> Mapping[str, Any]:
        """Turn it into what JSON can hold."""
        rows = [[self.taps.index(tap) for tap in row] for row in self.tap_rows]
        return {**asdict(self), "holding": self.holding, "tap_rows": rows}


# Figures that change while one looks: always to the same decimals.


def pa_now(value_pa: float | None, units: Display) -> str:
    """A suction with its unit."""
    return "?" if value_pa is None else f"{units.pa_text(value_pa)} {units.pressure}"


def n_now(value_n: float | None, units: Display, sign: str = "") -> str:
    """A force with its unit."""
    return "?" if value_n is None else f"{units.n_text(value_n, f'{sign}z')} {units.force}"


def five_signs(value: float, places: int, sign: str = "") -> str:
    """A bare figure in five signs, to the right: what grows by a digit moves nothing."""
    fits = (f"{value:{sign}z.{some}f}" for some in range(places, -1, -1))
    text = next((one for one in fits if len(one) <= 5), f"{max(-9999, min(9999, value)):{sign}.0f}")
    return f"{text:>5}"


def page_units(units: Display) -> Mapping[str, Any]:
    """What the page needs to show the same."""
    pressure_places, force_places, _ = units.places
    return {
        "pressure": units.pressure,
        "force": units.force,
        "pressure_pa": units.pressure_pa,
        "force_n": units.force_n,
        "pressure_places": pressure_places,
        "force_places": force_places,
    }
