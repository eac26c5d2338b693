"""The scoring program of the detectors, a script of ``tests/bench``, as a module; what a run is told."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from undertray.reduce.loss import Loss
from undertray.reduce.losses import find_losses
from undertray.virtual.scenarios import Recording

PROGRAM = Path(__file__).resolve().parents[1] / "bench" / "score_detectors.py"


def scoring_program() -> ModuleType:
    """Load it; its dataclasses look their module up by name."""
    spec = importlib.util.spec_from_file_location("score_detectors", PROGRAM)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["score_detectors"] = module
    spec.loader.exec_module(module)
    return module


def told(recording: Recording) -> tuple[Loss, ...]:
    """The events that the detector finds in an invented recording."""
    return find_losses(
        recording.t_s,
        recording.suction_pa,
        recording.throttle_us,
        out_of_range=recording.out_of_range,
        period_s=1 / float(str(recording.facts["rate_hz"])),
    )
