"""What pulls told of a car, kept in a file as the fans' reference is."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.predict.drag import Drag, conclude
from undertray.predict.measured import Measured, Scatter
from undertray.predict.pullfit import ALONG, Span
from undertray.reduce.givenfiles import json_object
from undertray.reduce.pulls import WHEELS
from undertray.reduce.summary import plain

__all__ = ["FORMAT", "read_drag", "write_drag"]

FORMAT = 1
_MAX_BYTES = 100_000
_MOST = 1e6
_KIND = "undertray drag"
_NAMES = {
    *(f"{kind}.{wheels}.{what}" for kind in ALONG for wheels in WHEELS[:2] for what in ("level_n", "per_n")),
    *(f"{kind}.none.mu" for kind in ALONG),
    "rolling_share",
    "suction_scale",
}


def write_drag(drag: Drag, path: str | Path) -> None:
    """Save it; the same drag gives the same bytes."""
    data = {
        "format": FORMAT,
        "kind": _KIND,
        "car": drag.car,
        "run": drag.run,
        "weight_n": drag.weight_n,
        "calibrated": drag.calibrated,
        "pulls": [line.span for line in drag.lines],
        "numbers": dict(zip(drag.measured.names, drag.measured.values, strict=True)),
        "scatter": [
            {"covariance": one.covariance, "dof": None if math.isinf(one.dof) else one.dof}
            for one in drag.measured.scatter
        ],
        "shared": drag.measured.shared,
        "notices": drag.notices,
    }
    text = json.dumps(plain(data), indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise ReductionError(
            f"the drag cannot be written: {error.strerror}", where=str(path), do="check the folder"
        ) from error


def read_drag(path: str | Path) -> Drag:
    """Read what pulls told."""
    where = Path(path).name
    data = json_object(
        Path(path),
        where,
        "a drag file",
        "pull-test",
        _MAX_BYTES,
        "give what 'undertray pull-test --out' wrote",
    )
    version = data.get("format")
    if isinstance(version, int) and not isinstance(version, bool) and version > FORMAT:
        raise ReductionError(
            "a newer drag format",
            where=where,
            seen=version,
            expected=f"format {FORMAT}",
            do="update undertray",
        )
    numbers = _numbers(data, where)
    names = tuple(numbers)
    measured = Measured(
        names,
        _row(list(numbers.values()), len(names), where),
        _scatter(data.get("scatter"), len(names), where),
        _shared(data.get("shared"), len(names), where),
    )
    return conclude(
        str(data.get("car", ""))[:64],
        str(data.get("run", ""))[:200],
        _number(data.get("weight_n"), where, 1e-3, _MOST),
        data.get("calibrated") is True,
        measured,
        _spans(data.get("pulls"), where),
        _notices(data.get("notices"), where),
        judged=True,
    )


def _numbers(data: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    if data.get("format") != FORMAT or data.get("kind") != _KIND:
        raise _no_drag(where, "what 'undertray pull-test --out' writes")
    numbers = data.get("numbers")
    if not isinstance(numbers, dict) or not set(numbers) <= _NAMES:
        raise _no_drag(where, "the numbers of lines of pulls")
    needed = {"suction_scale"}
    needed |= {name.replace(".per_n", ".level_n") for name in numbers}
    needed |= {"rolling_share" for name in numbers if ".free." in name}
    if needed - set(numbers):
        raise _no_drag(where, f"also {sorted(needed - set(numbers))[0]}")
    return numbers


def _notices(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value[:20]):
        raise _no_drag(where, "notices, a list of texts")
    return tuple(one[:400] for one in value[:20])


def _no_drag(where: str, expected: str) -> ReductionError:
    return ReductionError(
        "not a drag file", where=where, expected=expected, do="give what 'undertray pull-test --out' wrote"
    )


def _number(value: object, where: str, low: float = -_MOST, high: float = _MOST) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ReductionError(
            "bad number in a drag file", where=where, seen=value, expected=f"from {low:g} to {high:g}"
        )
    return float(value)


def _row(value: object, n: int, where: str) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != n:
        raise _no_drag(where, f"lists of {n} numbers")
    return tuple(_number(one, where) for one in value)


def _scatter(value: object, n: int, where: str) -> tuple[Scatter, ...]:
    if not isinstance(value, list) or len(value) > len(ALONG):
        raise _no_drag(where, "the scatter of each kind of pull")
    found = []
    for one in value:
        rows = one.get("covariance") if isinstance(one, dict) else None
        if not isinstance(rows, list) or len(rows) != n:
            raise _no_drag(where, f"covariances of {n} rows")
        covariance = tuple(_row(row, n, where) for row in rows)
        matrix = np.array(covariance).reshape(n, n)
        least = float(np.linalg.eigvalsh(matrix).min()) if n else 0.0
        if not np.allclose(matrix, matrix.T, rtol=1e-6) or least < -1e-6 * float(
            np.abs(matrix).max(initial=0)
        ):
            raise _no_drag(where, "covariances that can be")
        dof = one.get("dof")
        found.append(Scatter(covariance, math.inf if dof is None else _number(dof, where, 1.0, 1e4)))
    return tuple(found)


def _shared(value: object, n: int, where: str) -> dict[str, tuple[float, ...]]:
    if not isinstance(value, dict) or not set(value) <= {"balance", "suction", "rolling"}:
        raise _no_drag(where, "shared errors of balance, suction and rolling")
    return {source: _row(moved, n, where) for source, moved in value.items()}


def _spans(value: object, where: str) -> tuple[Span, ...]:
    if not isinstance(value, list) or len(value) > len(ALONG) * len(WHEELS):
        raise _no_drag(where, "the pulls it rests on")
    found = []
    for one in value:
        if not isinstance(one, dict) or one.get("kind") not in ALONG or one.get("wheels") not in WHEELS:
            raise _no_drag(where, "pulls of a known kind")
        low, high = _number(one.get("low_n"), where), _number(one.get("high_n"), where)
        pulls = int(_number(one.get("pulls"), where, 1, _MOST))
        found.append(Span(one["kind"], one["wheels"], pulls, low, high))
    return tuple(found)
