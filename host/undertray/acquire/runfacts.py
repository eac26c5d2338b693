"""Run facts: what only the person at the track knows; given, or asked once and remembered."""

from __future__ import annotations

import contextlib
import json
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray.acquire.wire import parse_json
from undertray.acquire.writer import claim
from undertray.errors import RunLogError, quoted
from undertray.files import is_folder, write_whole

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run

__all__ = [
    "ANNOTATED",
    "ASKED",
    "CAR",
    "Annotation",
    "Correction",
    "annotate",
    "corrected",
    "gather",
    "is_fact",
    "log_paths",
    "parse_annotation",
    "recall",
    "remember",
]


# Facts put right after the run: lines added behind the log, whose own text stays as it was written.

ANNOTATED = b"#annotated"
"""What such a line begins with."""
CAR = "#car"
"""What a correction of the whole car calls it."""
_LINE_LIMIT = 60_000
_MOST_FACTS, _LONGEST_NAME, _LONGEST_VALUE, _LONGEST_TIME = 50, 40, 200, 40
# what the program itself says of the recording is no fact that a person knows better
_OWN = frozenset((CAR, "notes", "host", "stored_run", "fetched_utc", "car_from", "rate_hz"))
_GROWS_S = 0.5


@dataclass(frozen=True, slots=True)
class Annotation:
    """One such line."""

    at_utc: str
    facts: Mapping[str, str | None]
    car: Mapping[str, Any] | None = None
    after_half_line: bool = False


@dataclass(frozen=True, slots=True)
class Correction:
    """One fact that was put right.

    Attributes
    ----------
    fact : str
        Its name; :data:`CAR` for the whole car.
    value, was : str or None
        What holds now, and what the log said before; None where there was none. Of a whole car its name.
    at_utc : str
        When it was put right.
    """

    fact: str
    value: str | None
    was: str | None
    at_utc: str

    def __str__(self) -> str:
        what, when = "the car" if self.fact == CAR else self.fact, f"({self.at_utc[:10]})"
        if self.value is None:
            return f"{what} was taken out, it was {quoted(self.was)} {when}"
        if self.was is None:
            return f"{what} was added, {quoted(self.value)} {when}"
        return f"{what} was corrected from {quoted(self.was)} to {quoted(self.value)} {when}"


def parse_annotation(data: Mapping[str, Any] | None) -> Annotation | None:
    """Take what such a line says, if it holds."""
    if data is None:
        return None
    at_utc, facts, car = data.get("at_utc"), data.get("facts", {}), data.get("car")
    if not isinstance(at_utc, str) or len(at_utc) > _LONGEST_TIME or not _is_time(at_utc):
        return None
    if not isinstance(facts, dict) or len(facts) > _MOST_FACTS or not isinstance(car, dict | None):
        return None
    if not all(_is_name(name) and _is_value(value) for name, value in facts.items()):
        return None
    return Annotation(at_utc, facts, car, data.get("after_half_line") is True)


def is_fact(name: str, value: str | None) -> bool:
    """Whether a person may set a fact so."""
    if not _is_name(name) or not _is_value(value):
        return False
    return name != "started_utc" or value is None or _is_time(value)


def _is_time(text: str) -> bool:
    if not text.isprintable():  # any sign may stand between day and hour
        return False
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _is_name(text: str) -> bool:
    sound = 0 < len(text) <= _LONGEST_NAME and text.isprintable() and "=" not in text
    return sound and text == text.strip() and text not in _OWN


def _is_value(value: object) -> bool:
    return value is None or (isinstance(value, str) and len(value) <= _LONGEST_VALUE and value.isprintable())


def corrected(
    facts: Mapping[str, Any], car: Mapping[str, Any] | None, annotations: Sequence[Annotation]
) -> tuple[Mapping[str, Any], Mapping[str, Any] | None, tuple[Correction, ...]]:
    """Put the facts of a run right."""
    new, notes = dict(facts), facts.get("notes")
    noted = dict(notes) if isinstance(notes, dict) else {}
    found: list[Correction] = []
    for one in annotations:
        for name, value in one.facts.items():
            home = noted if name in noted and name not in new else new
            found.append(Correction(name, value, _text(home.get(name)), one.at_utc))
            if value is None:
                new.pop(name, None)
                noted.pop(name, None)
            else:
                home[name] = value
        if one.car is not None:
            found.append(Correction(CAR, _car_name(one.car), _car_name(car) if car else None, one.at_utc))
            car = one.car
    if isinstance(notes, dict):
        new["notes"] = noted
    return new, car, tuple(found)


