"""The scoring program of the detectors, which is a script of ``tests/bench``, as a module."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

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
