"""Runs as a comparison takes them: steady blocks drawn at random, no recording behind them."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.signal import lfilter

from undertray.report.comparedrun import Digest


def _noise(rng: np.random.Generator, n: int, correlation_s: float) -> Any:
    phi = np.exp(-0.1 / correlation_s)
    return lfilter([np.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=n + 400))[400:]


def minute(
    rng: np.random.Generator,
    run: str,
    value: str,
    factor: float = 1.0,
    correlation_s: float = 1.0,
    mounting: str | None = None,
) -> Digest:
    """Steady blocks of a 60 s run: 2 % of slow noise, 0.3 % of white noise, a trembling throttle."""
    n = 560
    common = 1 + 0.02 * _noise(rng, n, correlation_s) + 0.003 * rng.normal(size=n)
    axles = [26.0 * factor * (common + 0.007 * _noise(rng, n, correlation_s)) for _ in range(2)]
    return Digest(
        run=run,
        value=value,
        started=run,
        calibrated=True,
        throttle_us=1700.0 + rng.integers(-2, 3, n),
        idle_us=1000.0,
        quantities={"suction_pa": 1500.0 * factor * common, "front_n": axles[0], "rear_n": axles[1]},
        required_n={"front": 19.0, "rear": 17.0},
        losses=int(rng.poisson(0.5)),
        dips=0,
        warnable=0,
        up_s=57.0,
        warnings_s=(),
        verdict="held",
        least_margin_n=3.0 * factor,
        mounting=run if mounting is None else mounting,
        pack_mv=np.full(n, 8000.0),
    )
