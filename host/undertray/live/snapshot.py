"""What the live view shows at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from undertray.reduce.steady import REST_US

__all__ = ["AxleNow", "Snapshot", "TapNow"]


@dataclass(frozen=True, slots=True)
class TapNow:
    """One tap, or one pressure column where no car is given."""

    name: str
    suction_pa: float | None
    fault: str


@dataclass(frozen=True, slots=True)
class AxleNow:
    """Load on one axle against what it needs."""

    name: str
    downforce_n: float
    required_n: float
    margin_n: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The run as it stands."""

    elapsed_s: float = 0.0
    rows_per_s: float = 0.0
    rows: int = 0
    lost: int = 0
    bad: int = 0
    segments: int = 1
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
    notice: str = ""
    live: bool = True

    def dead(self, **changes: Any) -> Snapshot:
        """Take away every figure that was judged: what is no longer so must not look as if it were."""
        kept = ("elapsed_s", "rows", "lost", "bad", "segments", "link", "disk", "alarms")
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
        return "fans at rest" if resting else "DOES NOT HOLD"

    def as_dict(self) -> Mapping[str, Any]:
        """Turn it into what JSON can hold."""
        return {**asdict(self), "holding": self.holding}
