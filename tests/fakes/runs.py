"""A run in memory from given suctions, as if its log had been read; no file, no board."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from undertray.acquire.device import Column, Device
from undertray.acquire.runlog import Run

PA_PER_COUNT = 0.61
_ZERO = 8192


def run_of(
    t_s: Any,
    tap_pa: Any,
    throttle_us: Any,
    facts: Mapping[str, Any] | None = None,
    name: str = "invented",
    pa_per_count: float = PA_PER_COUNT,
) -> Run:
    """Rows at ``t_s`` (n,) with suctions ``tap_pa`` (n, taps) and pulses ``throttle_us`` (n,), all good."""
    t_s = np.asarray(t_s, float)
    n, taps = np.shape(tap_pa)
    scale = {"zero": _ZERO, "pa_per_count": pa_per_count, "min": 1638, "max": 14746}
    columns = tuple(Column(f"p{i + 1}", "HSC", "040MD", 0, 40 + i, None, "low", scale) for i in range(taps))
    time_us = np.round(t_s * 1e6).astype(np.int64)
    fields: dict[str, Any] = {
        "name": name,
        "facts": dict(facts or {}),
        "device": Device(
            "0.1.0", "test", "00", 1, round((n - 1) / (t_s[-1] - t_s[0]), 3), 1_000_000, 30, columns
        ),
        "columns": tuple(c.name for c in columns),
        "host_us": time_us,
        "seq": np.arange(n) % 65536,
        "t_us": time_us % 2**30,
        "throttle_us": np.asarray(throttle_us, float),
        "flags": np.zeros(n, np.int64),
        "counts": np.round(_ZERO + np.asarray(tap_pa) / pa_per_count),
        "notes": (),
        "bad_lines": 0,
        "cut_off": False,
        "end": {},
    }
    return Run(**fields)
