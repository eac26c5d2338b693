"""The guided calibration with a scripted person and a fake column; the journal through power cuts."""

from __future__ import annotations

import errno
import itertools
import json
import math
import os
import re

import numpy as np
import pytest

from undertray.calibrate.dialogue import Dialogue, Plausible
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.findings import column_alarms
from undertray.calibrate.liquid_column import column_pressure_pa
from undertray.calibrate.session import Session, Step, TakenPoint, plan
from undertray.calibrate.settling import Reading, SteadyLimits, measure
from undertray.errors import CalibrationError
from undertray.report.calibrationwords import details

NAMES = ("p1", "p2")
PARTS = {"p1": "hsc", "p2": "sdp"}
LIMITS = SteadyLimits()
PA_PER_MM = float(column_pressure_pa(1.0, 20.0))
PLAUSIBLE = Plausible(NAMES, PA_PER_MM, (100.0, 100.0))  # 2 % of 5 kPa


class Bench:
    """A water column and two sensors: after each move the water swings and comes to rest."""

    def __init__(self, noise_pa=0.4, gains=(1.02, 0.97), zeros=(3.0, -5.0), restless=()):
        self.rng = np.random.default_rng(3)
        self.noise_pa, self.gains, self.zeros = noise_pa, gains, zeros
        self.height_mm = 0.0
        self.t_s = 0.0
        self.restless = set(restless)  # measurements that never calm down
        self.measured = 0

    def noise(self):
        return self.rng.normal(0, self.noise_pa, len(self.gains))

    def fresh(self):
        self.measured += 1
        restless = self.measured in self.restless
        since = 0.0
        while True:
            since += 1 / 200
            self.t_s += 1 / 200
            swing = 200 * math.cos(2 * math.pi * since) * (0.1 if restless else math.exp(-since))
            true = self.height_mm * PA_PER_MM + swing
            yield Reading(
                self.t_s,
                tuple(
                    (true - zero) / gain + noise
                    for gain, zero, noise in zip(self.gains, self.zeros, self.noise(), strict=True)
                ),
            )


class Person:
    """Sets what is asked for, and answers from a script where there is one."""

    def __init__(self, bench, answers=()):
        self.bench = bench
        self.answers = list(answers)
        self.heard = []
        self.asked = []

    def ask(self, question):
        self.asked.append(question)
        for trigger, answer in self.answers:
            if trigger(self) if callable(trigger) else trigger in question:
                self.answers.remove((trigger, answer))
                if isinstance(answer, type):
                    raise answer
                return answer
        return ""

    def tell(self, line):
        self.heard.append(line)
        if "open both ports" in line:
            self.bench.height_mm = 0.0
        if "bring the column" in line:
            self.bench.height_mm = float(line.split("about ")[1].split(" mm")[0])

    @property
    def text(self):
        return "\n".join(self.heard)


def lead(path, bench, answers=(), heights=(0, 30, 60, 100)):
    session = Session.resume(path) if path.exists() else Session.start(path, "ab12", PARTS, plan(heights))
    person = Person(bench, answers)
    done = Dialogue(session, bench.fresh, person.ask, person.tell, PLAUSIBLE, LIMITS).run()
    return session, person, done


def test_plan_goes_up_and_down():
    assert plan([60, 30, 60]) == (
        Step(0, True),
        Step(30, True),
        Step(60, True),
        Step(30, False),
        Step(0, False),
    )
    for bad in ([], [50], [0, 50], [-1, 20, 30], [10, math.nan], [1, 2, 20_000], range(1, 300)):
        with pytest.raises(CalibrationError):
            plan(bad)


def test_a_whole_session_gives_the_calibration(tmp_path):
    session, person, done = lead(tmp_path / "a.session", Bench())
    assert done
    assert len(session.taken) == 7
    assert all(point.steady for point in session.taken)
    setup = Setup(zero_open=True)
    columns = calibrate(session.points(), setup, made_utc="", uid=session.uid, parts=session.parts).columns
    # noise 0.4 Pa over 600 rows and the rest of the swing, which falls below 1 Pa in 3 s
    for name, gain, zero in (("p1", 1.02, 3.0), ("p2", 0.97, -5.0)):
        assert columns[name].coefficients[1] == pytest.approx(gain, rel=1e-3)
        assert columns[name].coefficients[0] == pytest.approx(zero, abs=0.5)
        assert columns[name].part == PARTS[name]
    assert "point 4: 100 mm, rising: p1 " in person.text
    assert person.text.count("steady, ") == 7


