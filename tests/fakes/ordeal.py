"""Hostile input through everything that reads it: results and errors of our own may come out."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import re
import resource
import signal
import sys
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from fakes import hostile_files, hostile_logs
from fakes.link import Clock, ScriptedLink, vanished
from fakes.program import undertray
from fakes.reductions import invented_car, invented_reduction
from fakes.stranger import Stranger, note_line
from undertray.acquire.inspection import inspect_run
from undertray.acquire.keptruns import Fetcher
from undertray.acquire.link import LinkEnded
from undertray.acquire.recorder import Patience, Recorder
from undertray.acquire.runlog import read_run
from undertray.acquire.wire import Row, WireNote
from undertray.board.check import check_board
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.findings import shift_findings
from undertray.calibrate.points import read_points
from undertray.calibrate.session import Session
from undertray.errors import UndertrayError
from undertray.live.monitor import Monitor
from undertray.live.terminal import PlainView, screen
from undertray.predict.axleloads import even_loads, measured_loads
from undertray.predict.axles import axles_of
from undertray.predict.drag import Drag, pulled_drag, pulled_grip, read_drag, write_drag
from undertray.predict.draws import Draws
from undertray.predict.drivable import Windows, whereabouts
from undertray.predict.fanlaw import fit_law, from_curve, run_points
from undertray.predict.forecast import Case, what_if
from undertray.predict.packvolts import Pack, pack_volts
from undertray.predict.rideheight import read_feelers, ride
from undertray.reduce.car import Car, Springs
from undertray.reduce.fan import FanReference
from undertray.reduce.fanreference import take_reference
from undertray.reduce.forcecheck import force_check
from undertray.reduce.hold import target_suction
from undertray.reduce.pulls import read_pulls
from undertray.reduce.run import Reduction, reduce_run
from undertray.reduce.runcar import run_car
from undertray.reduce.summary import Estimate, Steady, plain
from undertray.report.calibrationwords import details
from undertray.report.certificate import write_certificate
from undertray.report.comparedrun import Digest, digest
from undertray.report.comparewords import comparison_picture, comparison_words
from undertray.report.comparison import compare
from undertray.report.display import display
from undertray.report.forecastwords import axle_words, ride_words, what_if_words
from undertray.report.page import render_page
from undertray.report.picture import write_pictures
from undertray.report.pullpicture import drag_picture, drag_words, force_picture, force_words
from undertray.report.sheet import make_sheet
from undertray.report.table import reduction_table
from undertray.report.verdict import judge
from undertray.report.windowpicture import place_words, window_picture, window_words
from undertray.wiring import write_drawings

__all__ = ["KINDS", "Hang", "Unseemly", "bounded", "command", "own_error_only"]

_LONGEST_S = 20.0  # of this process, whatever else the machine does
_WAITED_S = 300.0  # by the clock, for a wait that ends never
_MOST_BYTES = 1 << 30
_CONTROL = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]"
)  # C0 but LF, DEL, C1 (ECMA-48), bidi
_NO_NUMBER = re.compile(r"(?<![\w./'-])[-+−±]?(nan|inf)(?![\w.'-])")


class Hang(BaseException):
    """It takes far too long."""


class Unseemly(AssertionError):
    """What came out may not come out: a line that is none, a NaN, a raw control character."""


@contextlib.contextmanager
def bounded() -> Iterator[None]:
    """Time and memory end: a hang and a blow-up become exceptions; so does each warning of a library."""

    def ring(*_: object) -> None:
        raise Hang(f"not done in {_LONGEST_S:g} s")

    before = {number: signal.signal(number, ring) for number in (signal.SIGALRM, signal.SIGPROF)}
    limits = resource.getrlimit(resource.RLIMIT_AS)
    if sys.platform == "linux":
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + _MOST_BYTES, limits[1]))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter("default", DeprecationWarning)  # is between libraries
            yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, limits)
        _time(0, 0)
        for number, handler in before.items():
            signal.signal(number, handler)


def _time(own_s: float, waited_s: float) -> None:
    signal.setitimer(signal.ITIMER_PROF, own_s)
    signal.setitimer(signal.ITIMER_REAL, waited_s)


def own_error_only(kind: str, seed: int, folder: Path) -> bool:
    """Put one input through; False where it was refused in our own words.

    Raises whatever else comes out, :class:`Hang` and :class:`Unseemly` among it.
    """
    _time(_LONGEST_S, _WAITED_S)
    try:
        KINDS[kind](seed, folder)
        return True
    except UndertrayError as error:
        _one_line(str(error))
        return False
    finally:
        _time(0, 0)


def command(*words: object) -> tuple[int, str, str]:
    """Run the command in this process: its status, its output and its talk.

    Raises :class:`Unseemly` where an error is not one line, or the output has what it may not have.
    """
    done = undertray(*words)
    status, printed, said = done.returncode, done.stdout, done.stderr
    told = f"{words[0]}: status {status}: {said[-400:]!r}"
    if status not in (0, 1, 2):
        raise Unseemly(told)
    if "Traceback" in said or (status == 1 and not (said.strip() or printed.strip())):
        raise Unseemly(told)
    for text in (printed, said):
        if strange := _CONTROL.search(text):
            at = strange.start()
            raise Unseemly(f"{words[0]}: {strange[0]!r} printed raw in {text[max(0, at - 60) : at + 20]!r}")
    if "--json" in words and status == 0:
        json.loads(printed, parse_constant=_no_constant)
    return int(status or 0), printed, said


def _no_constant(name: str) -> float:
    raise Unseemly(f"{name} in JSON")


def _one_line(text: str) -> None:
    if not text.strip() or "\n" in text or _CONTROL.search(text) or len(text) > 3000:
        raise Unseemly(f"no line for a terminal: {text[:300]!r}")


def _numbers(text: str, read: str = "") -> None:
    """Refuse a table or a sentence with a number that is none, but for words that stand in what was read."""
    for word in re.findall(r'"([-+]?(?:nan|inf))"', read):
        text = text.replace(word, "")
    if found := _NO_NUMBER.search(text):
        raise Unseemly(f"no number: {text[max(0, found.start() - 80) : found.end() + 20]!r}")


def _json(value: Any) -> str:
    return json.dumps(value, allow_nan=False)


def _car_for(seed: int, folder: Path, columns: int = 4) -> Car:
    """One of some honest cars, so that the log alone is hostile."""
    path = folder / "car.toml"
    path.write_bytes(hostile_files.car_toml(seed % 40, spoiled=0, columns=columns))
    return Car.from_toml(path)


@contextlib.contextmanager
def _own() -> Iterator[None]:
    """What is refused here ends neither the ordeal nor what comes after it."""
    try:
        yield
    except UndertrayError as error:
        _one_line(str(error))


def run_log(seed: int, folder: Path) -> None:
    """A log: read, inspected, reduced, judged, compared; now and then a page, and the commands."""
    path = folder / "run.csv"
    path.write_bytes(hostile_logs.run_log(seed))
    if seed % 8 == 0:
        _log_commands(seed, folder, path)
        return
    run = read_run(path)
    _json(inspect_run(run).as_dict())
    car = _car_for(seed, folder, max(1, len(run.columns)))
    calibration = None
    if seed % 3 == 0:
        where = folder / "calibration.json"
        where.write_bytes(hostile_files.calibration_json(seed % 20, spoiled=0, columns=16))
        calibration = Calibration.from_json(where)
    if seed % 4 == 1:
        own = run_car(run, car)
        car = own.car
        for notice in own.notices:
            _one_line(notice)
    reduction = reduce_run(run, car, calibration, ("none", "zero", "linear")[seed % 3])
    _json({**reduction.as_dict(), "verdict": plain(judge(reduction))})
    _numbers(reduction_table(reduction))
    for notice in reduction.notices:
        _numbers(notice)
    one = digest(reduction, run.facts, "skirt")
    with _own():
        _compare(one, seed, folder)
    if seed % 5 == 1:
        with _own():
            take_reference([reduction], car)
    if seed % 5 == 2:
        with _own():
            beside = axles_of(reduction, car, (1.0, 200.0, 1e6)[seed % 3])
            _json(plain(beside))
            for line in axle_words(beside, display("us" if seed % 2 else "si")):
                _numbers(line)
    if seed % 16 == 1:
        sheet = make_sheet(reduction, car, run, calibration, display("si"), None)
        page = render_page([sheet], car.name)
        if seed % 64 == 1:
            (folder / "page.html").write_text(page, encoding="utf-8")
            write_pictures(list(sheet.pictures()), folder / "pictures")


def _compare(one: Digest, seed: int, folder: Path) -> None:
    others = [
        dataclasses.replace(one, run=f"run-{k}", value=value)
        for k, value in enumerate(("foam", "brush", "foam"))
    ]
    found = compare([one, *others][: 1 + seed % 4], "skirt", None)
    _json(found.as_dict())
    for line in comparison_words(found, display("us" if seed % 2 else "si")):
        _numbers(line)
    if seed % 50 == 0:
        write_pictures([comparison_picture(found, display("si"))], folder / "pictures")


def _log_commands(seed: int, folder: Path, path: Path) -> None:
    car = folder / "car.toml"
    car.write_bytes(hostile_files.car_toml(seed % 40, spoiled=0))
    others = folder / "runs"
    others.mkdir(exist_ok=True)
    for k in range(2):
        (others / f"{k}.csv").write_bytes(hostile_logs.run_log(seed + 1 + k, most_rows=130))
    which = seed // 8 % 8
    if which in (0, 1):
        command("inspect", path, *(["--json"] if which else []))
    if which == 2:
        command("sessions", others, "--car", car, "--no-cache", "--json")
        page = ["--page", folder / "runs.html"]
        command("sessions", others, "--car", car, "--no-cache", "--units", "us", *page)
    if which == 3:
        command("compare", path, *others.iterdir(), "--car", car, "--json")
        command("compare", path, *others.iterdir(), "--car", car, "--page", folder / "compared.html")
    if which == 4:
        out = folder / "table.csv"
        out.unlink(missing_ok=True)
        command("export", path, "--out", out, *[[], ["--pa"], ["--loads", "--car", car]][seed % 3])
    if which == 5:
        command("report", path, "--car", car, "--out", folder / "page.html", "--tare", "linear")
    if which in (6, 7):
        command("reduce", path, "--car", car, *(["--json"] if which == 6 else []), "--tare", "zero")
        command("tare", path)
        command("reduce", path)  # with the car of the log, if it keeps one


def car(seed: int, folder: Path) -> None:
    """A car: read, asked what it needs, and a run reduced with it."""
    path = folder / "car.toml"
    path.write_bytes(hostile_files.car_toml(seed))
    log = folder / f"drive-{seed % 4}.csv"
    if not log.exists():
        log.write_bytes(hostile_logs.honest_log(seed % 4))
    if seed % 10 == 0:
        command("target", "--car", path)
        command("reduce", log, "--car", path, *(["--json"] if seed % 20 else []))
        return
    the_car = Car.from_toml(path)
    found = target_suction(the_car)
    _json(plain(found))
    run = read_run(log)
    reduction = reduce_run(run, the_car)
    _json({**reduction.as_dict(), "verdict": plain(judge(reduction))})
    _numbers(reduction_table(reduction))
    digest(reduction, run.facts, "skirt")
    monitor = Monitor(the_car)
    monitor.take(0, [WireNote("device", hostile_logs.device(4))])
    monitor.take(1, [Row(0, 0, 1500, 0, (8192, 9000, None, 10_000))])
    _json(monitor.update(2).as_dict())
    if seed % 25 == 1:
        render_page([make_sheet(reduction, the_car, run, None, display("us"), None)], the_car.name)


def calibration(seed: int, folder: Path) -> None:
    """A calibration: read, written again, drawn, a run reduced with it."""
    path = folder / "calibration.json"
    path.write_bytes(hostile_files.calibration_json(seed))
    log, the_car = folder / "drive.csv", folder / "car.toml"
    if not log.exists():
        log.write_bytes(hostile_logs.honest_log(0))
        the_car.write_bytes(hostile_files.car_toml(0, spoiled=0))
    if seed % 10 == 0:
        command("reduce", log, "--car", the_car, "--calibration", path, *(["--json"] if seed % 20 else []))
        return
    read = Calibration.from_json(path)
    again = folder / "again.json"
    read.to_json(again)
    Calibration.from_json(again)
    said = path.read_text(encoding="utf-8", errors="replace")
    for line in (*shift_findings(read, read), *details(read)):
        _numbers(line, said)
    run = read_run(log)
    reduction = reduce_run(run, Car.from_toml(the_car), read)
    _json({**reduction.as_dict(), "verdict": plain(judge(reduction))})
    _numbers(reduction_table(reduction))
    if seed % 20 == 1:
        write_certificate(read, folder / ("c.pdf" if seed % 40 == 1 else "c.png"))
    if seed % 50 == 1:
        render_page([make_sheet(reduction, Car.from_toml(the_car), run, read, display("si"), None)], "x")


def board(seed: int, folder: Path) -> None:
    """A board description: checked with its firmware, and drawn."""
    path = folder / "board.json"
    path.write_bytes(hostile_files.board_json(seed))
    if seed % 10 == 0:
        command("board", "check", path)
        return
    the_car = None
    if seed % 4 == 1:
        the_car = _car_for(seed, folder)
    try:
        for finding in check_board(path, the_car, 115_200 if seed % 3 else None):
            if not finding.where or not finding.what:
                raise Unseemly(f"an empty finding: {finding}")
    finally:
        write_drawings(path, folder / "drawings")


def points(seed: int, folder: Path) -> None:
    """Calibration points: fitted, told, written, read again, drawn."""
    path, out = folder / "points.csv", folder / "out.json"
    path.write_bytes(hostile_files.points_csv(seed))
    if seed % 10 == 0:
        command(
            "calibrate",
            "--points",
            path,
            "--out",
            out,
            "--water-c",
            "20",
            *(["--zero-open"] if seed % 20 else []),
        )
        return
    done = calibrate(read_points(path), Setup(zero_open=bool(seed % 2)), made_utc="2026-05-01T09:00:00Z")
    for line in details(done):
        _numbers(line)
    done.to_json(out)
    Calibration.from_json(out)
    if seed % 20 == 1:
        write_certificate(done, folder / "c.png")


def live(seed: int, folder: Path) -> None:
    """A live stream: recorded over a scripted link, judged and shown as it comes, and the log read."""
    clock, path = Clock(), folder / "live.csv"
    path.unlink(missing_ok=True)
    scripts: list[list[tuple[float, bytes | Exception]]] = [[]]
    for at_s, piece in hostile_logs.stream(seed):
        scripts[-1].append((at_s, vanished() if piece is None else piece))
        if piece is None:
            scripts.append([])
    end = LinkEnded("the end") if seed % 2 else vanished()
    scripts[-1].append((scripts[-1][-1][0] + 1 if scripts[-1] else 60.0, end))

    def open_link() -> ScriptedLink:
        if not scripts:
            raise vanished()
        return ScriptedLink(clock, scripts.pop(0))

    honest = _car_for(seed, folder) if seed % 3 else None
    monitor, plain_view = (
        Monitor(honest),
        PlainView(lambda line: _one_line(line) if line else None, lambda: clock.us / 1e6),
    )
    looks = 0

    def watch(now_us: int, good: list[Row | WireNote]) -> None:
        nonlocal looks
        monitor.take(now_us, good)
        looks += 1
        if looks % 7 == 0:
            _look(monitor, now_us, plain_view)

    recorder = Recorder(
        open_link,
        path,
        {"skirt": "x"},
        clock_us=clock,
        sleep=clock.sleep,
        watch=watch,
        patience=Patience(return_s=2.0),
        say=_one_line,
    )
    try:
        recorder.run(lambda: clock.us > 3_600_000_000)
    finally:
        _look(monitor, recorder.now_us, plain_view)
        if path.exists():
            run = read_run(path)
            # a row that came twice stands in the log, and counts once
            if run.end is None or run.end["rows"] != len(run.seq) + run.duplicate_rows:
                raise Unseemly(f"{run.end} was recorded and {len(run.seq)} rows are read")
            _json(inspect_run(run).as_dict())


def _look(monitor: Monitor, now_us: int, view: PlainView) -> None:
    shown = monitor.update(now_us)
    _json(shown.as_dict())
    view.show(shown)
    _numbers(screen(shown).plain)


def reference(seed: int, folder: Path) -> None:
    """What the fans give on a good skirt: read, written again, and a run judged by it."""
    path, log = folder / "reference.json", folder / "drive.csv"
    path.write_bytes(hostile_files.reference_json(seed))
    good = FanReference.from_json(path)
    good.to_json(folder / "again.json")
    FanReference.from_json(folder / "again.json")
    log.write_bytes(hostile_logs.honest_log(seed % 4))
    run, the_car = read_run(log), _car_for(seed, folder)
    reduction = reduce_run(run, the_car, None, "none", good)
    _json(reduction.as_dict())
    _numbers(reduction_table(reduction))
    if seed % 20 == 1:
        render_page([make_sheet(reduction, the_car, run, None, display("si"), good)], "x")
    if seed % 5 == 1:
        _what_if(seed, reduction, the_car, good)


def _what_if(seed: int, reduction: Reduction, the_car: Car, good: FanReference) -> None:
    """Another mass, pack and gap from a run whose notes are a stranger's."""
    notes = {
        "gap": ("0.8 mm", "-1", "9" * 80, "0.5 in")[seed % 4],
        "pack": ("3S", "99S", "4s 2s", "")[seed % 3],
    }
    points = run_points([(reduction, {"notes": notes})], None, 3)
    known = from_curve(the_car, points.law, good)
    law = fit_law(points.law, good, *((None, None) if known is None else known))
    volts = pack_volts(points.volts, points.cells, Draws(1))
    steady = reduction.steady is not None
    loads = measured_loads(reduction) if steady else even_loads(the_car, [float(law.level_pa[0])])
    now = Case("as it is", the_car, None, law.gap_mm, law.throttles_us.high)
    pack = Pack("4S", 4) if volts is not None and volts.cells else None
    gap_mm = 1.0 if law.knows_gap else law.gap_mm
    found = what_if(law, volts, loads, now, [dataclasses.replace(now, pack=pack, gap_mm=gap_mm)])
    _json(plain(found))
    for units in ("si", "us"):
        for line in what_if_words(found, display(units)):
            _numbers(line)