def _text(value: object) -> str | None:
    return None if value is None else (value if isinstance(value, str) else str(value))[:_LONGEST_VALUE]


def _car_name(car: Mapping[str, Any]) -> str:
    return _text(car.get("name")) or "without a name"


def annotate(
    path: Path,
    facts: Mapping[str, str | None],
    car: Mapping[str, Any] | None = None,
    *,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[Correction, ...]:
    """Put facts of a recorded run right, or add some.

    Parameters
    ----------
    path : Path
        The log.
    facts : mapping of str to (str or None)
        What holds from now on; None takes a fact away.
    car : mapping or None
        The whole car, as a ``car.toml`` has it; not checked here.
    now : callable
        The time.
    sleep : callable
        Waits for so many seconds.

    Returns
    -------
    tuple of Correction
        What changed by this; empty where all of it held before, and then nothing is written.

    Raises
    ------
    RunLogError
        When it is no run log, is being recorded, cannot be written, or what is added cannot stand in it.

    Notes
    -----
    One line is added at the end, in one write; what stood there before is not touched, and a write that
    fails is taken back. A line that broke off there is closed first, and readers still do not count it.
    """
    from undertray.acquire.recorder import car_line
    from undertray.acquire.runlog import read_run

    for name, value in facts.items():
        if not is_fact(name, value):
            what = (
                "this cannot be a fact of the run" if name not in _OWN else "this is not for a person to say"
            )
            wanted = f"at most {_LONGEST_NAME} printable characters, = and {_LONGEST_VALUE} more"
            raise RunLogError(what, where=str(path), seen=f"{name}={value}", expected=wanted)
    car_line(car)
    run = read_run(path)
    if run.captured:
        do = "make a log of it: 'undertray record --port CAPTURE --out RUN.csv'"
        raise RunLogError("a plain capture has no place for facts", where=str(path), do=do)
    at_utc = now().isoformat(timespec="seconds").replace("+00:00", "Z")
    told = corrected(run.facts, run.car, [Annotation(at_utc, facts, car)])[2]
    told = tuple(one for one in told if one.value != one.was or (one.fact == CAR and car != run.car))
    if told:
        data = {"at_utc": at_utc, "facts": {one.fact: one.value for one in told if one.fact != CAR}}
        _append(path, run, data | ({"car": car} if car not in (None, run.car) else {}), sleep)
    return told


def _append(path: Path, run: Run, data: dict[str, Any], sleep: Callable[[float], None]) -> None:
    try:
        with path.open("a+b", buffering=0) as file:
            if not claim(file) or (run.cut_off and _grows(file.fileno(), sleep)):
                raise RunLogError("this log is being recorded", where=str(path), do="wait until it is over")
            size = os.fstat(file.fileno()).st_size
            file.seek(max(0, size - 1))
            half = file.read(1) != b"\n"
            if half:
                data = data | {"after_half_line": True}
            line = ANNOTATED + b" " + json.dumps(data).encode() + b"\n"
            if len(line) > _LINE_LIMIT:
                raise RunLogError("too much for one line", where=str(path), seen=line[:60])
            try:
                text = b"\n" + line if half else line
                if file.write(text) != len(text):
                    raise OSError(None, "no room")
                os.fsync(file.fileno())
            except OSError:
                file.truncate(size)
                raise
    except OSError as error:
        raise RunLogError(
            f"cannot be annotated ({error.strerror or error})", where=str(path), do="nothing was changed"
        ) from error


def _grows(file: int, sleep: Callable[[float], None]) -> bool:
    """Whether another program, which holds no lock, still writes to a log without an end."""
    before = os.fstat(file).st_size
    sleep(_GROWS_S)
    return os.fstat(file).st_size != before


ASKED = ("skirt", "mounting", "gap", "springs", "pack", "surface")
"""What is asked, in this order."""
_LIMIT = 200
_FORMAT = 2
_FILE_LIMIT = 1 << 18
_MOST_CARS, _LONGEST_KEY = 50, 4200
_SLUG = re.compile(r"[^A-Za-z0-9._-]+")


def _memory() -> Path | None:
    """Where answers are kept; None for who has no home, as an account of a container."""
    base = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    try:
        return (Path(base) if base else Path.home() / ".config") / "undertray" / "run-facts.json"
    except RuntimeError:
        return None


def _cars(path: Path | None) -> dict[str, dict[str, str]]:
    """What was answered for each car, the car of the last recording last."""
    if path is None:
        return {}
    try:
        with path.open("rb") as file:
            data = parse_json(file.read(_FILE_LIMIT).decode())
    except (OSError, ValueError):
        return {}
    cars = data.get("cars")
    if data.get("format") != _FORMAT or not isinstance(cars, dict):
        return {}  # answers that belong to no car are worse than none
    return {
        car: {key: value[:_LIMIT] for key, value in facts.items() if key in ASKED and isinstance(value, str)}
        for car, facts in cars.items()
        if isinstance(facts, dict)
    }


def recall(path: Path | None = None, car: str = "") -> dict[str, str]:
    """Read what was answered last time for a car."""
    return _cars(path or _memory()).get(car, {})


def remember(facts: Mapping[str, str], path: Path | None = None, car: str = "") -> None:
    """Keep the answers for the next recording; a folder that may not be written is no reason to stop."""
    path = path or _memory()
    if path is None:
        return
    cars = {key: told for key, told in _cars(path).items() if key != car and len(key) <= _LONGEST_KEY}
    kept = [*list(cars.items())[-_MOST_CARS + 1 :], (car[:_LONGEST_KEY], dict(facts))]
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, json.dumps({"format": _FORMAT, "cars": dict(kept)}).encode())


