"""``undertray calibrate`` as a program."""

from __future__ import annotations

import json
import re
from itertools import pairwise

import pytest
from matplotlib.text import Text

from fakes.board import ScriptedBoard, log_of
from fakes.program import undertray
from undertray import column_pressure_pa
from undertray.calibrate.calibration import Calibration
from undertray.report.certificate import certificate_page
from undertray.report.display import US

ENVIRONMENT = {"SOURCE_DATE_EPOCH": "1777000000"}


def run(tmp_path, *arguments):
    return undertray("calibrate", *arguments, env=ENVIRONMENT, folder=tmp_path)


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


def test_a_first_point_just_off_zero_is_a_point(tmp_path, points):
    """A column that stands 0.1 mm off at the start is read as what it is; no exact 0 is asked for."""
    pa = column_pressure_pa(0.1, 20.0)
    lines = points.read_text().splitlines()
    near = [line for line in lines if not line.startswith("0,")]
    near.insert(1, f"0.1,up,{(pa - 3) / 1.02:.4f},{(pa + 5) / 0.99:.4f}")
    points.write_text("\n".join(near) + "\n")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 0, done.stderr
    data = json.loads((tmp_path / "c.json").read_bytes())["columns"]
    assert data["p1"]["coefficients"] == pytest.approx([3, 1.02], abs=1e-3)
    assert data["p2"]["coefficients"] == pytest.approx([-5, 0.99], abs=1e-3)


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
        (["--latitude", 95], 1, "not a latitude on Earth"),
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


def slipped(points):
    """Somebody did not move the column at one step: from there on every reading is of the step before."""
    head, *rows = [row.split(",") for row in points.read_text(encoding="utf-8").splitlines()]
    late = [*rows[:6], *([*row[:2], *before[2:]] for before, row in pairwise(rows[5:]))]
    points.write_text("\n".join(",".join(row) for row in [head, *late]) + "\n", encoding="utf-8")


def test_a_calibration_that_makes_it_worse_is_not_written(tmp_path, points):
    slipped(points)
    log = tmp_path / "run.csv"
    log.write_bytes(log_of(ScriptedBoard(2), 50))
    words = ("--points", points, "--out", "c.json", "--log", log)
    done = run(tmp_path, *words)
    assert done.returncode == 1
    assert not (tmp_path / "c.json").exists()
    # 2 % of the 13107 counts of 0.38 Pa between the ends of the part's range
    assert done.stderr.startswith("undertray: p1: calibrating made it worse: ±")
    assert "±100 Pa by the part's own scale (2 % of its span)" in done.stderr
    assert done.stderr.count("\n") == 1
    assert "WORSE THAN NO CALIBRATION" in done.stdout
    insisted = run(tmp_path, *words, "--anyway", "--certificate", "c.png")
    assert insisted.returncode == 0, insisted.stderr
    assert "WORSE THAN NO CALIBRATION" in insisted.stdout
    assert {path.name for path in tmp_path.glob("*.png")} == {"c-p1.png", "c-p2.png"}
    assert json.loads((tmp_path / "c.json").read_bytes())["uid"] == "e6614103e7"


def test_a_line_that_stands_out_is_named_and_kept(tmp_path, points):
    rows = points.read_text(encoding="utf-8").splitlines()
    fields = rows[9].split(",")
    rows[9] = ",".join([*fields[:3], f"{float(fields[3]) + 70:.4f}"])
    points.write_text("\n".join(["# a remark", *rows]) + "\n", encoding="utf-8")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 0, done.stderr
    first, second = done.stdout.split("\np2\n")
    assert "look at line" not in first
    # a remark and a header stand above the points
    told = " ".join(second.split("\n\n")[0].split())
    assert told.count("look at line") == 1
    assert "look at line 11 (40 mm down) again: it lies -69." in told
    assert "not left out" in told
    # without a log the part's span is not known: it may be worse than none, and that is said
    assert "warning: p2: perhaps worse than no calibration: ±" in done.stderr
    assert "--log gives the real one" in done.stderr
    assert len(json.loads((tmp_path / "c.json").read_bytes())["columns"]["p2"]["points"]) == 11


def test_a_calibration_that_belongs_to_no_board_says_so(tmp_path, points):
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert "the board is not known" in done.stdout
    done = run(tmp_path, "--points", points, "--out", "c.json", "--uid", "ab12")
    assert "the board is not known" not in done.stdout
    assert json.loads((tmp_path / "c.json").read_bytes())["uid"] == "ab12"


