"""What goes wrong: openings of the skirt, faults of the sensors, and a board that misses rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worlds.vehicle import CELLS, STEP_S, Array, Vehicle, operating_point

LIFT_M = 0.008


@dataclass(frozen=True)
class Opening:
    """The skirt opens: how wide each cell's share gets, when, how fast, and whether it falls back."""

    at_s: float
    area_m2: tuple[float, ...]  # a cell, fully open
    delay_s: tuple[float, ...]  # a cell, after at_s
    rise_s: float
    hold_s: float = float("inf")
    fall_s: float = 0.05
    stages: int = 1  # a tear goes on in jerks
    flutter_s: float = 0.0  # before at_s; it flutters whether or not it then opens
    flutter_hz: float = 30.0
    flutter: float = 0.0  # of area_m2

    def open_m2(self, t_s: Array) -> Array:
        """Area beyond the closed skirt, shape (T, CELLS)."""
        out = np.zeros((len(t_s), CELLS))
        for c in range(CELLS):
            if not self.area_m2[c]:
                continue
            begin = self.at_s + self.delay_s[c]
            share = np.zeros(len(t_s))
            for stage in range(self.stages):
                up = (t_s - begin - stage * 1.6 * self.rise_s) / self.rise_s
                share += _ease(up) / self.stages
            if np.isfinite(self.hold_s):
                share *= 1 - _ease((t_s - begin - self.rise_s - self.hold_s) / self.fall_s)
            out[:, c] = share * self.area_m2[c]
        return out

    def open_by_s(self) -> float:
        """When the last of it is open, and a little on for the air and the hoses."""
        return self.at_s + max(self.delay_s) + self.rise_s * (1 + 1.6 * (self.stages - 1)) + 0.06

    def flutter_m2(self, t_s: Array) -> Array:
        """Area by the flutter that comes before, shape (T, CELLS)."""
        lead = (t_s - self.at_s + self.flutter_s) / max(self.flutter_s, 1e-9)
        grows = np.where((lead > 0) & (lead < 1), lead * lead, 0.0) * self.flutter
        wave = 0.5 - 0.5 * np.cos(2 * np.pi * self.flutter_hz * (t_s - self.at_s + self.flutter_s))
        return (grows * wave)[:, None] * np.array(self.area_m2)


def _ease(x: Array) -> Array:
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def leak_m2(car: Vehicle) -> Array:
    """Leak of the closed skirt, pulled down, shape (CELLS,)."""
    return np.array(car.gap_m) * np.array(car.edge_m)


def sized(car: Vehicle, shares: Array, taps: tuple[int, ...], drop: float) -> tuple[float, ...]:
    """Areas in those proportions that take the mean of the taps down by `drop`, by the fan and orifice laws.

    The springs are left out, so the real fall is a little deeper. No edge lifts by more than LIFT_M; where
    that does not do, the opening spreads over more of the floor.
    """
    closed, edge = leak_m2(car), np.array(car.edge_m)
    held = list(taps)
    before = operating_point(car, 1000.0, closed)[1][held].mean()

    def fall(area: Array) -> float:
        return float(1 - operating_point(car, 1000.0, closed + area)[1][held].mean() / before)

    for spread in np.linspace(0, 1, 6):
        now = (1 - spread) * shares / shares.sum() + spread * edge / edge.sum()
        high = float((LIFT_M * edge[now > 0] / now[now > 0]).min())
        if fall(high * now) >= drop:
            break
    low = 0.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fall(middle * now) < drop else (low, middle)
    return tuple(float(v) for v in high * now)


_NEXT = {0: (1, 2), 1: (0, 3), 2: (0, 4), 3: (1, 5), 4: (5, 2), 5: (4, 3)}


