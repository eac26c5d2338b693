"""A fan over a leaking plenum, and the log a board would have made of it.

Written from the physics alone: nothing here is imported from undertray, so that what it tells does not share
the assumptions of the project's own scenarios. The quadratic fan curve, the square-root leak and a rotor that
is driven, or left to coast against its own air, are textbook; their numbers are invented.
"""

from __future__ import annotations

import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CAR_TOML = """\
# invented: no such car exists
format = 1
name = "Plover (invented)"
mass = 2.2
wheelbase = 250
front_weight = 0.5
floor = [[-25, -85], [275, -85], [275, 85], [-25, 85]]
allowance = 0.2
surface_angle = 180
[[tap]]
name = "front-left"
column = "p1"
x = 50
y = -45
[[tap]]
name = "front-right"
column = "p2"
x = 50
y = 45
[[tap]]
name = "rear-left"
column = "p3"
x = 200
y = -45
[[tap]]
name = "rear-right"
column = "p4"
x = 200
y = 45
"""
# derived: the floor is 0.3 m x 0.17 m, even suction presses both axles alike, and each carries half of 2.2 kg
FLOOR_M2 = 0.3 * 0.17
STAY_N = 2.2 * 9.80665
NEED_N = 1.2 * STAY_N
STAY_PA, NEED_PA = STAY_N / FLOOR_M2, NEED_N / FLOOR_M2

_DT = 1e-3
_FRAME_S = 0.02
_ZERO, _PA_PER_COUNT = 8192, 0.6103143
_SHARES = np.array([1.03, 1.01, 0.99, 0.97])


@dataclass(frozen=True)
class Fold:
    """Part of the skirt that folds under, and comes back or not."""

    at_s: float
    until_s: float = np.inf
    opens_mm2: float = 900.0
    takes_s: float = 0.02


