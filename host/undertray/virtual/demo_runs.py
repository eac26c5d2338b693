"""The recordings of the demo: the firmware on the virtual car, in simulated time.

``python -m undertray.virtual.demo_runs FOLDER`` writes them, byte for byte the same every time and
everywhere: the twin runs the firmware, its clock is simulated, and every random number is seeded.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from undertray.acquire.intake import Intake
from undertray.acquire.recorder import Recording, end_line, first_lines
from undertray.acquire.wire import Row, parse_line
from undertray.calibrate.liquid_column import column_pressure_pa
from undertray.errors import BoardError
from undertray.places import bundled
from undertray.reduce.car import Car
from undertray.virtual.physics import Noise, make_car
from undertray.virtual.server import command
from undertray.virtual.stories import CAR, STORIES, Story

__all__ = [
    "HEIGHTS_MM",
    "LATITUDE_DEG",
    "MADE_UTC",
    "RUNS",
    "WATER_C",
    "capture",
    "column_readings",
    "main",
    "run_log",
    "truth",
]


# Readings of the demo car's sensors on a water column, as a person would have taken them.

WATER_C = 21.0
"""Water temperature of the invented session, degC."""
LATITUDE_DEG = 47.0
"""Latitude of the invented workshop, degrees."""
MADE_UTC = "2026-05-01T18:00:00Z"
"""When the invented session was held."""
HEIGHTS_MM = (0, 20, 40, 60, 80, 100, 120, 140)
"""Column heights read on the way up, mm; on the way down the same ones again."""

_SEED = 97
_READING_MM = 0.25  # standard deviation of one reading of the column
_SENSOR_PA = 0.3  # of the mean of a steady second: 4 Pa of noise over 200 readings


def column_readings() -> str:
    """Make up the column session of the demo.

    Returns
    -------
    str
        The text of a ``points.csv``: height in mm, direction, and what each sensor of the demo
        board read in Pa by its own scale.

    Notes
    -----
    A sensor reads offset + gain * pressure with the errors of :data:`undertray.virtual.stories.CAR`;
    height and reading have normal errors of 0.25 mm and 0.3 Pa. The zero is taken with both
    ports open, so it has no error of height.
    """
    noise = Noise(_SEED)
    columns = range(len(CAR["tap_shares"]))
    lines = [
        "# Invented readings of the demo car's four sensors on a U-tube; zero with both ports open.",
        "height_mm,direction," + ",".join(f"p{i + 1}_pa" for i in columns),
    ]
    downward = HEIGHTS_MM[-2::-1]
    for direction, heights_mm in (("up", HEIGHTS_MM), ("down", downward)):
        for height_mm in heights_mm:
            true_mm = height_mm + (noise.normal() * _READING_MM if height_mm else 0.0)
            true_pa = float(column_pressure_pa(true_mm, WATER_C, LATITUDE_DEG)) if height_mm else 0.0
            readings = (
                CAR["sensor_offset_pa"][i] + CAR["sensor_gain"][i] * true_pa + noise.normal() * _SENSOR_PA
                for i in columns
            )
            lines.append(f"{height_mm},{direction}," + ",".join(f"{reading:.2f}" for reading in readings))
    return "\n".join(lines) + "\n"


RUNS = ("clean-hold", "front-fold", "slow-leak", "hose-off")
"""Stories that are recorded, in the order a reader meets them."""

_SKEW = 31e-6  # the invented board's crystal runs this much fast
_LEAST_DELAY_US = 350
_STARTED_UTC = "2026-05-02T10:15:00.000000Z"
_KIND = {"skirt-fold": "seal-loss", "slow-leak": "slow-leak", "hose-off": "sensor-fault"}
_HELD_S = (4.0, 6.0)


def capture(story: Story, seed: int) -> bytes:
    """Run the firmware through a story in simulated time."""
    scenario = {
        **story.spec,
        "clock": "simulated",
        "end_us": round(story.seconds * 1e6),
        "boot": 1_000_000 + seed,
    }
    with tempfile.TemporaryDirectory(prefix="undertray-demo-") as folder:
        path = Path(folder) / "scenario.json"
        path.write_text(json.dumps(scenario), encoding="utf-8")
        argv, env = command("twin", path, bundled("firmware") / "board.json", folder)
        done = subprocess.run(
            argv, env=env, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, check=False
        )
    if done.returncode:
        raise BoardError("the firmware failed", seen=done.stderr.strip().rpartition(b"\n")[2])
    return done.stdout


def run_log(story: Story, seed: int) -> bytes:
    """Compose the run log of a story, as a host beside the track would have written it.

    Parameters
    ----------
    story : Story
        What happens.
    seed : int
        Of the invented delays on the way to the host.

    Returns
    -------
    bytes
        The log, formats.md section 2.

    Notes
    -----
    Host time is board time with a skew of 31 ppm and a one-sided delay: 0.35 ms at least, and
    what the host's scheduling adds on top.
    """
    intake = Intake()
    facts = {**story.facts, "started_utc": _STARTED_UTC, "host": {"program": "undertray.virtual.demo_runs"}}
    parts = [first_lines(facts)]
    last_us = 0
    for host_us, line in _arrivals(capture(story, seed), Noise(seed)):
        parts.append(intake.take(line + b"\n", host_us)[0])
        last_us = host_us
    recording = Recording(
        path=Path(),
        rows=intake.rows,
        bad=intake.bad,
        lost=intake.lost,
        segments=intake.segments,
        dropped_bytes=intake.dropped_bytes,
        unwritten_rows=0,
        seconds=(last_us - (intake.first_row_us or 0)) / 1e6,
        why="stopped",
    )
    return b"".join([*parts, end_line(recording)])


def _arrivals(stream: bytes, noise: Noise) -> Iterator[tuple[int, bytes]]:
    """Cut the stream into lines and give each the host time of its arrival."""
    sent_us = host_us = 0
    for line in stream.split(b"\n")[:-1]:
        parsed = parse_line(line)
        if isinstance(parsed, Row):
            sent_us = parsed.t_us
        uniform = noise.uniform()
        delay_us = _LEAST_DELAY_US + 900 * uniform * uniform * uniform
        host_us = max(host_us, round(sent_us * (1 + _SKEW) + delay_us))
        yield host_us, line


def truth(story: Story, car: Car, first_row_us: int) -> dict[str, Any]:
    """Say what truly happened in a story.

    Parameters
    ----------
    story : Story
        What happens.
    car : Car
        Names of the taps.
    first_row_us : int
        Board time of the first row, µs: times in the result count from there.

    Returns
    -------
    dict
        ``events`` with ``kind``, ``onset_s`` and ``first_tap``, and ``held``: true mean suction
        of each tap while the car is held before anything happens.

    Notes
    -----
    The cut of the throttle begins where the scripted throttle leaves its level for the last time.
    """
    taps = {tap.column: tap.name for tap in car.taps}
    names = [taps[f"p{i + 1}"] for i in range(len(story.spec["car"]["tap_shares"]))]
    events = [
        {
            "kind": _KIND[happening["kind"]],
            "onset_s": round(happening["at_s"] - first_row_us / 1e6, 6),
            "first_tap": _first_tap(happening, names),
        }
        for happening in story.spec["happenings"]
        if happening["kind"] in _KIND
    ]
    cut_s = story.spec["throttle"][-2][0]
    events.append(
        {"kind": "throttle-cut", "onset_s": round(cut_s - first_row_us / 1e6, 6), "first_tap": None}
    )
    world = make_car(dict(story.spec))
    sums, samples = [0.0] * len(names), 0
    for t_us in range(0, round(_HELD_S[1] * 1e6), 5000):
        world.advance(t_us)
        if t_us >= _HELD_S[0] * 1e6:
            samples += 1
            sums = [total + world.true_tap_pa(i) for i, total in enumerate(sums)]
    return {
        "format": 1,
        "invented": True,
        "story": story.summary,
        "events": events,
        "held": {
            "from_s": round(_HELD_S[0] - first_row_us / 1e6, 6),
            "to_s": round(_HELD_S[1] - first_row_us / 1e6, 6),
            "suction_pa": {name: round(total / samples, 3) for name, total in zip(names, sums, strict=True)},
        },
    }


def _first_tap(happening: dict[str, Any], names: list[str]) -> str | None:
    tap = happening["order"][0] if "order" in happening else happening.get("tap")
    return None if tap is None else names[tap]


def main(folder: Path) -> None:
    """Write every recording of the demo, its truth, and the column readings."""
    car = Car.from_toml(folder / "car.toml")
    (folder / "column.csv").write_bytes(column_readings().encode())
    for seed, name in enumerate(RUNS, start=1):
        log = run_log(STORIES[name], seed)
        (folder / f"{name}.csv").write_bytes(log)
        first = next(line for line in log.split(b"\n") if line[:1].isdigit())
        told = truth(STORIES[name], car, int(first.split(b",")[2]))
        (folder / f"{name}.truth.json").write_bytes((json.dumps(told, indent=1) + "\n").encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