def test_heights_as_they_were_read(tmp_path):
    answers = [("(Enter: 30", "3.05 cm"), ("(Enter: 60", "95.5 34"), ("(Enter: 100", "4 in")]
    session, _, _ = lead(tmp_path / "a.session", Bench(), answers)
    assert [point.height_mm for point in session.taken[:4]] == pytest.approx([0, 30.5, 61.5, 101.6])


def test_wrong_heights_are_asked_again(tmp_path):
    answers = [("(Enter: 30", bad) for bad in ("4 psi", "1 2 3", "99999", "0")]
    session, person, _ = lead(tmp_path / "a.session", Bench(), [*answers, ("0 mm is the zero", "31")])
    assert session.taken[1].height_mm == 31
    for said in ("is not a unit of length", "more than two numbers", "no column is as high"):
        assert said in person.text


def test_a_slip_of_the_keys_keeps_the_reading(tmp_path):
    bench = Bench()
    slips = [("(Enter: 30", "3o"), ("(Enter: 30", "list"), ("(Enter: 30", "help"), ("(Enter: 30", "30.5")]
    session, person, done = lead(tmp_path / "a.session", bench, slips)
    assert done
    assert session.taken[1].height_mm == 30.5
    assert bench.measured == 7  # once a point
    assert "The reading is kept: only the height is asked again." in person.text


def test_what_the_readings_fit_is_said_once_the_height_is_known(tmp_path):
    _, person, _ = lead(tmp_path / "a.session", Bench(gains=(1.0, 1.0)))
    # the person reads the column first: nothing before the answer may lead the eye
    fits = [i for i, line in enumerate(person.heard) if line.startswith("The readings fit")]
    assert [person.heard[i] for i in fits[:3]] == [f"The readings fit about {mm} mm." for mm in (30, 60, 100)]
    assert all(person.heard[i - 1].startswith("point ") for i in fits)
    _, person, _ = lead(
        tmp_path / "b.session", Bench(gains=(1.0, 1.0)), [("(Enter: 60", "160"), (DOUBT, "60")]
    )
    assert "The readings fit about 60 mm." in person.text


def test_the_readings_are_shown_while_they_settle(tmp_path):
    session = Session.start(tmp_path / "a.session", "ab12", PARTS, plan((0, 30, 60)))
    person, shown = Person(Bench(), [("when it is set", ""), ("when it is set", "stop")]), []
    Dialogue(session, person.bench.fresh, person.ask, person.tell, PLAUSIBLE, LIMITS, shown.append).run()
    assert re.fullmatch(r"p1 -?\d+\.\d  p2 -?\d+\.\d Pa", shown[0])
    assert any("spreads by" in line for line in shown)  # and why it is not steady yet
    assert shown[-1] == ""  # taken away before anything else is said
    # 200 rows a second, shown five times a second
    assert len(shown) <= person.bench.t_s * 5 + 2


def test_again_measures_again(tmp_path):
    bench = Bench()
    session, _, _ = lead(tmp_path / "a.session", bench, [("(Enter: 30", "again")])
    assert bench.measured == 8
    assert len(session.taken) == 7


def test_drop_with_reason_and_do_again(tmp_path):
    answers = [
        (lambda person: "when it is set" in person.asked[-1] and person.bench.height_mm == 100, "drop 2"),
        ("Why is it taken back", "a bubble in the tube"),
    ]
    session, person, done = lead(tmp_path / "a.session", Bench(), answers)
    assert done
    assert "point 2 is taken back and will be asked for again" in person.text
    points = session.points()
    # the column stood at 60: it goes below 30 first, or that would be a falling point by its heights
    assert points.height_mm.tolist() == [0, 60, 0, 30, 100, 60, 30, 0]
    assert points.upward.tolist() == [True, True, False, True, True, False, False, False]
    assert "(a point of its own, so that 30 mm rising is reached that way again)" in person.text
    assert [(dropped.height_mm, dropped.reason) for dropped in points.dropped] == [
        (30, "a bubble in the tube")
    ]
    calibration = calibrate(points, Setup(zero_open=True), made_utc="")
    assert calibration.columns["p1"].points[-1]["dropped"] == "a bubble in the tube"


