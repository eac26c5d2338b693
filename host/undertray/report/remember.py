"""Reductions remembered from one call to the next, by content.

JSON only, in the user's cache folder: a run folder may be shared or read-only, and whoever can write to
it must not be able to feed us anything. What is remembered counts only for the same content of the
log, the car, the calibration and this program's own source; anything that does not look as it should is
forgotten and made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from undertray.acquire.runfolder import Drive
from undertray.files import write_whole

__all__ = ["Memory", "cache_folder", "fingerprint"]

_FORMAT = 1
_MOST_BYTES = 64 * 2**20
_MOST_FILES = 40
_TEXT_LIMIT = 300
_NUMBER = (int, float, type(None))
_KINDS: Mapping[str, Any] = {
    "started": str,
    "facts": dict,
    "duration_s": _NUMBER,
    "verdict": str,
    "least_margin_n": _NUMBER,
    "axle": (str, type(None)),
    "suction_pa": _NUMBER,
    "downforce_n": _NUMBER,
    "throttles": (int, type(None)),
    "losses": (int, type(None)),
    "warning": (str, type(None)),
    "warning_s": _NUMBER,
    "calibrated": bool,
    "lost_rows": (int, type(None)),
    "bad_lines": (int, type(None)),
    "duplicate_rows": (int, type(None)),
    "truncated": (str, type(None)),
    "notices": list,
    "drive": (dict, type(None)),
}


def cache_folder() -> Path:
    """The user's folder for things that can be made again.

    Returns
    -------
    Path
        ``undertray`` in ``UNDERTRAY_CACHE``, ``XDG_CACHE_HOME``, or where the system keeps caches.
    """
    for name in ("UNDERTRAY_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(name):
            return Path(os.environ[name]) / "undertray"
    home = Path.home()
    return (home / "Library" / "Caches" if sys.platform == "darwin" else home / ".cache") / "undertray"


def fingerprint(files: Iterable[Path]) -> str:
    """Hash of the content of files and of this program's own source.

    Parameters
    ----------
    files : iterable of Path
        What a reduction depends on besides the log.

    Returns
    -------
    str
        Hex digits.
    """
    digest = hashlib.sha256()
    source = Path(__file__).parents[1]
    for path in (*files, *sorted(source.rglob("*.py"))):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


class Memory:
    """What was found in one folder with one car, one calibration and one program.

    Parameters
    ----------
    folder : str or Path
        The folder of runs.
    depends : str
        From :func:`fingerprint`.
    cache : Path or None
        Where it is kept; nothing is read or written if None.
    """

    def __init__(self, folder: str | Path, depends: str, cache: Path | None) -> None:
        name = hashlib.sha256(
            f"{Path(folder).resolve()}\n{depends}".encode("utf-8", "surrogateescape")
        ).hexdigest()
        self._path = None if cache is None else cache / f"sessions-{name[:32]}.json"
        self._places: dict[str, list[Any]] = {}
        self._found: dict[str, dict[str, Any]] = {}
        self._seen: dict[str, list[Any]] = {}
        self._new = False
        if self._path is not None:
            self._places, self._found = _load(self._path)

    def look_up(self, name: str, path: Path) -> dict[str, Any] | None:
        """Look for what is known of a log.

        Parameters
        ----------
        name : str
            Its place in the folder.
        path : Path
            The file.

        Returns
        -------
        dict or None
            What was kept for the same content.

        Notes
        -----
        A file whose size, number on the disk and times (of its content and of its entry in the
        folder, to the nanosecond) are unchanged has its remembered hash; otherwise it is read and
        hashed.
        """
        state = _state(path)
        before = self._places.get(name)
        known = before is not None and before[:4] == state
        content = before[4] if known and before is not None else _hash(path)
        self._new = self._new or not known
        self._seen[name] = [*state, content]
        return self._found.get(content)

    def keep(self, name: str, path: Path, fields: Mapping[str, Any]) -> dict[str, Any]:
        """Remember what was found for a log that was just looked up.

        Parameters
        ----------
        name : str
            Its place in the folder.
        path : Path
            The file; hashed again, and not remembered where it changed meanwhile.
        fields : mapping
            What was found.

        Returns
        -------
        dict
            The same.
        """
        content = self._seen[name][4]
        if _hash(path) == content:
            self._found[content] = dict(fields)
            self._new = True
        else:
            del self._seen[name]
        return dict(fields)

    def save(self) -> None:
        """Write what is remembered of the runs that are still there; if that fails, nothing is."""
        if self._path is None or not (self._new or len(self._seen) != len(self._places)):
            return
        wanted = {state[4] for state in self._seen.values()}
        text = json.dumps(
            {
                "format": _FORMAT,
                "places": self._seen,
                "found": {content: v for content, v in self._found.items() if content in wanted},
            }
        )
        with contextlib.suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._path, text.encode("ascii"))
            _thin_out(self._path.parent)


def _state(path: Path) -> list[Any]:
    found = path.stat()
    return [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _load(path: Path) -> tuple[dict[str, list[Any]], dict[str, dict[str, Any]]]:
    """What a file holds, as far as it looks as it should."""
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
        data = json.loads(content) if len(content) <= _MOST_BYTES else None
    except (OSError, ValueError, RecursionError):
        return {}, {}
    if not isinstance(data, dict) or data.get("format") != _FORMAT:
        return {}, {}
    places, found = data.get("places"), data.get("found")
    if not isinstance(places, dict) or not isinstance(found, dict):
        return {}, {}
    return (
        {name: state for name, state in places.items() if _good_state(state)},
        {content: fields for content, fields in found.items() if _good_fields(fields)},
    )


def _good_state(state: object) -> bool:
    return (
        isinstance(state, list)
        and len(state) == 5
        and all(isinstance(v, int) for v in state[:4])
        and isinstance(state[4], str)
    )


def _good_fields(fields: object) -> bool:
    if not isinstance(fields, dict) or set(fields) != set(_KINDS):
        return False
    if not all(isinstance(fields[name], kind) for name, kind in _KINDS.items()):
        return False
    texts = [*fields["facts"], *fields["facts"].values()]
    texts += [fields["started"], fields["verdict"], fields["warning"] or "", fields["truncated"] or ""]
    texts += fields["notices"]
    if fields["drive"] is not None and Drive.from_dict(fields["drive"]) is None:
        return False
    return all(isinstance(t, str) and len(t) <= _TEXT_LIMIT for t in texts)


def _thin_out(folder: Path) -> None:
    """Keep the files used last, so that the cache never grows for ever."""
    files = sorted(folder.glob("sessions-*.json"), key=lambda p: p.stat().st_mtime_ns, reverse=True)
    for path in files[_MOST_FILES:]:
        path.unlink(missing_ok=True)