def scaled(points, *factors):
    head, *rows = [row.split(",") for row in points.read_text(encoding="utf-8").splitlines()]
    rows = [
        [*row[:2], *(f"{float(pa) * f:.4f}" for pa, f in zip(row[2:], factors, strict=True))] for row in rows
    ]
    points.write_text("\n".join(",".join(row) for row in [head, *rows]) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    ("factors", "said"),
    [
        ((0.79, 0.79), ["warning: all sensors depart from their own scales by about the same factor (1.253"]),
        ((1.0, 0.79), ["warning: p2: the column says 1.253 times what the part reads"]),
        ((1.0, 1.0), []),
    ],
)
def test_a_wrong_liquid_is_warned_of_and_written(tmp_path, points, factors, said):
    scaled(points, *factors)
    log = tmp_path / "run.csv"
    log.write_bytes(log_of(ScriptedBoard(2), 50))
    done = run(tmp_path, "--points", points, "--out", "c.json", "--log", log)
    assert done.returncode == 0, done.stderr
    warnings = [line for line in done.stderr.splitlines() if line.startswith("warning: ")]
    assert len(warnings) == len(said)
    assert all(line.startswith(start) for line, start in zip(warnings, said, strict=True))
    assert all("look at the liquid (--density, --water-c)" in line for line in warnings)
    assert (tmp_path / "c.json").exists()


def test_it_begins_with_what_it_is_worth_in_one_line(tmp_path, points):
    import shutil
    import tomllib
    from pathlib import Path

    import shapely

    shutil.copyfile(Path(__file__).parents[2] / "demo_logs" / "car.toml", tmp_path / "car.toml")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    found = re.fullmatch(
        r"Good: ±([\d.]+) Pa at most \(p\d\), up to (\d+) Pa, about ([\d.]+) N on your car\.",
        done.stdout.splitlines()[0],
    )
    assert found, done.stdout
    assert done.stdout.splitlines()[1] == ""
    # a wrong suction under the whole floor: times its area, by a library of its own
    floor = tomllib.loads((tmp_path / "car.toml").read_text())["floor"]
    area_m2 = shapely.Polygon(floor).area * 1e-6
    assert float(found[3]) == pytest.approx(float(found[1]) * area_m2, rel=0.02)  # shown to two digits
    # 100 mm at 20 degC: 978.0 Pa (Tanaka 2001, CIPM-2007, normal gravity at 45 degrees)
    assert float(found[2]) == pytest.approx(978, abs=2)
    us = run(tmp_path, "--points", points, "--out", "c.json", "--units", "us").stdout.splitlines()[0]
    assert re.fullmatch(r"Good: ±0\.\d+ inH₂O at most .* lbf on your car\.", us)
    (tmp_path / "car.toml").unlink()
    assert "on your car" not in run(tmp_path, "--points", points, "--out", "c.json").stdout


def test_what_each_sensor_was_off_stands_below_it(tmp_path, points):
    done = run(tmp_path, "--points", points, "--out", "c.json", "--working-pa", "500")
    rows = {line[:2]: line.split("  ") for line in done.stdout.splitlines()[3:5]}
    cells = {name: [cell.strip() for cell in row if cell.strip()] for name, row in rows.items()}
    # by hand from the points: x = (pa - 3) / 1.02 and (pa + 5) / 0.99, at 0 and 500 Pa, less pa
    assert cells["p1"][1:3] == ["−2.9 Pa", "−13 Pa"]
    assert cells["p2"][1:3] == ["+5.1 Pa", "+10 Pa"]
    assert all(row[3].startswith("±") and row[4] == "978 Pa" for row in cells.values())


def test_a_certificate_of_no_kind_is_refused_before_the_work(tmp_path, points):
    done = run(tmp_path, "--points", points, "--out", "c.json", "--certificate", "c.html")
    assert (done.returncode, done.stdout) == (1, "")
    assert "expected a name that ends in .pdf or .png" in done.stderr
    assert not (tmp_path / "c.json").exists()


def test_a_point_that_stands_out_is_not_good(tmp_path, points):
    lines = points.read_text().splitlines()
    lines[3] = "40,up,330,410"  # p1 60 Pa off
    points.write_text("\n".join(lines) + "\n")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0].startswith("Look again at p1, as said below: ±")


def test_a_direction_that_the_heights_contradict_is_named(tmp_path, points):
    lines = points.read_text().splitlines()
    lines[8] = lines[8].replace("down", "up")  # 60 mm, after 80 mm
    points.write_text("\n".join(lines) + "\n")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 0, done.stderr
    assert (
        "CHECK THE DIRECTIONS: line 9 (60 mm up) after 80 mm: the heights went the other way." in done.stdout
    )
    assert done.stdout.startswith("Look again at the directions, as said below: ")


@pytest.mark.parametrize("order", ["as taken", "by height"])
def test_the_zero_at_the_end_is_missed_where_it_is_not_there(tmp_path, points, order):
    lines = points.read_text().splitlines()
    if order == "by height":
        lines[1:] = sorted(lines[1:], key=lambda line: float(line.split(",")[0]))
    points.write_text("\n".join(lines) + "\n")
    assert "no zero at the end" not in run(tmp_path, "--points", points, "--out", "c.json").stdout
    points.write_text("\n".join(line for line in lines if not line.startswith("0,down")) + "\n")
    assert "no zero at the end" in run(tmp_path, "--points", points, "--out", "c.json").stdout