def test_drop_for_good_and_skip_and_list(tmp_path):
    def at_60(person):
        return "when it is set" in person.asked[-1] and person.bench.height_mm == 60

    answers = [
        (at_60, "list"),
        (at_60, "drop 2"),
        ("Why is it taken back", "drifting"),
        ("Do it again", "no"),
        (at_60, "skip tube too short"),
        (at_60, "nonsense"),
        (at_60, "drop 99"),
        (at_60, "drop 1"),
        ("Why is it taken back", ""),
    ]
    session, person, done = lead(tmp_path / "a.session", Bench(), answers)
    assert done
    assert "1: 0 mm, rising: p1 " in person.text
    assert "no such point, got '99'" in person.text
    assert "no reason given" in person.text
    assert session.points().height_mm.tolist() == [0, 100, 60, 30, 0]


def test_never_steady_is_said_and_the_person_decides(tmp_path):
    answers = [("take it all the same", "yes"), ("take it all the same", "")]
    session, person, _ = lead(tmp_path / "a.session", Bench(restless={2, 4, 5}), answers)
    assert person.text.count("not steady in 60 s: p1 spreads by") == 2 + 1
    assert [point.steady for point in session.taken].count(False) == 1
    assert session.taken[1].mean_sd_pa[0] > 10 * session.taken[0].mean_sd_pa[0]


def test_a_dead_sensor_gives_no_point(tmp_path):
    bench = Bench(gains=(1.02, math.nan))
    session, person, done = lead(
        tmp_path / "a.session", bench, [("take it all the same", "yes"), ("take it all the same", "stop")]
    )
    assert not done
    assert session.taken == []
    assert "p2 gives no reading: no point taken" in person.text


DOUBT = "Is the column set"


def test_swapped_ports_are_said_at_once(tmp_path):
    bench = Bench(gains=(1.02, -0.97))
    _, person, done = lead(tmp_path / "a.session", bench, [(DOUBT, "stop")])
    assert not done
    # 30 mm of water at 20 degC are 293 Pa, by this gain 302 the other way; nothing is taken
    assert re.search(r"p2 goes by -30\d\.\d Pa as the column rises by 293\.\d Pa: its ports are", person.text)
    assert "p1 goes" not in person.text
    assert "point 2" not in person.text


class Forgetful(Person):
    """Moves the column only at the second time of asking where ``forgets`` says so."""

    def __init__(self, bench, forgets, answers=()):
        super().__init__(bench, answers)
        self.forgets = list(forgets)
        self.due_mm = 0.0

    def tell(self, line):
        before_mm = self.bench.height_mm
        super().tell(line)
        if "bring the column" not in line and "open both ports" not in line:
            return
        self.due_mm = self.bench.height_mm
        if self.due_mm in self.forgets:
            self.forgets.remove(self.due_mm)
            self.bench.height_mm = before_mm

    def ask(self, question):
        answer = super().ask(question)
        if DOUBT in question and answer == "":
            self.bench.height_mm = self.due_mm
        return answer


def forgetful(path, forgets, answers=()):
    session = Session.start(path, "ab12", PARTS, plan((0, 20, 40, 60, 80, 100, 120)))
    person = Forgetful(Bench(), forgets, answers)
    done = Dialogue(session, person.bench.fresh, person.ask, person.tell, PLAUSIBLE, LIMITS).run()
    return session, person, done


