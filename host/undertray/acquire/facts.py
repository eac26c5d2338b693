"""Run facts: what only the person at the track knows; given, or asked once and remembered."""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from undertray.acquire.wire import parse_json
from undertray.errors import RunLogError

__all__ = ["ASKED", "free_path", "gather", "recall", "remember"]

ASKED = ("skirt", "gap", "springs", "pack", "surface")
"""What is asked, in this order."""
_LIMIT = 200
_FILE_LIMIT = 1 << 16
_SLUG = re.compile(r"[^A-Za-z0-9._-]+")


def _memory() -> Path:
    base = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(base) if base else Path.home() / ".config") / "undertray" / "run-facts.json"


def recall(path: Path | None = None) -> dict[str, str]:
    """Read what was answered last time.

    Parameters
    ----------
    path : Path or None
        The file; the user's own if None.

    Returns
    -------
    dict of str to str
        Empty when there is nothing, or nothing readable.
    """
    path = path or _memory()
    try:
        with path.open("rb") as file:
            data = parse_json(file.read(_FILE_LIMIT).decode())
    except (OSError, ValueError):
        return {}
    return {key: value[:_LIMIT] for key, value in data.items() if key in ASKED and isinstance(value, str)}


def remember(facts: Mapping[str, str], path: Path | None = None) -> None:
    """Keep the answers for the next recording; a folder that may not be written is no reason to stop.

    Parameters
    ----------
    facts : mapping of str to str
        The answers.
    path : Path or None
        The file; the user's own if None.
    """
    path = path or _memory()
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        new = path.with_suffix(".new")
        new.write_text(json.dumps(dict(facts)), encoding="utf-8")
        new.replace(path)


def gather(
    given: Mapping[str, str | None],
    ask: Callable[[str, str], str] | None,
    path: Path | None = None,
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

    Returns
    -------
    dict of str to str
        What is known; a fact that was left blank is not in it.

    Notes
    -----
    Asked is only what was neither given nor ever answered. What was answered before is
    taken again; giving the option changes it.
    """
    facts = {key: value[:_LIMIT] for key, value in given.items() if value is not None}
    if ask is not None:
        known = recall(path)
        for key in ASKED:
            if key not in facts:
                facts[key] = known[key] if key in known else ask(key, "").strip()[:_LIMIT]
        remember({key: facts[key] for key in ASKED}, path)
    return {key: value for key, value in facts.items() if value}


def free_path(out: Path, skirt: str | None, now: datetime | None = None) -> Path:
    """Choose the name of the log.

    Parameters
    ----------
    out : Path
        A file, taken as it is, or a folder.
    skirt : str or None
        Part of the name in a folder; what could leave the folder is taken out.
    now : datetime or None
        For the name in a folder; the present time if None.

    Returns
    -------
    Path
        ``out`` itself, or a name in it that is not taken: time, skirt, and a number if need be.

    Raises
    ------
    RunLogError
        When a thousand names are taken.
    """
    if not out.is_dir():
        return out
    stamp = (now or datetime.now(UTC)).strftime("%Y-%m-%d_%H%M%S")
    slug = _SLUG.sub("-", skirt or "").strip("-.")[:40]
    for number in range(1, 1000):
        parts = [stamp, slug, "" if number == 1 else str(number)]
        path = out / f"{'_'.join(part for part in parts if part)}.csv"
        if not path.exists():
            return path
    raise RunLogError("no free name for the log", where=str(out), do="name the file with --out")