def journal(seed: int, folder: Path) -> None:
    """The journal of a guided calibration: taken up again, and evaluated."""
    path = folder / "c.session"
    path.write_bytes(hostile_files.journal(seed))
    session = Session.resume(path)
    if (due := session.proposal) is not None and not 0 <= due[0] < len(session.steps):
        raise Unseemly(f"a step that is none: {due}")
    for line in details(calibrate(session.points(), Setup(), made_utc="2026-05-01T09:00:00Z")):
        _numbers(line, path.read_text(encoding="utf-8", errors="replace"))


class _KeptRuns:
    """The console of a board that keeps runs; it may answer anything."""

    name = "console"

    def __init__(self, seed: int) -> None:
        self.s, self.now_s, self.pending = Stranger(seed), 0.0, b""
        self.text = hostile_logs.kept_run(seed)

    def read(self, timeout_s: float) -> bytes:
        piece, self.pending = self.pending[:4096], self.pending[4096:]
        self.now_s += 0.001 if piece else timeout_s
        if self.s.chance(0.002):
            raise vanished()
        return piece

    def write(self, data: bytes) -> None:
        to, *words = data.decode().split()
        if to == "fetch":
            start = int(words[1]) if len(words) > 1 else 0
            self._reply(to, run=1, bytes=len(self.text), **{"from": start})
            self.pending += self.text[start:]
            self._reply(to, run=1, sha256=hashlib.sha256(self.text).hexdigest(), done=True)
        elif to == "runs":
            self._reply(to, runs=[{"run": k, "bytes": len(self.text)} for k in (1, 2)])
        else:
            self._reply(to)

    def _reply(self, to: str, **data: Any) -> None:
        answer = {"to": to, "ok": True, **data}
        self.pending += note_line("reply", self.s.spoil(answer, self.s.pick(0, 0, 0, 0, 0, 0, 1)))

    def close(self) -> None:
        """Nothing to give back."""


