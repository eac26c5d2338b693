"""What the recording itself was worth: losses on the way, calibration, drift of the zeros."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from undertray.report.display import Display, number

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["calibration_age_days", "quality_rows"]

Row = tuple[str, str, str]


def quality_rows(
    reduction: Reduction, run: Run | None, car: Car, calibration: Calibration | None, units: Display
) -> list[Row]:
    """Tell what the recording was worth."""
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
    rows.append(_drift(reduction, units))
    u95_n = reduction.downforce_n.u95
    rows.append(
        (
            "Uncertainty of the whole log's mean downforce",
            "unknown" if u95_n is None else f"±{units.n(u95_n)}",
            _largest(reduction),
        )
    )
    rows += _board(run)
    rows += _tubes(reduction, car, units)
    return rows


def _largest(reduction: Reduction) -> str:
    sources = reduction.doubt.sources_n
    said = "half width of the 95 % interval"
    if not any(sources.values()):
        return said
    return f"{said}; largest source: {max(sources, key=lambda name: sources[name])}"


def _drift(reduction: Reduction, units: Display) -> Row:
    drift = {name: pa for name, pa in (reduction.rest.drift_pa or {}).items() if pa is not None}
    if not drift:
        return ("Zero drift over the run", "unknown", "needs fans at rest at both ends of the run")
    worst = max(drift, key=lambda name: abs(drift[name]))
    taken = {"zero": "; the zero before was taken off", "linear": "; taken off"}.get(reduction.rest.tare, "")
    return (
        "Zero drift over the run",
        f"{units.pa(drift[worst])} at worst ({worst})",
        f"between the rests at both ends; a few pascals are usual{taken}",
    )


def _tubes(reduction: Reduction, car: Car, units: Display) -> list[Row]:
    """What each size of tube can show."""
    if not reduction.tubes:
        return [
            (
                "Tubes",
                "not given",
                "tube_length and tube_bore in the car file; long tubes ring, see the build guide",
            )
        ]
    rows: list[Row] = []
    for tube in dict.fromkeys(reduction.tubes.values()):
        names = [name for name, own in reduction.tubes.items() if own == tube]
        which = "all taps" if len(names) == len(car.taps) else ", ".join(names)
        swing = "" if tube.peak_hz is None else f", rings at {tube.peak_hz:.0f} Hz"
        rows.append(
            (
                "Tubes",
                f"{units.mm(tube.length_mm)}, bore {units.mm(tube.bore_mm)} ({which})",
                f"true within 5 % up to {tube.trust_hz:.0f} Hz{swing}, late by {tube.delay_s * 1e3:.1f} ms",
            )
        )
    return rows


def calibration_age_days(facts: Mapping[str, Any], made_utc: str) -> float | None:
    """How old a calibration was when a run was recorded."""
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