@dataclass(frozen=True)
class World:
    """Fans, seal and driver.

    ``stick`` are corners (time in s, pulse in µs) of the throttle, straight between them; ``unknown`` are
    times between which the board saw no pulse, though the fans went on as the stick says.
    """

    stick: Sequence[tuple[float, float]]
    folds: Sequence[Fold] = ()
    unknown: Sequence[tuple[float, float]] = ()
    logged: bool = True
    coast_s: float = 0.0  # time to half the speed when let go; 0: the controllers brake
    full_pa: float = 1500.0  # of the closed fan at 2000 µs
    seal_mm2: float = 160.0
    rate_hz: int = 200
    seed: int = 0

    @property
    def seconds(self) -> float:
        return self.stick[-1][0]

    def suction(self) -> tuple[Array, Array, Array]:
        """Time in s (n,), true suction at the taps in Pa (n, 4) and pulses in µs (n,), every millisecond."""
        t_s = np.arange(round(self.seconds / _DT)) * _DT
        corners = np.array(self.stick)
        frames = np.floor(t_s / _FRAME_S) * _FRAME_S  # a receiver sends a pulse every 20 ms
        pulse_us = np.interp(frames, corners[:, 0], corners[:, 1])
        wanted = np.clip((pulse_us - 1030.0) / 970.0, 0.0, 1.0) ** 0.9
        speed, now = np.zeros(len(t_s)), 0.0
        for i, aim in enumerate(wanted.tolist()):
            if aim >= now:
                now += (aim - now) * _DT / 0.18
            elif self.coast_s:
                # air alone slows it: dN/dt = -N^2 / (N0 T) halves N0 in T
                now = max(aim, now - now * now / self.coast_s * _DT)
            else:
                now += (aim - now) * _DT / 0.07
            speed[i] = now
        open_mm2, open_share = np.full(len(t_s), self.seal_mm2), np.zeros(len(t_s))
        for fold in self.folds:
            share = np.clip((t_s - fold.at_s) / fold.takes_s, 0, 1) * (t_s < fold.until_s)
            open_mm2 += share * fold.opens_mm2
            open_share = np.maximum(open_share, share)
        # fan p = P N^2 - k Q^2 against leak Q = 0.6 A sqrt(2 p / rho)
        flow = 0.6 * open_mm2 * 1e-6 * np.sqrt(2 / 1.2)
        steady_pa = self.full_pa * speed**2 / (1 + 1.0e7 * flow**2)
        pa, level = np.empty(len(t_s)), 0.0
        for i, aim in enumerate(steady_pa.tolist()):
            level += (aim - level) * _DT / 0.006
            pa[i] = level
        taps = pa[:, None] * _SHARES
        taps[:, 0] *= 1 - 0.25 * open_share  # most is missing where the skirt gave way
        return t_s, taps, pulse_us

    def write(self, path: Path, **facts: str) -> Path:
        """Write the log of a drive in this world."""
        rng = np.random.default_rng(self.seed)
        t_s, taps, pulse_us = self.suction()
        every = round(1 / self.rate_hz / _DT)
        t_s, taps, pulse_us = t_s[::every], taps[::every], pulse_us[::every]
        counts = np.rint(_ZERO + (taps + rng.normal(0, 4.0, taps.shape)) / _PA_PER_COUNT).astype(int)
        shown = np.rint(pulse_us + rng.uniform(-2, 2, len(t_s))).astype(int).astype(str).astype(object)
        for a, b in self.unknown:
            shown[(t_s >= a) & (t_s < b)] = ""
        if not self.logged:
            shown[:] = ""
        columns = [
            {"name": f"p{i + 1}", "part": "HSC", "range": "040MD", "bus": 0, "address": 40 + i, "mux": None}
            | {
                "port": "low",
                "scale": {"zero": _ZERO, "pa_per_count": _PA_PER_COUNT, "min": 1638, "max": 14746},
            }
            for i in range(taps.shape[1])
        ]
        device = {
            "wire": 1,
            "firmware": "0.1.0",
            "board": "invented",
            "uid": "e6614103e7452d2f",
            "boot": 7 + self.seed,
        }
        device |= {"rate_hz": self.rate_hz, "tick_hz": 1000000, "tick_bits": 30, "columns": columns}
        run = {"started_utc": f"2026-05-02T10:{15 + self.seed}:00Z", "car": "Plover (invented)", **facts}
        head = ["#undertray-run 1", "#run " + json.dumps(run)]
        head.append("#wire 900 " + _checked("#device," + json.dumps(device, separators=(",", ":"))))
        head.append("host_us,seq,t_us,throttle_us,flags,p1,p2,p3,p4,crc")
        rows = []
        for i, (t, row) in enumerate(zip(t_s.tolist(), counts.tolist(), strict=True)):
            t_us = 1000 + round(t * 1e6)
            said = f"{i % 65536},{t_us % 2**30},{shown[i]},0,{','.join(map(str, row))}"
            rows.append(f"{t_us + 800},{_checked(said)}")
        end = {"rows": len(rows), "bad": 0, "seconds": len(rows) / self.rate_hz, "why": "stopped"}
        path.write_text("\n".join([*head, *rows, "#end " + json.dumps(end), ""]), encoding="utf-8")
        return path


def _checked(text: str) -> str:
    return f"{text},{binascii.crc_hqx(text.encode(), 0xFFFF):04x}"


def write_points(path: Path) -> Path:
    """Points of a calibration against a water column: true sensors, read to a tenth of a millimetre or so."""
    rng = np.random.default_rng(5)
    lines = ["height_mm,direction,p1_pa,p2_pa,p3_pa,p4_pa"]
    heights = np.arange(0, 161, 20.0)
    for way, order in (("up", heights), ("down", heights[::-1])):
        for mm in order.tolist():
            # 997.77 kg/m3 at 22 degC and 9.80665 m/s2 (both from memory): 9.785 Pa a mm
            read = 9.785 * mm + rng.normal(0, 1.5, 4)
            lines.append(f"{mm:g},{way}," + ",".join(f"{pa:.2f}" for pa in read))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
