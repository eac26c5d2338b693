"""Run facts: what only the person at the track knows; given, or asked once and remembered."""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from undertray.acquire.wire import parse_json
from undertray.files import is_folder, write_whole

__all__ = ["ASKED", "gather", "log_paths", "recall", "remember"]

ASKED = ("skirt", "mounting", "gap", "springs", "pack", "surface")
"""What is asked, in this order."""
_LIMIT = 200
_FORMAT = 2
_FILE_LIMIT = 1 << 18
_MOST_CARS, _LONGEST_KEY = 50, 4200
_SLUG = re.compile(r"[^A-Za-z0-9._-]+")


def _memory() -> Path:
    base = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(base) if base else Path.home() / ".config") / "undertray" / "run-facts.json"


def _cars(path: Path) -> dict[str, dict[str, str]]:
    """What was answered for each car, the car of the last recording last."""
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
    """Read what was answered last time for a car.

    Parameters
    ----------
    path : Path or None
        The file; the user's own if None.
    car : str
        Which car: its name and file; empty where none was given.

    Returns
    -------
    dict of str to str
        Empty when there is nothing, or nothing readable.
    """
    return _cars(path or _memory()).get(car, {})


def remember(facts: Mapping[str, str], path: Path | None = None, car: str = "") -> None:
    """Keep the answers for the next recording; a folder that may not be written is no reason to stop.

    Parameters
    ----------
    facts : mapping of str to str
        The answers.
    path : Path or None
        The file; the user's own if None.
    car : str
        Which car.
    """
    path = path or _memory()
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
