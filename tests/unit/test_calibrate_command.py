"""``undertray calibrate`` as a program."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from undertray import column_pressure_pa

ENVIRONMENT = {"SOURCE_DATE_EPOCH": "1777000000", "PYTHONIOENCODING": "utf-8"}


def run(tmp_path, *arguments):
    return subprocess.run(
        [sys.executable, "-m", "undertray", "calibrate", *map(str, arguments)],
        cwd=tmp_path,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )


@pytest.fixture
def points(tmp_path):
    path = tmp_path / "points.csv"
    rows = ["height_mm,direction,p1_pa,p2_pa"]
    for height, direction in [
        *((h, "up") for h in range(0, 101, 20)),
        *((h, "down") for h in range(80, -1, -20)),
    ]:
        pa = column_pressure_pa(height, 20.0)
        rows.append(f"{height},{direction},{(pa - 3) / 1.02:.4f},{(pa + 5) / 0.99:.4f}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_it_writes_the_format(tmp_path, points):
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 0, done.stderr
    data = json.loads((tmp_path / "c.json").read_bytes())
    assert (data["format"], data["made_utc"]) == (1, "2026-04-24T03:06:40Z")
    assert set(data["columns"]) == {"p1", "p2"}
    assert data["columns"]["p1"]["coefficients"] == pytest.approx([3, 1.02], abs=1e-3)
    assert data["columns"]["p2"]["coefficients"] == pytest.approx([-5, 0.99], abs=1e-3)
    assert "temperature of the liquid not given" in done.stdout
    assert "latitude not given" in done.stdout
    first = (tmp_path / "c.json").read_bytes()
    assert run(tmp_path, "--points", points, "--out", "c.json").returncode == 0
    assert (tmp_path / "c.json").read_bytes() == first


def test_conditions_count(tmp_path, points):
    done = run(
        tmp_path, "--points", points, "--out", "c.json", "--water-c", 35, "--latitude", 0, "--height-m", 1500
    )
    assert done.returncode == 0, done.stderr
    assert "not given" not in done.stdout
    slope = json.loads((tmp_path / "c.json").read_bytes())["columns"]["p1"]["coefficients"][1]
    expected = 1.02 * column_pressure_pa(1.0, 35.0, 0, 1500) / column_pressure_pa(1.0, 20.0)
    assert slope == pytest.approx(expected, rel=1e-5)


def test_swapped_ports_are_one_line(tmp_path, points):
    text = points.read_text(encoding="utf-8").splitlines()
    turned = [text[0]] + [
        ",".join([*row.split(",")[:2], *(f"{-float(v)}" for v in row.split(",")[2:])]) for row in text[1:]
    ]
    points.write_text("\n".join(turned), encoding="utf-8")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 1
    assert done.stderr.startswith("undertray: p1: the reading falls as the column rises")
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "c.json").exists()


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["--water-c", 41], 1, "expected degrees Celsius from 0 to 40"),
        (["--working-pa", 2000], 1, "do not cover the working suction"),
        (["--latitude", 95], 1, "no latitude on Earth"),
        (["--limbs", 3], 1, "expected 1 or 2"),
        (["--curve", "spline"], 2, "line"),
        (["--log", "none.csv"], 1, "none.csv"),
    ],
)
def test_refusals(tmp_path, points, arguments, status, said):
    done = run(tmp_path, "--points", points, "--out", "c.json", *arguments)
    assert done.returncode == status, done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr
