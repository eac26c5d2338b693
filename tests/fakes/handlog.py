"""A run log written by hand after the format's text alone: no code of the program's, so it shares no slip."""

from __future__ import annotations

import binascii
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

PA_PER_COUNT = 0.61
_ZERO, _LEAST, _MOST = 8192, 1638, 14746
# What the board's note says of an accelerometer that lies as the car does.
ACCELEROMETER: dict[str, Any] = {
    **{"part": "LIS3DH", "bus": 0, "address": 25, "mg_per_count": 4, "range_mg": 8000, "odr_hz": 400},
    **{"forward": "+x", "up": "+z"},
}


def checked(text: str) -> str:
    """A line of the wire: the text, a comma, the CRC-16/IBM-3740 of the text."""
    return f"{text},{binascii.crc_hqx(text.encode(), 0xFFFF):04x}"


def hand_log(
    path: Path,
    suction_pa: Any,
    throttle_us: Any,
    rate_hz: float = 200.0,
    pack_mv: Sequence[float] | None = None,
    ports: Sequence[str] = (),
    inverted: Sequence[int] = (),
    facts: dict[str, Any] | None = None,
    channels: dict[str, Any] | None = None,
    accelerometer: dict[str, Any] | None = None,
) -> Path:
    """Rows of parts of +-4000 Pa (14 bit); ``inverted`` hoses sit on the port that the note does not name.

    ``suction_pa`` (n, taps) is what is under the floor; ``throttle_us`` (n,), NaN where none came in;
    ``pack_mv`` (n,) goes into a status a second. ``channels`` are whole numbers behind the columns by name,
    NaN for an empty field; ``accelerometer`` is what the note says of three of them.
    """
    truth = np.asarray(suction_pa, float)
    n, taps = truth.shape
    ports = ports or ["low"] * taps
    signs = np.array([1 if port == "low" else -1 for port in ports])
    signs[list(inverted)] *= -1
    counts = np.clip(np.round(_ZERO + signs * truth / PA_PER_COUNT), _LEAST, _MOST).astype(int)
    scale = {"zero": _ZERO, "pa_per_count": PA_PER_COUNT, "min": _LEAST, "max": _MOST}
    columns = [
        {
            **{"name": f"p{i + 1}", "part": "HSC", "range": "040MD", "bus": 0, "address": 40 + i},
            **{"mux": None, "port": ports[i], "scale": scale},
        }
        for i in range(taps)
    ]
    device = {
        **{"wire": 1, "firmware": "0.1.0", "board": "hand", "uid": "0badcafe", "boot": 7},
        **{"rate_hz": rate_hz, "tick_hz": 1_000_000, "tick_bits": 30, "columns": columns},
    }
    names = [*(column["name"] for column in columns), *(channels or {})]
    if channels:
        device |= {"wire": 2, "channels": list(channels)}
        device |= {"accelerometer": accelerometer} if accelerometer else {}
    told = json.dumps({"started_utc": "2026-05-02T10:15:00Z", "notes": {"invented": "yes"}, **(facts or {})})
    lines = [
        "#undertray-run 1",
        f"#run {told}",
        f"#wire 1000 {checked('#device,' + json.dumps(device))}",
        f"host_us,seq,t_us,throttle_us,flags,{','.join(names)},crc",
    ]
    throttle = np.broadcast_to(np.asarray(throttle_us, float), (n,))
    for i in range(n):
        t_us = round(i * 1e6 / rate_hz)
        if pack_mv is not None and i % round(rate_hz) == 0:
            status = {"t_us": t_us, "pack_mv": round(pack_mv[i]), "skipped": 0}
            lines.append(f"#wire {t_us + 5000} {checked('#status,' + json.dumps(status))}")
        pulse = "" if np.isnan(throttle[i]) else str(round(throttle[i]))
        more = [float(values[i]) for values in (channels or {}).values()]
        numbers = [*map(str, counts[i]), *("" if np.isnan(v) else str(round(v)) for v in more)]
        row = checked(f"{i % 65536},{t_us % 2**30},{pulse},0,{','.join(numbers)}")
        lines.append(f"{t_us + 5123},{row}")
    lines.append("#end " + json.dumps({"rows": n, "bad": 0, "seconds": n / rate_hz, "why": "stopped"}))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def hand_car(path: Path, extra: str = "", mass_kg: float = 2.0) -> Path:
    """An invented car: floor of 300 x 200 mm between its axles, a tap over each wheel."""
    places = {
        "front-left": (60, -60),
        "front-right": (60, 60),
        "rear-left": (240, -60),
        "rear-right": (240, 60),
    }
    taps = "".join(
        f'[[tap]]\nname = "{name}"\ncolumn = "p{i + 1}"\nx = {x}\ny = {y}\n'
        for i, (name, (x, y)) in enumerate(places.items())
    )
    path.write_text(
        f'format = 1\nname = "Heron (invented)"\nmass = {mass_kg}\nwheelbase = 300\nfront_weight = 0.5\n'
        f"allowance = 0.2\nfloor = [[0, -100], [300, -100], [300, 100], [0, 100]]\n{taps}{extra}",
        encoding="utf-8",
    )
    return path


def hand_calibration(folder: Path) -> Path:
    """A calibration of the day before that leaves the parts as they are, known to 1 %."""
    column = {"part": "HSC", "coefficients": [0.0, 1.0], "covariance": [[1.0, 0.0], [0.0, 1e-4]]}
    column |= {"range_pa": [-10.0, 2000.0], "residual_sd_pa": 1.0, "points": []}
    data = {
        **{"format": 1, "made_utc": "2026-05-01T00:00:00Z", "fluid": {}, "gravity_m_s2": 9.80665},
        **{"uid": "0badcafe", "columns": {f"p{i}": column for i in range(1, 5)}},
    }
    path = folder / "calibration.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path