def fetch(seed: int, folder: Path) -> None:
    """Runs that a board kept: listed, fetched, erased, read."""
    console = _KeptRuns(seed)

    def wait(seconds: float) -> None:
        console.now_s += seconds

    fetcher = Fetcher(console, clock_s=lambda: console.now_s, reopen=lambda: console, wait=wait)
    with fetcher.session():
        for run in fetcher.runs()[:2]:
            done = fetcher.fetch(run.number, folder / f"fetched-{seed}", {"skirt": "x"})
            log = read_run(done.path)
            _json(inspect_run(log).as_dict())
            if len(log.seq) + log.duplicate_rows != done.rows:
                raise Unseemly(f"{done.rows} rows were fetched and {len(log.seq)} are read")
            fetcher.erase(done)


def pulls(seed: int, folder: Path) -> None:
    """Pulls of a balance, off the surface and along it: read, put beside a run, told, drawn."""
    path = folder / "pulls.csv"
    path.write_bytes(hostile_files.pulls_csv(seed))
    readings = read_pulls(path)
    the_car, reduction = invented_car(), invented_reduction()
    if any(pull.kind == "off" for pull in readings):
        found = force_check(reduction, the_car, readings, bool(seed % 2))
        _json(plain(found))
        for line in force_words(found):
            _numbers(line)
        if seed % 20 == 1:
            write_pictures([force_picture(found)], folder / "pictures")
    if any(pull.kind != "off" for pull in readings):
        _tell_drag(pulled_drag(reduction, the_car, readings), seed, folder)