def test_what_looks_too_large_is_named(tmp_path, points):
    """Points without any scatter: one of the two stated uncertainties of a reading is too large."""
    done = run(tmp_path, "--points", points, "--out", "c.json", "--curve", "line")
    # 0.5 mm a meniscus, two of them: 0.5 sqrt(2)/sqrt(3) mm of 9.777 Pa (derived)
    assert ": the stated error of reading the column, 4.0 Pa (--reading-mm), looks too large" in " ".join(
        done.stdout.split()
    )
    done = run(tmp_path, "--points", points, "--out", "c.json", "--reading-mm", "0.1", "--sensor-pa", "3")
    assert ": the stated error of reading the sensor, 3.0 Pa (--sensor-pa), looks too large" in " ".join(
        done.stdout.split()
    )


@pytest.mark.parametrize("number", [4, 7, 9])
def test_a_height_ten_times_too_large_is_named(tmp_path, points, number):
    lines = points.read_text(encoding="utf-8").splitlines()
    height, *rest = lines[number - 1].split(",")
    lines[number - 1] = ",".join([f"{height}0", *rest])
    points.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run(tmp_path, "--points", points, "--out", "c.json")
    assert done.returncode == 1
    assert done.stderr.startswith(
        f"undertray: p1: one point does not go with all the others, got 'line {number}: {height}0 mm, at "
    )
    assert f"expected about {height} mm by the others; look at that height" in done.stderr
    assert done.stderr.count("\n") == 1


def test_no_point_is_named_where_it_is_no_slip_of_one(tmp_path, points):
    """Two slips, and a hose that is off: leaving out one point makes no line of the rest."""
    whole = points.read_text(encoding="utf-8")
    lines = whole.splitlines()
    for k in (3, 4):
        height, *rest = lines[k].split(",")
        lines[k] = ",".join([f"{height}0", *rest])
    points.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert "one point" not in run(tmp_path, "--points", points, "--out", "c.json").stderr
    rows = [line.split(",") for line in whole.splitlines()]
    off = [",".join([*row[:2], f"{(k * 37) % 11:.1f}", row[3]]) for k, row in enumerate(rows[1:])]
    points.write_text("\n".join([",".join(rows[0]), *off]) + "\n", encoding="utf-8")
    assert (
        "p1: the reading does not follow the column"
        in run(tmp_path, "--points", points, "--out", "c.json").stderr
    )


def test_details_say_once_what_holds_for_all_sensors_and_each_number_is_of_the_file(tmp_path, points):
    done = run(tmp_path, "--points", points, "--out", "c.json", "--curve", "line")
    said = " ".join(done.stdout.split())
    assert said.count("the column, not the sensor, is the limit") == 1
    kept = json.loads((tmp_path / "c.json").read_bytes())["columns"]
    for name, column in kept.items():
        [row] = [line for line in done.stdout.splitlines() if line.startswith(f"{name}  ") and "(" in line]
        own, per = re.findall(r"([+-][\d.]+)\(", row)
        assert float(own) == pytest.approx(column["coefficients"][0], abs=0.05)
        assert float(per) == pytest.approx(column["coefficients"][1], abs=0.0005)
    largest = sorted(column["sources_pa"]["zero"] for column in kept.values())
    shown = re.search(r"is the limit: zero ([\d.]+)(?: to ([\d.]+))? Pa", said)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(largest[0], abs=0.005)
    assert float(shown[2] or shown[1]) == pytest.approx(largest[-1], abs=0.005)


def test_with_us_units_no_pascal_is_left_on_screen_or_certificate(tmp_path, points):
    given = ("--points", points, "--out", "c.json", "--units", "us", "--previous", "c.json")
    run(tmp_path, "--points", points, "--out", "c.json")
    done = run(tmp_path, *given, "--certificate", "c.pdf")
    assert done.returncode == 0, done.stderr
    assert not re.search(r"\bPa\b", done.stdout), done.stdout
    # published: 249.08891 Pa is the conventional inch of water, and 1 in is 25.4 mm; 9.7769 Pa/mm at 20 degC
    assert "1 in is 0.997 inH₂O" in done.stdout
    page = certificate_page(Calibration.from_json(tmp_path / "c.json"), "p1", shown=US)
    words = [text.get_text() for text in page.findobj(Text)]
    assert not [word for word in words if re.search(r"\bPa\b", word)]
    # the points stand where they are: 100 mm are 977.69 Pa, 3.925 inH2O and 3.937 in (derived)
    assert {"3.937", "column, inH₂O"} <= set(words)
    assert any(word.startswith("3.925") for word in words)
