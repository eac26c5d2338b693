"""An invented car that is pulled along the ground: springs, contacts and a balance, marched until it slips.

It knows nothing of undertray, and none of the lines that undertray fits: the car sinks on the springs of its
tyres and of its skirt until they carry weight and suction, each contact holds up to its own friction, and the
balance's pull is raised by its step until they let go together. The suction under the floor is a solved
field (``fakes.floor_field``), which the taps read where they lie. Numbers are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from fakes.floor_field import drawn, solve
from fakes.handlog import hand_car, hand_log

G = 9.80665
FLOOR_MM = ((0.0, -100.0), (300.0, -100.0), (300.0, 100.0), (0.0, 100.0))
TAPS_M = np.array([(0.06, -0.06), (0.06, 0.06), (0.24, -0.06), (0.24, 0.06)])
RATE_HZ = 20.0
LEVELS = ((1400.0, 400.0), (1550.0, 750.0), (1700.0, 1150.0))  # µs, Pa at the taps
_RISE_S, _HOLD_S, _REST_S = 0.1, 3.0, 1.5


@dataclass(frozen=True)
class Puller:
    """A car, what it stands on, and a balance.

    ``tyre_n_mm`` and ``skirt_n_mm`` are spring rates of all wheels and of the whole skirt, which just touches
    with the fans off. ``static`` is how many times more a contact takes to let go than to slide.
    """

    mass_kg: float = 2.0
    tyre_mu: float = 0.85
    skirt_mu: float = 0.35
    rolling: float = 0.02
    bearings_n: float = 0.25
    tyre_n_mm: float = 60.0
    skirt_n_mm: float = 20.0
    static: float = 1.12
    gain: float = 1.0
    repeat: float = 0.04
    step_n: float = 0.05
    falls: float = 0.0  # power of the load with which tyre_mu falls; it is that of the weight
    blown: bool = False  # the skirt is pressed on by suction alone, not by a spring

    @property
    def share(self) -> float:
        """Of the suction force that goes into the skirt: two springs side by side (textbook)."""
        return self.skirt_n_mm / (self.skirt_n_mm + self.tyre_n_mm)

    def contacts_n(self, suction_n: float, angle_deg: float = 0.0) -> tuple[float, float]:
        """What presses tyres and skirt on a surface, found by letting the car settle; neither can pull."""
        weight_n = self.mass_kg * G
        press_n = weight_n * np.cos(np.radians(angle_deg)) + suction_n
        if self.blown:
            return max(0.0, press_n - self.share * suction_n), self.share * suction_n
        touches_mm = weight_n / self.tyre_n_mm  # where the skirt is, standing on the ground with the fans off
        low_mm, high_mm = 0.0, (press_n + weight_n) / self.tyre_n_mm
        for _ in range(60):
            sunk_mm = (low_mm + high_mm) / 2
            tyres_n = self.tyre_n_mm * sunk_mm
            skirt_n = self.skirt_n_mm * max(0.0, sunk_mm - touches_mm)
            low_mm, high_mm = (sunk_mm, high_mm) if tyres_n + skirt_n < press_n else (low_mm, sunk_mm)
        return tyres_n, skirt_n

    def tyre_grip_n(self, load_n: float, share: float = 1.0) -> float:
        """Friction of tyres that have a share of the weight, under a load."""
        standing_n = share * self.mass_kg * G
        return self.tyre_mu * load_n * (max(load_n, 1e-9) / standing_n) ** -self.falls

    def drives(self, suction_n: float, angle_deg: float = 0.0, driven: float = 1.0) -> bool:
        """Whether wheels that carry a share of everything push it along level, from a stand."""
        tyres_n, skirt_n = self.contacts_n(suction_n, angle_deg)
        brakes_n = self.static * (self.rolling * tyres_n + self.bearings_n + self.skirt_mu * skirt_n)
        aside_n = driven * self.mass_kg * G * np.sin(np.radians(angle_deg))
        return bool(self.static * self.tyre_grip_n(driven * tyres_n, driven) >= np.hypot(brakes_n, aside_n))

    def stuck_pa(self, per_pa: float, most_pa: float, angle_deg: float = 0.0, driven: float = 1.0) -> float:
        """Suction above which it does not drive any more, raised by one Pa a step; infinite for none."""
        goes = [pa for pa in range(round(most_pa)) if self.drives(pa * per_pa, angle_deg, driven)]
        if not goes:
            return 0.0
        return float("inf") if goes[-1] >= round(most_pa) - 1 else float(goes[-1])

    def holds_n(self, suction_n: float, kind: str, wheels: str) -> float:
        """Pull at which it lets go, or that it takes to slide."""
        more = self.static if kind == "breakaway" else 1.0
        tyres_n, skirt_n = self.contacts_n(suction_n)
        four = [tyres_n / 4] * 4
        if wheels == "locked":
            each = [self.tyre_grip_n(n, 0.25) for n in four]
        else:
            each = [self.rolling * n + self.bearings_n / 4 for n in four]
        return more * (sum(each) + self.skirt_mu * skirt_n)

    def read_n(self, rng: np.random.Generator, holds_n: float) -> float:
        """What the balance shows: raised by its step until it moves, never the same twice."""
        real_n = holds_n * (1 + self.repeat * rng.standard_normal())
        return float(np.ceil(self.gain * real_n / self.step_n - 0.5) * self.step_n)


@cache
def uneven(seed: int) -> tuple[tuple[float, ...], float, float, float]:
    """What taps read, the force of the floor and the loads of the axles, N, for a mean reading of 1 Pa."""
    field = solve(drawn(seed, FLOOR_MM, cell_m=0.014))
    taps = field.at(*TAPS_M.T)
    loads_n = (field.downforce_n, *field.axles_n(0.3))
    whole_n, front_n, rear_n = (n / float(taps.mean()) for n in loads_n)
    return tuple((taps / taps.mean()).tolist()), whole_n, front_n, rear_n


@dataclass(frozen=True)
class Session:
    """Files of one evening of pulls, and what was true."""

    log: Path
    car: Path
    pulls: Path
    calibration: Path
    truth: dict[str, float]


def session(
    folder: Path,
    puller: Puller,
    seed: int = 0,
    *,
    floor: int | None = None,
    plan: tuple[tuple[str, str], ...] = (
        ("breakaway", "free"),
        ("moving", "free"),
        ("breakaway", "locked"),
        ("moving", "locked"),
    ),
    times: int = 2,
    alone: int = 0,
    extra: str = "",
    gain_sd: float = 0.01,
    noise_pa: float = 2.0,
    levels: tuple[tuple[float, float], ...] = LEVELS,
) -> Session:
    """Record a run with a dwell at each throttle, and pull the car in each, ``times`` times a way."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, 99])
    even = ((1.0,) * 4, 0.06, 0.03, 0.03)
    shape, per_pa, front_n, rear_n = even if floor is None else uneven(floor)
    period = _RISE_S * 10 + _HOLD_S + _REST_S
    t = np.arange(round((1 + period * len(levels)) * RATE_HZ)) / RATE_HZ
    level, throttle = np.zeros(len(t)), np.full(len(t), 1000.0)
    for place, (us, pa) in enumerate(levels):
        start = 1 + period * place
        here = (t >= start) & (t < start + period - _REST_S)
        throttle[here] = us
        level[here] = pa * -np.expm1(-(t[here] - start) / _RISE_S)
    gains = 1 + gain_sd * rng.standard_normal(4)
    read = level[:, None] * np.array(shape) * gains + rng.normal(0, noise_pa, (len(t), 4))
    rows = ["# invented", "throttle_us,kind,wheels,pull_n,load_n"]
    for kind, wheels in plan:
        for us, pa in ((1000.0, 0.0), *levels):
            for _ in range(times):
                reading = puller.read_n(rng, puller.holds_n(pa * per_pa, kind, wheels))
                rows.append(f"{us:g},{kind},{wheels},{max(reading, puller.step_n):.2f},")
    for place in range(alone):
        load_n = 2.0 + 2.0 * place
        reading = puller.read_n(rng, puller.skirt_mu * load_n)
        rows.append(f",moving,none,{max(reading, puller.step_n):.2f},{load_n:g}")
    pulls = folder / "pulls.csv"
    pulls.write_text("\n".join(rows) + "\n", encoding="utf-8")
    slip = puller.mass_kg * G
    truth = {
        "share": puller.share,
        "tyre_mu": puller.tyre_mu,
        "skirt_mu": puller.skirt_mu,
        "rolling": puller.rolling + puller.bearings_n / slip,
        # what the taps read for 1 Pa that they would, and what that does
        "read": float(np.mean(np.array(shape) * gains)),
        "whole_n": per_pa,
        "front_n": front_n,
        "rear_n": rear_n,
    }
    for kind in ("breakaway", "moving"):
        for wheels in ("free", "locked"):
            low, high = (puller.holds_n(n, kind, wheels) for n in (0.0, 50.0))
            truth |= {f"{kind}.{wheels}.level_n": low, f"{kind}.{wheels}.per_n": (high - low) / 50.0}
    return Session(
        hand_log(folder / "run.csv", read, throttle, RATE_HZ),
        hand_car(folder / "car.toml", extra, puller.mass_kg),
        pulls,
        _certificate(folder / "calibration.json", gain_sd),
        truth,
    )


def _certificate(path: Path, gain_sd: float) -> Path:
    """A calibration that leaves the parts as they are, and knows what their gains were drawn with."""
    column = {"part": "HSC", "coefficients": [0.0, 1.0], "covariance": [[0.01, 0.0], [0.0, gain_sd**2]]}
    column |= {"range_pa": [-10.0, 4000.0], "residual_sd_pa": 0.2, "points": []}
    data = {
        "format": 1,
        "made_utc": "2026-05-01T00:00:00Z",
        "fluid": {},
        "gravity_m_s2": G,
        "uid": "0badcafe",
    }
    path.write_text(json.dumps(data | {"columns": {f"p{i}": column for i in range(1, 5)}}), encoding="utf-8")
    return path


Ends = tuple[float, float]


@dataclass(frozen=True)
class Evenings:
    """Cars, balances and floors nobody knows, each pulled on one evening: what they are drawn from."""

    stream: int
    tyre_mu: Ends
    skirt_mu: Ends
    skirt_n_mm: Ends
    repeat: Ends
    blown: bool = False
    falls: float = 0.0

    def drawn(self, folder: Path, seed: int) -> tuple[Session, Puller]:
        """One of them."""
        rng = np.random.default_rng([seed, self.stream])
        puller = Puller(
            tyre_mu=rng.uniform(*self.tyre_mu),
            skirt_mu=rng.uniform(*self.skirt_mu),
            skirt_n_mm=rng.uniform(*self.skirt_n_mm),
            rolling=rng.uniform(0.005, 0.03),
            bearings_n=rng.uniform(0.05, 0.4),
            gain=1 + rng.uniform(-0.02, 0.02),
            repeat=rng.uniform(*self.repeat),
            blown=self.blown and bool(rng.random() < 0.5),
            falls=self.falls,
        )
        return session(folder, puller, seed, floor=seed), puller

    def hits(
        self, folder: Path, seeds: range, held: Callable[[Session, Puller], Mapping[str, bool]]
    ) -> dict[str, int]:
        """How often each thing that is told holds the truth."""
        count: dict[str, int] = {}
        for seed in seeds:
            for name, good in held(*self.drawn(folder, seed)).items():
                count[name] = count.get(name, 0) + bool(good)
        return count
