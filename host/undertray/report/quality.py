"""What the recording itself was worth: losses on the way, calibration, drift of the zeros."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.report.display import Display, number

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.certificate import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["calibration_age_days", "quality_rows", "zero_drift_pa"]

Row = tuple[str, str, str]
_IDLE_US = 20.0
_LEAST_ROWS = 20


def quality_rows(
    reduction: Reduction, run: Run | None, car: Car, calibration: Calibration | None, units: Display
) -> list[Row]:
    """Tell what the recording was worth.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    run : Run or None
        Its log, for what the board reported of itself.
    car : Car
        For its tubes.
    calibration : Calibration or None
        The one that was used.
    units : Display
        Units of the numbers.

    Returns
    -------
    list of (str, str, str)
        What, how much, and how to read it.
    """
    gaps = sum(event.kind == "data-gap" for event in reduction.events)
    rows: list[Row] = [
        (
            "Length and rate",
            f"{reduction.duration_s:.2f} s, {reduction.rate_hz:.1f} rows a second, {reduction.rows} rows",
            "measured, not declared",
        ),
        ("Rows lost on the way", str(reduction.lost_rows), "0 is usual over a cable; gaps are never bridged"),
        ("Lines that failed their check", str(reduction.bad_lines), "left out, and kept in the log"),
        ("Times without rows", str(gaps), "each is an event named data-gap"),
        *_calibration(run, calibration, units),
    ]
    drift = zero_drift_pa(reduction)
    if drift is None:
        rows.append(("Zero drift over the run", "unknown", "needs fans at rest at both ends of the run"))
    else:
        worst = int(np.abs(drift).argmax())
        name = tuple(reduction.taps)[worst]
        rows.append(
            (
                "Zero drift over the run",
                f"{units.pa(float(drift[worst]))} at worst ({name})",
                "between the rests at both ends; a few pascals are usual",
            )
        )
    u95_n = reduction.downforce_n.u95
    rows.append(
        (
            "Uncertainty of the mean downforce",
            "unknown" if u95_n is None else f"±{units.n(u95_n)}",
            "half width of the 95 % interval",
        )
    )
    rows += _board(run)
    tubes = [t for t in car.taps if t.tube_length_mm is not None and t.tube_bore_mm is not None]
    if tubes:
        lengths = sorted({t.tube_length_mm for t in tubes if t.tube_length_mm is not None})
        bores = sorted({t.tube_bore_mm for t in tubes if t.tube_bore_mm is not None})
        said = ", bore ".join(" to ".join(units.mm(v) for v in _ends(values)) for values in (lengths, bores))
        rows.append(("Tubes", said, "equal on all taps" if len(lengths) == len(bores) == 1 else "not equal"))
    else:
        rows.append(
            (
                "Tubes",
                "not given",
                "tube_length and tube_bore in the car file; long tubes ring, see the build guide",
            )
        )
    return rows


def zero_drift_pa(reduction: Reduction) -> NDArray[np.float64] | None:
    """How far each tap's zero moved between the rests at both ends of a run.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Returns
    -------
    ndarray of float64, shape (taps,), or None
        Median of the last second at rest less that of the first, Pa; None where the throttle
        was not at its least at both ends, or was not logged.

    Notes
    -----
    At rest means within 20 µs of the least throttle; the first second is taken before the
    throttle first rises, the last one at the very end, when the fans have run down.
    """
    throttle_us, pa = reduction.series.throttle_us, reduction.series.tap_suction_pa
    t_s = reduction.series.t_s
    if not np.isfinite(throttle_us).any():
        return None
    rest = throttle_us <= float(np.nanmin(throttle_us)) + _IDLE_US
    moved = np.flatnonzero(~rest)
    if len(moved) == 0:
        return None
    before, after = slice(0, int(moved[0])), slice(int(moved[-1]) + 1, len(rest))
    first = (t_s[before] >= t_s[before][-1] - 1.0) if moved[0] else np.zeros(0, bool)
    # fans run down for a second or two: only what comes after that is rest
    last = (t_s[after] >= t_s[moved[-1]] + 2.0) & (t_s[after] >= t_s[-1] - 1.0)
    if first.sum() < _LEAST_ROWS or last.sum() < _LEAST_ROWS:
        return None
    drift = _medians(pa[after][last]) - _medians(pa[before][first])
    return drift if np.isfinite(drift).all() else None


def calibration_age_days(facts: Mapping[str, Any], made_utc: str) -> float | None:
    """How old a calibration was when a run was recorded.

    Parameters
    ----------
    facts : mapping
        Facts of the run.
    made_utc : str
        When the calibration was made, ISO 8601.

    Returns
    -------
    float or None
        Days; None where either time is missing or no time.
    """
    times = []
    for text in (facts.get("started_utc"), made_utc):
        try:
            time = datetime.fromisoformat(text if isinstance(text, str) else "")
        except ValueError:
            return None
        times.append(time if time.tzinfo else time.replace(tzinfo=UTC))
    return (times[0] - times[1]).total_seconds() / 86400


def _calibration(run: Run | None, calibration: Calibration | None, units: Display) -> list[Row]:
    if calibration is None:
        return [
            ("Calibration", "none", "the sensors' own scale was used: good to a few per cent of their range")
        ]
    age = calibration_age_days(run.facts, calibration.made_utc) if run is not None else None
    if age is None:
        old = "age unknown"
    elif age < 0:
        old = f"{number(-age)} days after the run"
    else:
        old = f"{number(age)} days old at the start of the run"
    residual_pa = max((c.residual_sd_pa for c in calibration.columns.values()), default=float("nan"))
    return [
        ("Calibration", f"made {calibration.made_utc}, {old}", "repeat it after a crash and each season"),
        ("Scatter about the calibration line", units.pa(residual_pa), "the worst column"),
    ]


def _board(run: Run | None) -> list[Row]:
    if run is None:
        return []
    rows: list[Row] = []
    last = next((note.data for note in reversed(run.notes) if note.kind == "status"), {})
    skipped, errors = last.get("skipped"), last.get("read_errors")
    if isinstance(skipped, int):
        rows.append(("Slots the board skipped", str(skipped), "since its power-up"))
    if isinstance(errors, list) and all(isinstance(e, int) for e in errors):
        rows.append(
            ("Failed sensor reads", ", ".join(map(str, errors[:16])), "by column, since its power-up")
        )
    temperatures = [
        [v for v in note.data["temperature_c"] if isinstance(v, int | float)]
        for note in run.notes
        if note.kind == "status" and isinstance(note.data.get("temperature_c"), list)
    ]
    flat = [v for values in temperatures for v in values]
    if flat:
        rows.append(
            ("Temperature of the sensors", f"{min(flat):.1f} to {max(flat):.1f} °C", "zeros move with it")
        )
    packs = [n.data["pack_mv"] for n in run.notes if n.kind == "status" and _is_number(n.data.get("pack_mv"))]
    if packs:
        rows.append(
            ("Pack voltage", f"{max(packs) / 1000:.2f} to {min(packs) / 1000:.2f} V", "suction goes with it")
        )
    faults = sum(note.kind == "fault" for note in run.notes)
    rows.append(("Faults the board reported", str(faults), "sensor notes, at most one a second and column"))
    return rows


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _ends(values: list[float]) -> list[float]:
    return values if len(values) == 1 else [values[0], values[-1]]


def _medians(block: NDArray[np.float64]) -> NDArray[np.float64]:
    columns = [block[np.isfinite(block[:, i]), i] for i in range(block.shape[1])]
    return np.array([np.median(c) if len(c) else np.nan for c in columns])