def drag(seed: int, folder: Path) -> None:
    """What pulls told, from a file: read, written again, put into a run."""
    path = folder / "drag.json"
    path.write_bytes(hostile_files.drag_json(seed))
    _tell_drag(read_drag(path), seed, folder)


def _tell_drag(found: Drag, seed: int, folder: Path) -> None:
    write_drag(found, folder / "again.json")
    read_drag(folder / "again.json")
    _json(plain(found))
    for line in drag_words(found):
        _numbers(line)
    forces = [Estimate(n, 0.05 * n) for n in (40.0, 21.0, 19.0)]
    steady = Steady(1700.0, 5.0, Estimate(800.0, 20.0), *forces, *forces)
    _json(plain(pulled_grip(steady, invented_car(), found)))
    windows = Windows.of(replace(invented_car(), driven=("all", "front", "rear")[seed % 3]), found)
    for angle in (0.0, 90.0, 150.0, 180.0):
        window = windows.at(angle)
        _json(plain(window))
        for line in window_words(window):
            _numbers(line)
    where = whereabouts(invented_reduction(), windows.at(180.0))
    _json(plain(where))
    _numbers(place_words(where))
    if seed % 20 == 1:
        write_pictures([drag_picture(found), window_picture(windows.all_angles())], folder / "pictures")


