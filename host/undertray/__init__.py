"""undertray: from differential pressure sensors under a model car to newtons per axle.

The names below are the ones other programs import. They are loaded on first use, so that
importing the package (and ``undertray --help``) loads neither pandas nor matplotlib.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from undertray.calibrate.calibration import Calibration
    from undertray.calibrate.liquid_column import column_pressure_pa
    from undertray.errors import UndertrayError
    from undertray.notebook import Comparison, Reduction, Run, compare, read_run, reduce_run
    from undertray.reduce.car import Car
    from undertray.reduce.loss import Loss, LossParameters
    from undertray.reduce.losses import find_losses

__version__ = "0.2.0"

_HOME = {
    "Calibration": "undertray.calibrate.calibration",
    "column_pressure_pa": "undertray.calibrate.liquid_column",
    "UndertrayError": "undertray.errors",
    "Car": "undertray.reduce.car",
    "Loss": "undertray.reduce.loss",
    "LossParameters": "undertray.reduce.loss",
    "find_losses": "undertray.reduce.losses",
    "Comparison": "undertray.notebook",
    "Reduction": "undertray.notebook",
    "Run": "undertray.notebook",
    "compare": "undertray.notebook",
    "read_run": "undertray.notebook",
    "reduce_run": "undertray.notebook",
}

__all__ = [
    "Calibration",
    "Car",
    "Comparison",
    "Loss",
    "LossParameters",
    "Reduction",
    "Run",
    "UndertrayError",
    "__version__",
    "column_pressure_pa",
    "compare",
    "find_losses",
    "read_run",
    "reduce_run",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'undertray' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
