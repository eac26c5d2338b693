"""Settings of the whole suite: what is drawn at random is the same on every run and every machine."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# nor is a test judged by the time that a busy machine takes for it
settings.register_profile(
    "seeded",
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("seeded")


@pytest.hookimpl(tryfirst=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """A worker a processor: tests of real links keep real time. What is timed runs alone."""
    timed = "bench" in str(config.option.markexpr).replace("not bench", "")
    return 0 if timed else os.cpu_count() or 1
