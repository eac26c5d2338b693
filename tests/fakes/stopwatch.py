"""Time that works take, side by side in one run."""

from __future__ import annotations

import time
from collections.abc import Callable


def cpu_s(*works: Callable[[], object], turns: int = 7) -> list[float]:
    """The least of some turns for each, taken in turn, as everything else on the machine only adds."""
    best = [float("inf")] * len(works)
    for _ in range(turns):
        for i, work in enumerate(works):
            begun = time.process_time()
            work()
            best[i] = min(best[i], time.process_time() - begun)
    return best