def gather(
    given: Mapping[str, str | None],
    ask: Callable[[str, str], str] | None,
    path: Path | None = None,
    *,
    car: str = "",
    take_over: Callable[[Mapping[str, str]], str] = lambda _: "take",
) -> dict[str, str]:
    """Put the facts of a run together.

    Parameters
    ----------
    given : mapping of str to (str or None)
        By option; None where the option was left out.
    ask : callable or None
        Asks for a fact by its name, with an answer to fall back on. None where nobody is
        there to ask: then only what was given counts, as an old answer may be wrong by now.
    path : Path or None
        Where answers are remembered; the user's own file if None.
    car : str
        Which car they are remembered for.
    take_over : callable
        Shown what last time's facts are, before anything is recorded, says what becomes of them: ``take``;
        ``none``, for this run only; ``new``, to be asked again.

    Returns
    -------
    dict of str to str
        What is known; a fact that was left blank is not in it.

    Notes
    -----
    Asked is only what was neither given nor ever answered for this car. Which time a skirt was put on says
    nothing of another skirt, so it is not taken over to one.
    """
    facts = {key: value[:_LIMIT] for key, value in given.items() if value is not None}
    if ask is not None:
        known = recall(path, car)
        if "skirt" in facts and facts["skirt"] != known.get("skirt"):
            known.pop("mounting", None)
        old = {key: value for key, value in known.items() if value and key not in facts}
        what = take_over(old) if old else "take"
        if what == "none":
            return {key: value for key, value in facts.items() if value}
        if what == "new":
            known = {}
        for key in ASKED:
            if key not in facts:
                facts[key] = known[key] if key in known else ask(key, "").strip()[:_LIMIT]
        remember({key: facts[key] for key in ASKED}, path, car)
    return {key: value for key, value in facts.items() if value}


def log_paths(out: Path, skirt: str | None, now: datetime | None = None) -> Iterator[Path]:
    """Choose names for the log.

    Parameters
    ----------
    out : Path
        A file, taken as it is, or a folder.
    skirt : str or None
        Part of the name in a folder; what could leave the folder is taken out.
    now : datetime or None
        For the name in a folder; the present time if None.

    Yields
    ------
    Path
        ``out`` itself, or names in it in the order to try them: time, skirt, and a number from 2 to 999.

    Notes
    -----
    Whether a name is taken shows when the file is made, and not before: another recorder may be as far.
    """
    if not is_folder(out):
        yield out
        return
    stamp = (now or datetime.now(UTC)).strftime("%Y-%m-%d_%H%M%S")
    slug = _SLUG.sub("-", skirt or "").strip("-.")[:40]
    for number in range(1, 1000):
        parts = [stamp, slug, "" if number == 1 else str(number)]
        yield out / f"{'_'.join(part for part in parts if part)}.csv"