def opening(
    car: Vehicle,
    rng: np.random.Generator,
    at_s: float,
    taps: tuple[int, ...],
    drop: float,
    rise_s: float,
    cell: int | None = None,
    run_s: float | None = None,
    **more: float,
) -> Opening:
    """It starts at one cell and runs along the edge, all round it where `run_s` a cell is given."""
    cell = int(rng.choice(taps)) if cell is None else cell
    shares, delay = np.zeros(CELLS), np.zeros(CELLS)
    shares[cell] = 1.0
    run = float(rng.choice([0.0, rng.uniform(0.005, 0.04)])) if run_s is None else run_s
    for rank, other in enumerate(_NEXT[cell]):
        if run_s is not None or rng.random() < 0.6:
            shares[other] = float(rng.uniform(0.1, 0.6))
            delay[other] = run * (1 + rank)
    if run_s is not None:  # all round
        rest = shares == 0
        shares[rest], delay[rest] = 0.5, 3 * run
    area = sized(car, shares / shares.sum(), taps, drop)
    return replace(
        Opening(at_s, area, tuple(float(v) for v in delay), rise_s),
        **{k: (int(v) if k == "stages" else v) for k, v in more.items()},
    )


@dataclass(frozen=True)
class TapFault:
    """One tap goes wrong: its number among the taps, how, from when to when."""

    tap: int
    how: str  # hose-off, pinched, clogged, stuck, missing, intermittent, saturated
    at_s: float
    until_s: float = float("inf")
    lag_s: float = 60.0  # pinched, clogged: time constant it ends at

    def apply(self, t_s: Array, seen_pa: Array, rng: np.random.Generator) -> Array:
        """What the diaphragm sees instead; NaN where there is no reading. Shape (T,)."""
        on = (t_s >= self.at_s) & (t_s < self.until_s)
        if self.how == "hose-off":
            still = rng.normal(0, 1.5, len(t_s))
            since = np.clip((t_s - self.at_s) / 0.004, 0, 1)
            return np.where(on, seen_pa * (1 - _ease(since)) + still, seen_pa)
        if self.how in ("pinched", "clogged"):
            grow = 1.0 if self.how == "pinched" else 4.0
            share = np.clip((t_s - self.at_s) / grow, 1e-3, 1) if grow > 1 else np.ones(len(t_s))
            out, now = seen_pa.copy(), 0.0
            first = int(np.searchsorted(t_s, self.at_s))
            now = float(seen_pa[first])
            for k in range(first, int(on.nonzero()[0][-1]) + 1):
                now += STEP_S / (self.lag_s * share[k] + STEP_S) * (float(seen_pa[k]) - now)
                out[k] = now
            return out
        if self.how == "missing":
            return np.where(on, np.nan, seen_pa)
        if self.how == "intermittent":
            edges = np.cumsum(rng.exponential(0.25, int(t_s[-1] / 0.2)) + 0.03)
            off = np.searchsorted(edges, t_s - self.at_s) % 2 == 0
            return np.where(on & off, np.nan, seen_pa)
        return seen_pa  # stuck and saturated are made where counts are


@dataclass(frozen=True)
class Recorder:
    """The board: how it samples and what it misses."""

    rate_hz: float
    jitter_s: float
    skip_share: float
    gaps: tuple[tuple[float, float], ...] = ()  # from, length, s
    throttle_from_s: float = 0.0
    throttle_until_s: float = float("inf")
    throttle_holes: tuple[tuple[float, float], ...] = ()
    stale_share: float = 0.0
    pack_logged: bool = True
    first_tick: int = 0
    first_seq: int = 0

    def row_times_s(self, rng: np.random.Generator, seconds: float) -> tuple[Array, Array]:
        """When rows were read, and their slot numbers."""
        slot = np.arange(int(seconds * self.rate_hz) - 1)
        t = 0.02 + slot / self.rate_hz + np.abs(rng.normal(0, self.jitter_s, len(slot)))
        t = np.maximum.accumulate(t)  # a late row makes the next one late
        keep = rng.random(len(slot)) >= self.skip_share
        for begin, length in self.gaps:
            keep &= ~((t >= begin) & (t < begin + length))
        keep[0] = True
        return t[keep], slot[keep]