@pytest.mark.parametrize("height_mm", [20, 60, 120])
def test_a_column_that_was_not_moved_is_seen_at_that_step(tmp_path, height_mm):
    session, person, done = forgetful(tmp_path / "a.session", [height_mm])
    assert done
    # 20 mm are 195.4 Pa (Tanaka 2001 at 20 degC, CIPM-2007, normal gravity at 45 degrees)
    before_mm = height_mm - 20
    moved = r"p1 and p2 moved by [+-]0\.\d to [+-]0\.\d Pa"
    words = rf"{moved} of the \+195\.\d Pa that {before_mm} to {height_mm} mm make; all sensors say so"
    assert len(re.findall(words, person.text)) == 1
    assert sum(DOUBT in question for question in person.asked) == 1
    # Enter measured again, and nothing is left of the slip
    assert len(session.taken) == 13
    assert not any(point.doubts for point in session.taken)
    column = calibrate(session.points(), Setup(zero_open=True), made_utc="").columns["p1"]
    assert column.coefficients[1] == pytest.approx(1.02, rel=1e-3)


def test_a_slip_that_is_kept_shows_at_every_later_step_and_on_the_certificate(tmp_path):
    keeps = [(DOUBT, "keep")] * 20
    session, person, done = forgetful(tmp_path / "a.session", [120], keeps)
    assert done
    doubted = [k for k, point in enumerate(session.taken) if point.doubts]
    # point 7 did not move; point 8 is right for its height, but did not move either
    assert doubted == [6, 7]
    assert "kept despite a doubt" in person.text
    read = Session.resume(tmp_path / "a.session")
    assert read.taken == session.taken
    column = calibrate(read.points(), Setup(zero_open=True), made_utc="").columns["p1"]
    [first, second] = [line for line in column_alarms(column) if line.startswith("kept despite a doubt")]
    assert first.startswith("kept despite a doubt, point 7 (120 mm up): p1 moved by ")
    assert second.startswith("kept despite a doubt, point 8 (100 mm down): p1 moved by ")


def test_one_fault_is_one_sentence_for_all_the_sensors_it_concerns():
    """The column fell by 20 mm and did not rise by 40: half of the due, on both sides of a limit."""
    names = ("p1", "p2", "p3")
    plausible = Plausible(names, PLAUSIBLE.pa_per_mm, (100.0,) * 3)
    last = TakenPoint(0, 0.0, (0.0, 0.0, 0.0), (0.1,) * 3, True)
    # 40 mm are 391.1 Pa (Tanaka 2001 at 20 degC, CIPM-2007, normal gravity at 45 degrees), half of it 195.5
    [told] = plausible.sentences([last], 40.0, (-196.0, -194.3, -195.8))
    assert told == (
        "p1, p2 and p3 go by -194.3 to -196.0 Pa as the column rises by 391.1 Pa: their ports are swapped, or"
        " the column went the other way; all sensors say so: look at the column and the height first."
    )
    # two faults are two sentences, and a sensor's own fault is not blamed on the column
    [turned, moved] = plausible.sentences([last], 40.0, (-391.0, 0.0, 391.0))
    assert turned.startswith("p1 goes by -391.0 Pa")
    assert moved == "p2 moved by +0.0 Pa of the +391.1 Pa that 0 to 40 mm make."
    # and what is kept with each sensor is its own
    assert [text.split()[0] for text in plausible.doubts([last], 40.0, (-196.0, -194.3, 391.0)) if text] == [
        "p1",
        "p2",
    ]


def test_a_column_one_step_behind_is_seen_though_it_moves():
    k = PLAUSIBLE.pa_per_mm
    zero = TakenPoint(0, 0.0, (-3.0, 5.0), (0.1, 0.1), True)
    last = TakenPoint(1, 100.0, (-3.0 + 120 * k, 5.0 + 120 * k), (0.1, 0.1), True)
    doubts = PLAUSIBLE.doubts([zero, last], 80.0, (-3.0 + 100 * k, 5.0 + 100 * k))
    assert all("from its reading with both ports open" in doubt for doubt in doubts)
    # and with both ports open at the end, where nothing is due
    doubts = PLAUSIBLE.doubts([zero, last], 0.0, (-3.0 + 20 * k, 5.0 + 20 * k))
    assert all(doubts)