def gaps(seed: int, folder: Path) -> None:
    """Springs of a car and gaps read under it: what they come to, told."""
    path, toml = folder / "gaps.csv", folder / "car.toml"
    path.write_bytes(hostile_files.gaps_csv(seed))
    toml.write_bytes(hostile_files.car_toml(seed, int(seed % 4 == 3)))
    the_car = Car.from_toml(toml)
    if the_car.ride is None:
        the_car = dataclasses.replace(the_car, ride=Springs(6.0, 8.0, 3.0, 2.8, 0.1, 0.1, 9000.0, 2.0))
    readings = read_feelers(path)
    by_throttle = any(one.throttle_us is not None for one in readings)
    loads = measured_loads(invented_reduction()) if by_throttle else even_loads(the_car, [900.0])
    found = ride(the_car, loads, 0.5, readings, correct=seed % 7 == 0)
    _json(plain(found))
    for units in ("si", "us"):
        for line in ride_words(found, display(units)):
            _numbers(line)


KINDS: dict[str, Callable[[int, Path], None]] = {
    "log": run_log,
    "car": car,
    "calibration": calibration,
    "board": board,
    "points": points,
    "pulls": pulls,
    "drag": drag,
    "gaps": gaps,
    "live": live,
    "fetch": fetch,
    "journal": journal,
    "reference": reference,
}
