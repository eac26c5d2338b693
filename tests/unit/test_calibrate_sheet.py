"""The certificate page: same input, same bytes; foreign text stays text."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fakes.cells import some
from fakes.reductions import invented_car
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.liquid_column import column_pressure_pa
from undertray.calibrate.points import Dropped, Points
from undertray.errors import CalibrationError
from undertray.report.calibrationwords import in_one_line
from undertray.report.certificate import certificate_page, write_certificate


@pytest.fixture(scope="module")
def calibration():
    heights = np.array([0.0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0])
    true = column_pressure_pa(heights, 20.0)
    nominal = np.column_stack([(true - 4) / 1.03 + np.sin(np.arange(11)), true * 0.98])
    dropped = (Dropped(55.0, True, (512.0, 540.0), "a bubble in the <tube> $x^2$"),)
    points = Points(("p1", "p2"), heights, np.arange(11) < 6, nominal, None, dropped)
    return calibrate(points, Setup(), made_utc="2026-05-02T10:15:00Z", uid="ab\x1b[31m", parts={"p1": "hsc"})


@pytest.mark.parametrize("kind", some(["pdf"], ["png"]))
def test_same_bytes_each_time(tmp_path, calibration, kind):
    first = write_certificate(calibration, tmp_path / f"a.{kind}")
    second = write_certificate(calibration, tmp_path / f"b.{kind}")
    assert [path.name for path in first] == (["a.pdf"] if kind == "pdf" else ["a-p1.png", "a-p2.png"])
    for one, other in zip(first, second, strict=True):
        assert one.stat().st_size > 10_000
        assert one.read_bytes() == other.read_bytes()
    if kind == "pdf":
        assert first[0].read_bytes().count(b"/Type /Page ") == len(calibration.columns)


def test_the_verdict_and_the_figures_come_first_under_the_name_of_the_tap(calibration):
    car = invented_car()
    figure = certificate_page(calibration, "p1", car=car)
    words = sorted(figure.texts, key=lambda text: -text.get_position()[1])
    texts = [text.get_text() for text in words]
    assert texts[0] == "Calibration of front-left"
    assert texts[1] == "sensor p1 hsc, board ab?[31m, 2 May 2026, 10:15 UTC"
    # the sentence of the terminal; with the name of the tap beside that of the column
    worst = in_one_line(calibration, car).split(" at most (")[1].split(")")[0]
    tap = {"p1": "front-left", "p2": "front-right"}[worst]
    said = in_one_line(calibration, car).replace(worst, f"{worst} {tap}")
    assert texts[2].replace("\n", " ") == f"All sensors. {said}"  # the page is of one of them
    assert texts.index("hysteresis") < texts.index("Findings")


def test_paper_has_no_options_no_hyphen_for_minus_and_no_pasted_lines(calibration):
    figure = certificate_page(calibration, "p1", notes=("temperature not given: 20 degC (--water-c)",))
    texts = [text.get_text() for text in figure.texts]
    words = " ".join(texts)
    assert "temperature not given: 20 degC" in words
    assert "--" not in words
    assert not re.search(r"(?<![\w.])-\d", words)
    assert re.search(r"−\d", words)
    assert all("\n" not in text and not text.startswith(" ") for text in texts[3:])
    # a finding is 8 points high, its mark stands before it, and its further lines below its first
    marks = [text.get_position() for text in figure.texts if text.get_text() == "•"]
    starts = [t for t in figure.texts if t.get_position()[0] == pytest.approx(marks[0][0] + 0.014)]
    assert {text.get_fontsize() for text in starts} == {8}
    assert len(starts) > len(marks) > 3


def test_pages_share_their_scales_and_every_axis_has_a_title(calibration):
    pages = [certificate_page(calibration, name).axes for name in ("p1", "p2")]
    for upper, lower in pages:
        assert upper.get_xlabel() == lower.get_xlabel() == "x, suction by the sensor's own scale, Pa"
        assert upper.get_xlim() == lower.get_xlim()
    assert pages[0][1].get_ylim() == pages[1][1].get_ylim()
    assert pages[0][1].get_xlim() == pages[1][1].get_xlim()


def test_what_stands_on_it(calibration):
    texts = [text.get_text() for text in certificate_page(calibration, "p1").texts]
    page = "\n".join(texts)
    assert "Calibration of p1 hsc" in page
    assert "board ab?[31m, 2 May 2026, 10:15 UTC" in page
    assert "left out: 55 mm up: a bubble in the <tube> $x^2$" in page.replace("\n", " ")
    assert "not the certificate of an accredited laboratory" in page
    assert texts.count("up") == 6
    assert texts.count("down") == 5


def test_from_a_file_with_only_the_keys_of_the_format(tmp_path, calibration):
    calibration.to_json(tmp_path / "full.json")
    read = Calibration.from_json(tmp_path / "full.json")
    assert write_certificate(read, tmp_path / "d.pdf")


def test_another_ending(tmp_path, calibration):
    with pytest.raises(CalibrationError, match=r"expected a name that ends in .pdf or .png"):
        write_certificate(calibration, tmp_path / "c.docx")


def test_no_folder(tmp_path, calibration):
    one = replace(calibration, columns={"p1": calibration.columns["p1"]})
    with pytest.raises(CalibrationError, match="cannot be written"):
        write_certificate(one, tmp_path / "none" / "c.pdf")


def test_what_must_not_be_overlooked_stands_on_it_too(calibration):
    heights = np.array([0.0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0])
    nominal = column_pressure_pa(heights, 20.0)
    nominal[6:] = nominal[5:-1]  # the column was not moved after the greatest height
    doubts = tuple(("p1 moved by +0.0 Pa",) if k == 6 else ("",) for k in range(11))
    places = tuple(f"point {k + 1}" for k in range(11))
    points = Points(("p1",), heights, np.arange(11) < 6, nominal[:, None], places=places, doubts=doubts)
    done = calibrate(points, Setup(), made_utc="", accuracy_pa={"p1": 100.0})
    texts = [text.get_text() for text in certificate_page(done, "p1").texts]
    assert "Worse than no calibration" in texts
    assert "board not known, " in texts
    words = "\n".join(texts).replace("\n", " ")
    assert "WORSE THAN NO CALIBRATION: ±" in words
    assert "kept despite a doubt, point 7 (80 mm down): p1 moved by +0.0 Pa" in words
    assert "Worse" not in "\n".join(text.get_text() for text in certificate_page(calibration, "p1").texts)


@pytest.mark.parametrize(
    ("second", "heading"),
    [(0.79, "Check the column: all sensors are off alike"), (1.0, "Far off its own scale")],
)
def test_a_column_that_was_not_what_it_was_taken_for_stands_on_it(second, heading):
    heights = np.array([0.0, 20, 40, 60, 80, 100])
    nominal = column_pressure_pa(heights, 20.0)[:, None] * [0.79, second]  # alcohol taken for water
    points = Points(("p1", "p2"), heights, np.ones(6, dtype=bool), nominal)
    done = calibrate(points, Setup(), made_utc="", accuracy_pa={"p1": 160.0, "p2": 160.0})
    texts = [text.get_text() for text in certificate_page(done, "p1").texts]
    assert heading in texts
    assert "FAR OFF ITS OWN SCALE: the column says 1.266 times" in " ".join(texts)
    assert (heading in [text.get_text() for text in certificate_page(done, "p2").texts]) == (second < 1)
