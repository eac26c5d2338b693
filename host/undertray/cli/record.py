"""``undertray record``, and ``undertray ports``, which finds the board."""

from __future__ import annotations

import os
import shlex
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.options import (
    AirC,
    AirHpa,
    CalibrationFile,
    Gap,
    Mass,
    Mounting,
    Pack,
    Skirt,
    Springs,
    Surface,
    Units,
    air_facts,
    ask_fact,
    ask_to_take_over,
    described_car,
    fact_pairs,
    given_or_found,
    report_found,
    shown_in,
    this_host,
)
from undertray.errors import harmless

if TYPE_CHECKING:
    from undertray.acquire.recorder import Recorder, Recording
    from undertray.calibrate.calibration import Calibration
    from undertray.live.terminal import View
    from undertray.reduce.car import Car
    from undertray.report.display import Display


__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("ports")(_ports)
    app.command("record", short_help="Record a run from the board until it is stopped.")(_record)


def _record(
    out: Annotated[
        str,
        typer.Option(
            metavar="PATH",
            help="The log to write, which must not exist; or a folder for it, made if it ends in /.",
        ),
    ],
    port: Annotated[
        str | None,
        typer.Option(
            help="Serial port, socket://HOST:PORT, rfc2217://HOST:PORT or a capture; else looked for."
        ),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(min=0.001, help="Stop so long after the first row, by this computer's clock."),
    ] = None,
    car: Annotated[
        Path | None,
        typer.Option(
            metavar="CAR.toml",
            help="The car, for newtons and margins; else car.toml beside the log or here; 'none' for none.",
        ),
    ] = None,
    calibration: CalibrationFile = None,
    skirt: Skirt = None,
    mounting: Mounting = None,
    gap: Gap = None,
    springs: Springs = None,
    pack: Pack = None,
    surface: Surface = None,
    mass: Mass = None,
    air_c: AirC = None,
    air_hpa: AirHpa = None,
    note: Annotated[
        list[str] | None, typer.Option(metavar="KEY=VALUE", help="Any other fact for the log; repeatable.")
    ] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
    wait: Annotated[float, typer.Option(min=0, help="Seconds to wait for an unplugged board.")] = 5.0,
    page: Annotated[
        bool, typer.Option("--page", help="Serve the live view to browsers on this computer.")
    ] = False,
    page_address: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT",
            help="Serve it here instead, behind a random token; 0.0.0.0:8099 lets a phone in.",
        ),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Show nothing, say nothing but errors.")] = False,
    last_facts: Annotated[
        str,
        typer.Option(
            metavar="ask|take|none",
            help="At a terminal, what becomes of the facts of this car's last recording.",
        ),
    ] = "ask",
    units: Units = None,
    report: Annotated[
        bool | None,
        typer.Option(
            "--report/--no-report",
            help="At the end judge the run and write its page; at a terminal, with a car, if left out.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Record a run from the board: until Ctrl-C, SIGTERM, or --seconds are over.

    The board is asked to stream when the recording starts, and left streaming when it ends. At a terminal m
    marks the moment in the log, and the screen and every page flash: film that, to line a video up.

    Example: undertray record --out run.csv --car car.toml --skirt "foam 3 mm" --page
    """
    from undertray.acquire.link import heard, open_link
    from undertray.acquire.recorder import Patience, Recorder, refuse_taken
    from undertray.acquire.runfacts import gather, log_paths
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.runcar import mass_kg

    if last_facts not in ("ask", "take", "none"):
        raise typer.BadParameter("ask, take or none", param_hint="--last-facts")
    notes = air_facts(air_c, air_hpa) | fact_pairs(note or [], "--note")
    own_mass = {} if mass is None else {"mass": mass}
    more = [f"--calibration {shlex.quote(str(calibration))}"] if calibration is not None else []
    car, calibration = given_or_found([Path(out)], car=car, calibration=calibration)
    report_found()  # before the drive, not after it
    the_car, description = (None, None) if car is None else described_car(car)
    certificate = None if calibration is None else Calibration.from_json(calibration)
    if the_car and own_mass:
        the_car = replace(the_car, mass_kg=mass_kg(own_mass["mass"]))
    port = port or _found(baud)
    given = {"skirt": skirt, "mounting": mounting, "gap": gap, "springs": springs, "pack": pack}
    known = gather(
        given | {"surface": surface},
        ask_fact if not quiet and sys.stdin.isatty() else None,
        car=f"{the_car.name}\n{car.resolve()}" if the_car and car else "",
        take_over=lambda old: ask_to_take_over(old, the_car.name if the_car else None, last_facts),
    )
    facts: dict[str, Any] = {"car": the_car.name} if the_car else {}
    facts |= {name: known.pop(name) for name in ("skirt", "mounting") if name in known} | own_mass
    facts |= {"notes": known | notes, "host": this_host(port)}

    def say(sentence: str) -> None:
        if not quiet:
            print(f"undertray: {harmless(sentence)}", file=sys.stderr)  # the screen may stand between

    with _folder(out) as folder:
        paths = list(log_paths(folder, skirt))
        refuse_taken(paths)
        links = [heard(open_link(port, baud))]
        if the_car:
            from undertray.report.words import caution_lines

            say(caution_lines())
        monitor, views = None, list(_views(say, quiet, page, page_address, shown_in(units, the_car)))
        if views:
            from undertray.live.monitor import Monitor

            monitor = Monitor(the_car, certificate)
        recorder = Recorder(
            lambda: links.pop() if links else open_link(port, baud),
            paths,
            facts,
            car=description,
            seconds=seconds,
            patience=Patience(return_s=wait),
            say=say,
            watch=monitor.take if monitor else None,
        )
        with told_to_stop() as stop:
            if monitor is None:
                done = recorder.run(stop)
            else:
                from undertray.live.monitor import watch

                with typed_keys() as keys:
                    done = watch(recorder, monitor, views, stop, _minding(keys, recorder, views))
        say(_summed(done))
        wanted = report if report is not None else sys.stderr.isatty() and the_car is not None
        if wanted and not quiet:
            _judged(done.path, the_car, certificate, more, shown_in(units, the_car), say)


@contextmanager
def _folder(out: str) -> Iterator[Path]:
    """A name that ends in a slash means a folder, there or not: never a file without an ending."""
    made = _made(Path(out)) if out.endswith(("/", os.sep)) else []
    try:
        yield Path(out)
    finally:
        with suppress(OSError):  # the first that is not empty ends it
            for folder in made:
                folder.rmdir()


def _made(folder: Path) -> list[Path]:
    """Make a folder; gives those that were not there before, the deepest first."""
    from undertray.errors import RunLogError

    try:
        missing = [one for one in (folder, *folder.parents) if not one.exists()]
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunLogError(
            f"cannot make the folder ({error.strerror})", where=str(folder), do="choose another folder"
        ) from error
    return missing


@contextmanager
def told_to_stop() -> Iterator[Callable[[], bool]]:
    """Ctrl-C, SIGTERM and a terminal that is closed end the recording instead of the program."""
    told: list[int] = []
    numbers = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # as nohup has it
        numbers.append(signal.SIGHUP)
    before = {number: signal.getsignal(number) for number in numbers}
    for number in before:
        signal.signal(number, lambda number, _: told.append(number))
    try:
        yield lambda: bool(told)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


_UNREAD = "\x04"  # what a terminal itself sends for its end


@contextmanager
def typed_keys() -> Iterator[Callable[[], str]]:
    """The keys that were pressed since the last call, without Enter; a terminal is put back as it was.

    Without a terminal there are none. One that cannot be read gives Ctrl-D at every call: it has gone, or
    another program is in front of it, so that no key would come through. Who must be stoppable stops then.
    """
    if sys.platform == "win32":
        import msvcrt

        yield lambda: msvcrt.getwch() if sys.stdin.isatty() and msvcrt.kbhit() else ""
        return
    import select
    import termios
    import tty

    if not sys.stdin.isatty():
        yield lambda: ""
        return
    handle = sys.stdin.fileno()

    def behind() -> bool:
        with suppress(OSError):  # not the terminal of this session: nobody stops who reads it
            return os.tcgetpgrp(handle) != os.getpgrp()
        return False

    if behind():  # whoever sets or reads it there is stopped
        yield lambda: _UNREAD
        return
    before = termios.tcgetattr(handle)
    tty.setcbreak(handle)
    termios.tcflush(handle, termios.TCIFLUSH)

    def keys() -> str:
        if behind():
            return _UNREAD
        if not select.select([handle], [], [], 0)[0]:
            return ""
        with suppress(OSError):
            return os.read(handle, 100).decode("ascii", "replace") or _UNREAD
        return _UNREAD

    try:
        yield keys
    finally:
        if not behind():
            with suppress(termios.error):
                termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _minding(keys: Callable[[], str], recorder: Recorder, views: list[View]) -> Callable[[float], None]:
    """What the live view does between two pictures: wait, and do what a key asks for."""
    from undertray.live.browser import PageView
    from undertray.live.terminal import ScreenView

    screens = [view for view in views if isinstance(view, ScreenView)]
    pages = [view for view in views if isinstance(view, PageView)]

    opened = False

    def pause(seconds: float) -> None:
        nonlocal opened
        time.sleep(seconds)
        pressed = keys()
        for _ in range(pressed.count("m")):
            recorder.mark()
        first = not opened and any(page.browsers for page in pages)
        opened = opened or first
        for screen in screens:
            if "q" in pressed:
                screen.code_shown = not screen.code_shown
            elif first:  # somebody has read the code
                screen.code_shown = False

    return pause


def _judged(
    path: Path,
    car: Car | None,
    certificate: Calibration | None,
    more: list[str],
    units: Display,
    say: Callable[[str], None],
) -> None:
    """What the run comes to, its page, and what can be done next; the log is whole whatever happens here."""
    from undertray.acquire.runlog import read_run
    from undertray.errors import UndertrayError
    from undertray.reduce.run import reduce_run
    from undertray.reduce.runcar import run_car
    from undertray.report.folderpage import report_of, write_report
    from undertray.report.verdict import judge

    say("reading the log again, judging the run and writing its page ...")
    try:
        run = read_run(path)
        chosen = run_car(run, car, "the car")
        reduction = chosen.told(reduce_run(run, chosen.car, certificate))
        say(judge(reduction, units).text)
        write_report(path, run, reduction, chosen.car, certificate, units, title=path.stem)
    except UndertrayError as error:
        say(f"the log is whole, and cannot be judged: {error}")
        return
    say(f"page: {report_of(path)}")
    say(f"next: {' '.join(['undertray reduce', shlex.quote(str(path)), *more])}")


def _views(
    say: Callable[[str], None], quiet: bool, page: bool, page_address: str | None, units: Display
) -> Iterator[View]:
    code: list[str] = []
    if page or page_address:
        from undertray.live.browser import PageView, code_lines

        view = PageView(page_address, units=units)
        code = code_lines(view.url) if page_address and not view.note else []
        # before the screen, which leaves room for two lines above it on 24
        print(f"undertray: live page at {view.url}{view.note}", file=sys.stderr)
        yield view
    if not quiet and sys.stderr.isatty():
        from rich.console import Console

        from undertray.cli.streams import StyledStream
        from undertray.live.terminal import ScreenView

        hint = "m marks a moment, Ctrl-C ends" + (", q the address for a phone" if code else "")
        console = Console(file=StyledStream(sys.stderr))  # type: ignore[arg-type]
        yield ScreenView(console, units=units, hint=hint, code=code)
    elif not quiet:
        from undertray.live.terminal import PlainView

        yield PlainView(say, units=units)


def _found(baud: int) -> str:
    """Look for the board on the serial ports: by its own description, not by a name that fits."""
    from undertray.acquire.link import ask, find_board, open_link, serial_ports

    return find_board(
        [ask(lambda port=port: open_link(port, baud), port, what) for port, what in serial_ports()]  # type: ignore[misc]
    )


def _summed(recording: Recording) -> str:
    parts = [
        f"{recording.rows} rows in {recording.seconds:.1f} s",
        f"{recording.lost} lost",
        f"{recording.bad} bad",
    ]
    if recording.duplicates:
        parts.append(f"{recording.duplicates} twice")
    if recording.unwritten_rows:
        parts.append(f"{recording.unwritten_rows} not taken by the disk")
    if recording.segments > 1:
        parts.append(f"{recording.segments} segments")
    return f"{', '.join(parts)}; {recording.why}: {recording.path}"


def _ports(
    also: Annotated[
        list[str] | None, typer.Option("--port", help="A port or URL to ask as well; repeatable.")
    ] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
) -> None:
    """List the ports and say what answers on each. Sends 'info' to every one.

    Example: undertray ports --port socket://127.0.0.1:7660
    """
    from undertray.acquire.link import ask, open_link, serial_ports
    from undertray.errors import NoBoard, escaped

    ports = [*serial_ports(), *((port, "") for port in also or [])]
    if not ports:
        raise NoBoard("this computer has no serial port", do=_NO_BOARD)
    found = []
    for port, what in ports:
        answer = ask(lambda port=port: open_link(port, baud), port, what)  # type: ignore[misc]
        found += [port] if answer.device else []
        print(f"{'*' if answer.device else ' '} {port}  {escaped(answer.finding, 200)}")
        if what:
            print(f"    {escaped(what, 100)}")
    if not found:
        raise NoBoard("no undertray board answers on these ports", do=_NO_BOARD)
    print(f"next: undertray record --port {shlex.quote(found[0])} --out runs/")


_NO_BOARD = (
    "plug the board in with a cable that carries data; a board without the firmware needs 'undertray board"
    " install'; for now 'undertray virtual' serves a virtual one"
)