@pytest.mark.parametrize("share", [0.96, 1.0, 1.04])
@pytest.mark.parametrize("slip_mm", [-1.0, 1.0])
def test_a_part_within_its_data_sheet_and_a_tired_eye_raise_no_doubt(share, slip_mm):
    # 2 % of span is 4 % of the highest pressure, where a part is read from its zero
    taken = []
    for step, height_mm in enumerate((0, 20, 40, 60, 80, 100, 120, 100, 80, 60, 40, 20, 0)):
        true_mm = height_mm + slip_mm * (-1) ** step if height_mm else 0
        reading = 60.0 + share * PLAUSIBLE.pa_per_mm * true_mm
        assert not any(PLAUSIBLE.doubts(taken, height_mm, (reading, reading)))
        taken.append(TakenPoint(step, height_mm, (reading, reading), (0.1, 0.1), True))


def test_a_first_zero_that_is_none_is_doubted():
    [first, second] = PLAUSIBLE.doubts([], 0.0, (196.0, 90.0))
    assert first.startswith("p1 stands at +196.0 Pa by its own scale, and the column at 0.0 Pa")
    assert second == ""


def test_another_height_may_be_the_answer_to_a_doubt(tmp_path):
    answers = [("(Enter: 60", "160"), (DOUBT, "60.5")]
    session, _, done = lead(tmp_path / "a.session", Bench(), answers)
    assert done
    assert session.taken[2].height_mm == 60.5
    assert not session.taken[2].doubts
    # a point before may be the wrong one
    answers = [("(Enter: 30", "130"), (DOUBT, "keep"), (DOUBT, "drop 2"), ("Why is it taken", "mistyped")]
    session, _, done = lead(tmp_path / "b.session", Bench(), answers)
    assert done
    assert [point.height_mm for point in session.taken if point.reason is None] == [0, 30, 60, 100, 60, 30, 0]
    assert session.taken[1].reason == "mistyped"


@pytest.mark.parametrize("how", ["stop", EOFError, KeyboardInterrupt])
def test_stop_and_go_on(tmp_path, how):
    def at_60(person):
        return "when it is set" in person.asked[-1] and person.bench.height_mm == 60

    path = tmp_path / "a.session"
    bench = Bench()
    first, person, done = lead(path, bench, [(at_60, how)])
    assert not done
    assert "Stopped. All points are in" in person.text
    second, person, done = lead(path, bench)
    assert done
    assert second.taken[:2] == first.taken
    assert "Step 3 of 7" in person.text
    assert "Step 2 of 7" not in person.text
    assert len(second.taken) == 7


class Wayward(Person):
    """Sets heights of an own choice, whatever is proposed, and reads the column right."""

    def __init__(self, bench, heights, answers=()):
        super().__init__(bench, answers)
        self.course = list(heights)
        self.steps = []

    def ask(self, question):
        answer = super().ask(question)
        if answer:
            return answer
        if "when it is set" in question:
            if not self.course:
                return "finish"
            self.bench.height_mm = self.course.pop(0)
        elif "column reading" in question:
            return f"{self.bench.height_mm:g}"
        return "yes" if "0 mm is the zero" in question else ""

    def tell(self, line):
        self.heard.append(line)
        if line.startswith("Step "):
            self.steps.append(line)


def wayward(path, course, answers=(), heights=(0, 20, 40, 60, 80, 100, 120)):
    session = Session.start(path, "ab12", PARTS, plan(heights))
    person = Wayward(Bench(), course, answers)
    done = Dialogue(session, person.bench.fresh, person.ask, person.tell, PLAUSIBLE, LIMITS).run()
    assert done
    return session, person


def test_a_person_who_departs_from_the_plan_is_told_and_followed(tmp_path):
    """At step 3 the column stood at 80: the plan goes on from there, and directions are the column's own."""
    course = [0, 20, 80, 100, 120, 100, 80, 60, 80, 60, 40, 20, 0]
    session, person = wayward(tmp_path / "a.session", course)
    points = session.points()
    assert points.height_mm.tolist() == course
    # derived: a point is rising where it is higher than the one before
    assert points.upward.tolist() == [True, *(b > a for a, b in itertools.pairwise(course))]
    told = [line for line in person.heard if line.startswith("The plan had")]
    assert told == [
        "The plan had 40 mm rising; this is 80 mm rising, and it goes on from there."
        " Passed over: 40 mm rising, 60 mm rising.",
        "The plan had 40 mm falling; this is 80 mm rising, and it goes on from there.",
        "The plan had 40 mm falling; this is 60 mm falling, and it goes on from there.",
    ]
    assert [line for line in person.steps if "Step 6 of 13: bring the column up to about 100" in line]
    assert "point 6: 100 mm, falling" in person.text
    assert Session.resume(tmp_path / "a.session").points().upward.tolist() == points.upward.tolist()


