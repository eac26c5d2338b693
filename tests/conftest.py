"""Settings of the whole suite: what is drawn at random is the same on every run and every machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("seeded", derandomize=True, database=None)
settings.load_profile("seeded")