def test_a_column_that_fell_before_the_top_serves_no_step_of_the_way_down(tmp_path):
    session, person = wayward(
        tmp_path / "a.session", [0, 20, 40, 20, 60, 80, 100, 120, 100, 80, 60, 40, 20, 0]
    )
    assert "The plan had 60 mm rising; this is 20 mm falling, and it goes on from there." in person.heard
    assert session.taken[3].upward is False
    assert [point.step for point in session.taken] == [0, 1, 2, None, *range(3, 13)]


def test_a_column_that_still_stands_has_come_the_way_it_came(tmp_path):
    session, person = wayward(tmp_path / "a.session", [0, 20, 20, 40, 60, 40, 40, 0], heights=(0, 20, 40, 60))
    assert session.points().upward.tolist() == [True] * 5 + [False] * 3
    assert (
        "The plan had 40 mm rising; the column still stands at 20 mm, and it goes on from there."
        in person.heard
    )


def test_the_end_zero_is_asked_for_until_it_is_taken(tmp_path):
    """With both ports to be opened the column still stood at 80: a point, and no zero."""
    answers = [(lambda person: DOUBT in person.asked[-1] and person.bench.height_mm == 80, "80")]
    session, person = wayward(
        tmp_path / "a.session", [0, 30, 60, 100, 60, 30, 80, 0], answers, heights=(0, 30, 60, 100)
    )
    assert session.points().height_mm.tolist() == [0, 30, 60, 100, 60, 30, 80, 0]
    assert (
        "The plan had 0 mm, both ports open; this is 80 mm rising, and it goes on from there." in person.heard
    )
    assert person.steps[-1].startswith("Step 7 of 7: open both ports")
    assert "no zero at the end" not in "\n".join(details(calibrated(session)))


def test_a_zero_may_be_entered_where_the_plan_has_a_height(tmp_path):
    session, person = wayward(tmp_path / "a.session", [0, 30, 60, 0, 100, 60, 0], heights=(0, 30, 60, 100))
    assert session.points().height_mm.tolist() == [0, 30, 60, 0, 100, 60, 0]
    # the zero in the middle is not that of the end; the last one is
    assert [point.step for point in session.taken] == [0, 1, 2, None, 3, 4, 6]
    assert sum("0 mm is the zero" in question for question in person.asked) == 2
    assert session.proposal is None


@pytest.mark.parametrize("course", [[0, 30, 60, 100, 60, 30], [0, 30, 60, 0, 100, 60, 30]])
def test_a_calibration_without_its_end_zero_says_so(tmp_path, course):
    session, _ = wayward(tmp_path / "a.session", course, heights=(0, 30, 60, 100))
    [told] = [line for line in details(calibrated(session)) if line.startswith("no zero at the end")]
    assert "how far the zeros drifted over the calibration is not seen" in told


def test_a_height_that_was_mistyped_and_taken_back_does_not_say_which_way_the_next_was(tmp_path):
    answers = [
        (lambda person: "column reading" in person.asked[-1] and person.bench.height_mm == 60, "160"),
        (DOUBT, "keep"),
        (DOUBT, "keep"),
        (lambda person: "when it is set" in person.asked[-1] and person.bench.height_mm == 80, "drop 4"),
        ("Why is it taken", "mistyped"),
        ("Do it again", "no"),
    ]
    session, _ = wayward(tmp_path / "a.session", [0, 20, 40, 60, 80, 60, 40, 0], answers)
    points = session.points()
    # 80 came after "160", and yet the column rose to it from 40
    assert points.height_mm.tolist()[:4] == [0, 20, 40, 80]
    assert points.upward.tolist()[:4] == [True] * 4


def calibrated(session):
    return calibrate(session.points(), Setup(zero_open=True), made_utc="")


def test_finish_ends_with_what_there_is(tmp_path):
    def at_100(person):
        return "when it is set" in person.asked[-1] and person.bench.height_mm == 100

    session, _, done = lead(tmp_path / "a.session", Bench(), [(at_100, "finish")])
    assert done
    assert len(session.taken) == 3


def test_a_cut_at_any_byte_loses_nothing_that_was_whole(tmp_path):
    whole = tmp_path / "whole.session"
    session, _, _ = lead(whole, Bench(), [("Why is it", "x")])
    session.drop(1, "wet hose", again=True)
    raw = whole.read_bytes()
    head_end = raw.index(b"\n") + 1
    # round the end of each line every byte, within the text of a line every seventh
    ends = {i + d for i, byte in enumerate(raw) if byte == 10 for d in (-1, 0, 1, 2)}
    for cut in sorted({*range(head_end, len(raw), 7), *(ends & {*range(head_end, len(raw))})}):
        path = tmp_path / "cut.session"
        path.write_bytes(raw[:cut])
        read = Session.resume(path)
        kept = raw[:cut].count(b"\n") - 1
        assert len(read.taken) == min(kept, 7)
        assert bool(read.journal.repaired) == (raw[cut - 1 : cut] != b"\n")
        assert path.read_bytes().endswith(b"\n")
        assert Session.resume(path).taken == read.taken


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[]", "not a line of a calibration journal"),
        ("\xff", "not a line of a calibration journal"),
        ('{"event": "dance"}', "not an event of a calibration"),
        ('{"event": "point", "step": 9}', "bad 'step'"),
        ('{"event": "point", "step": true}', "bad 'step'"),
        ('{"event": "point", "step": 1, "height_mm": -1}', "bad 'height_mm'"),
        ('{"event": "point", "step": 1, "height_mm": 1, "nominal_pa": [1]}', "bad 'nominal_pa'"),
        ('{"event": "point", "step": 1, "height_mm": 1, "nominal_pa": [1, NaN]}', "bad 'nominal_pa'"),
        (
            '{"event": "point", "step": 1, "height_mm": 1, "nominal_pa": [1, 2], "doubts": ["x"]}',
            "bad 'doubts'",
        ),
        (
            '{"event": "point", "step": 1, "height_mm": 1, "nominal_pa": [1, 2], "mean_sd_pa": [1, -1]}',
            "bad 'mean_sd_pa'",
        ),
        ('{"event": "drop", "point": 0, "reason": "x"}', "bad 'point'"),
        ('{"event": "skip", "step": 0, "reason": ""}', "no reason given"),
        ('{"event": "skip", "step": 0, "reason": 7}', "bad 'reason'"),
    ],
)
def test_a_journal_from_a_stranger(tmp_path, line, said):
    path = tmp_path / "a.session"
    Session.start(path, "ab12", PARTS, plan([0, 50, 100]))
    with path.open("ab") as file:
        file.write(line.encode("latin-1") + b"\n")
    with pytest.raises(CalibrationError) as caught:
        Session.resume(path)
    assert said in str(caught.value)
    assert "a.session, line 2" in str(caught.value)


@pytest.mark.parametrize(
    "change",
    [
        {"undertray-session": 2},
        {"columns": ["p1", "p1"]},
        {"columns": []},
        {"parts": [1, 2]},
        {"heights_mm": [0, 50]},
        {"heights_mm": [0, 50, 1e9, 50, 0]},
        {"heights_mm": [0, 50, 100, -50, 0]},
        {"heights_mm": [0, 0, 0, 0, 0]},
        {"heights_mm": [50, 0, 100, 50, 0]},
        {"upward": [False, True, True, False, False]},
        {"upward": None},
        {"uid": 5},
    ],
)
def test_a_journal_whose_head_does_not_hold(tmp_path, change):
    path = tmp_path / "a.session"
    Session.start(path, "ab12", PARTS, plan([0, 50, 100]))
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}) + "\n")
    with pytest.raises(CalibrationError, match=r"a\.session, line 1"):
        Session.resume(path)


def test_a_disk_that_fails_for_a_moment_costs_a_question_and_no_point_counts_twice(tmp_path, monkeypatch):
    sync, failures = os.fsync, [2, 5]  # the head is the first write, a point each that follows

    def failing(file):
        failures[:] = [left - 1 for left in failures]
        if 0 in failures:
            raise OSError(errno.EIO, "Input/output error")
        sync(file)

    monkeypatch.setattr(os, "fsync", failing)
    path = tmp_path / "a.session"
    session, person, done = lead(path, Bench())
    assert done
    assert sum("the journal cannot be written" in line for line in person.heard) == 2
    assert [point.step for point in session.taken] == list(range(len(session.steps)))
    assert Session.resume(path).taken == session.taken


def test_a_journal_that_was_removed_is_said_and_not_begun_anew(tmp_path):
    path = tmp_path / "a.session"
    session = Session.start(path, "ab12", PARTS, plan([0, 50, 100]))
    path.unlink()
    with pytest.raises(CalibrationError, match="cannot be written: No such file"):
        session.skip(0, "no water")
    assert session.proposal == (0, Step(0, True))
    assert not path.exists()


def test_a_journal_that_cannot_be_begun_is_not_there(tmp_path, monkeypatch):
    def failing(_file):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(CalibrationError, match="cannot be written: No space"):
        Session.start(tmp_path / "a.session", "ab12", PARTS, plan([0, 50, 100]))
    assert list(tmp_path.iterdir()) == []


def test_a_journal_is_never_overwritten(tmp_path):
    path = tmp_path / "a.session"
    Session.start(path, "ab12", PARTS, plan([0, 50, 100]))
    with pytest.raises(CalibrationError, match="exists"):
        Session.start(path, "ab12", PARTS, plan([0, 50, 100]))
    with pytest.raises(CalibrationError, match="cannot be read"):
        Session.resume(tmp_path / "none.session")


def rows(values, rate=200.0, start=0.0):
    return iter([Reading(start + k / rate, tuple(row)) for k, row in enumerate(values)])


def test_steady_mean_and_its_uncertainty():
    rng = np.random.default_rng(0)
    mean = measure(rows(rng.normal(100, 0.6, (700, 2))), NAMES, LIMITS)
    assert mean.steady
    assert mean.rows == 601
    np.testing.assert_allclose(mean.nominal_pa, 100, atol=0.1)
    # white noise: the six block means must give what sd/sqrt(n) says, to the spread of 5 degrees of freedom
    assert np.all((mean.mean_sd_pa > 0.25 * 0.6 / 600**0.5) & (mean.mean_sd_pa < 2.5 * 0.6 / 600**0.5))
    np.testing.assert_allclose(mean.spread_pa, 0.6, rtol=0.15)


@pytest.mark.parametrize(
    ("signal", "complaint"),
    [
        (lambda t: 100 + 1.0 * t, "p1 drifts by +3.00 Pa in 3 s"),
        (lambda t: 100 + 8 * np.sin(2 * np.pi * t), "p1 spreads by"),
        (lambda t: np.where(t > 0, np.nan, 100.0), "p1 gives no reading"),
    ],
)
def test_not_steady(signal, complaint):
    t = np.arange(0, 6, 1 / 200)
    values = np.column_stack([signal(t), np.full_like(t, 5.0)])
    mean = measure(rows(values), NAMES, SteadyLimits(timeout_s=5.0))
    assert not mean.steady
    assert mean.complaint.startswith(complaint)


def test_a_board_reset_starts_the_window_anew():
    first = [Reading(k / 200, (0.0, 0.0)) for k in range(500)]
    second = [Reading(900 + k / 200, (50.0, 50.0)) for k in range(700)]
    mean = measure(iter(first + second), NAMES, SteadyLimits(timeout_s=3600))
    np.testing.assert_allclose(mean.nominal_pa, 50)


def test_readings_that_end():
    with pytest.raises(CalibrationError, match="ended before they were steady"):
        measure(rows(np.zeros((100, 2))), NAMES, LIMITS)


def test_impossible_limits():
    for bad in ({"window_s": 0}, {"window_s": 100}, {"drift_pa": 0}, {"spread_pa": math.nan}):
        with pytest.raises(CalibrationError):
            SteadyLimits(**bad)
