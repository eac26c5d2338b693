"""A folder of runs as a list: facts and headline numbers, each run reduced once and remembered."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray.acquire.runfolder import Drive, counted_once, find_runs
from undertray.acquire.runlog import is_run
from undertray.errors import ReductionError, UndertrayError, escaped
from undertray.files import write_whole
from undertray.report.comparedrun import facts_of
from undertray.report.display import SI, Display

if TYPE_CHECKING:
    from undertray.reduce.summary import Reduction
    from undertray.report.verdict import Verdict

__all__ = [
    "SORTS",
    "Memory",
    "Session",
    "cache_folder",
    "fingerprint",
    "headline",
    "list_sessions",
    "once_each",
    "sort_sessions",
    "summed",
]


# Reductions remembered from one call to the next, by content.
# JSON only, in the user's cache folder: a run folder may be shared or read-only, and whoever can write to
# it must not be able to feed us anything. What is remembered counts only for the same content of the
# log, the car, the calibration and this program's own source; anything that does not look as it should is
# forgotten and made again.

_FORMAT = 2
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
    "throttle_us": _NUMBER,
    "throttles": (int, type(None)),
    "losses": (int, type(None)),
    "brief_losses": (int, type(None)),
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
    """The user's folder for things that can be made again."""
    for name in ("UNDERTRAY_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(name):
            return Path(os.environ[name]) / "undertray"
    home = Path.home()
    return (home / "Library" / "Caches" if sys.platform == "darwin" else home / ".cache") / "undertray"


def fingerprint(files: Iterable[Path]) -> str:
    """Hash of the content of files and of this program's own source."""
    digest = hashlib.sha256()
    source = Path(__file__).parents[1]
    for path in (*files, *sorted(source.rglob("*.py"))):
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


class Memory:
    """What was found in one folder with one car, one calibration and one program."""

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
        """Remember what was found for a log that was just looked up."""
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


_MOST_FACTS = 30
_MOST_NOTICES, _NOTICE_LENGTH = 20, 300


@dataclass(frozen=True, slots=True)
class Session:
    """One run of a folder."""

    file: str
    started: str
    facts: Mapping[str, str]
    duration_s: float | None
    verdict: str
    least_margin_n: float | None
    axle: str | None
    suction_pa: float | None
    downforce_n: float | None
    throttle_us: float | None
    throttles: int | None
    losses: int | None
    brief_losses: int | None
    warning: str | None
    warning_s: float | None
    calibrated: bool
    lost_rows: int | None
    bad_lines: int | None
    duplicate_rows: int | None
    truncated: str | None
    notices: Sequence[str] = ()
    drive: Mapping[str, Any] | None = None
    copies: Sequence[str] = ()

    def as_dict(self) -> dict[str, Any]:
        """The run as JSON holds it."""
        return {name: value for name, value in asdict(self).items() if name != "drive"}


SORTS = ("file", "started", "length", "verdict", "margin", "suction", "downforce", "losses", "warning")
"""What a list can be sorted by, besides the name of any fact."""
_SORT_FIELD = {
    "length": "duration_s",
    "margin": "least_margin_n",
    "suction": "suction_pa",
    "downforce": "downforce_n",
    "warning": "warning_s",
}


def list_sessions(
    folder: str | Path,
    reduce: Callable[[Path], Mapping[str, Any]],
    memory: Memory,
    passed_over: list[str] | None = None,
) -> Iterator[Session]:
    """List the runs of a folder."""
    root = Path(folder)
    for path in find_runs(root):
        name = path.relative_to(root).as_posix()
        try:
            known = memory.look_up(name, path)
            if known is None:
                if not is_run(path):
                    if passed_over is not None:
                        passed_over.append(name)
                    continue
                known = memory.keep(name, path, _attempt(reduce, path))
        except OSError as error:
            known = _broken(f"cannot be read: {error.strerror}")
        yield Session(file=name, **known)


def once_each(sessions: Sequence[Session]) -> list[Session]:
    """List each run once, however many files hold it."""
    stands = counted_once([Drive.from_dict(one.drive) for one in sessions])
    copies: dict[int, list[str]] = {}
    for place, one in zip(stands, sessions, strict=True):
        copies.setdefault(place, []).append(one.file)
    return [
        replace(one, copies=[name for name in copies[place] if name != one.file])
        for place, one in enumerate(sessions)
        if stands[place] == place
    ]


def sort_sessions(sessions: Sequence[Session], by: str, reverse: bool = False) -> list[Session]:
    """Sort a list of runs."""
    field = _SORT_FIELD.get(by, by)

    def value(one: Session) -> Any:
        return one.facts.get(by) if by not in SORTS else getattr(one, field)

    known = [one for one in sessions if value(one) not in (None, "")]
    if sessions and by not in SORTS and not known:
        raise ReductionError("no run has such a fact", seen=by, expected="one of " + ", ".join(SORTS))
    rest = [one for one in sessions if value(one) in (None, "")]
    return sorted(known, key=value, reverse=reverse) + rest


def headline(
    reduction: Reduction,
    facts: Mapping[str, Any],
    notices: Sequence[str] = (),
    drive: Drive | None = None,
    verdict: Verdict | None = None,
) -> dict[str, Any]:
    """Keep of a run what a list shows."""
    from undertray.reduce.loss import LOSS_KINDS
    from undertray.reduce.warning import warning_words
    from undertray.report.verdict import judge

    verdict, steady = verdict or judge(reduction), reduction.steady
    losses = [event for event in reduction.events if event.kind in LOSS_KINDS]
    return {
        "started": str(facts.get("started_utc", ""))[:40],
        "facts": facts_of(facts, _MOST_FACTS),
        "duration_s": _rounded(reduction.duration_s),
        "verdict": verdict.word,
        "least_margin_n": _rounded(verdict.least_margin_n),
        "axle": verdict.axle,
        "suction_pa": _rounded(steady.suction_pa.mean) if steady else None,
        "downforce_n": _rounded(steady.downforce_n.mean) if steady else None,
        "throttle_us": _rounded(steady.throttle_us) if steady else None,
        "throttles": steady.throttles if steady else None,
        "losses": len(losses),
        "brief_losses": sum(event.brief for event in losses),
        "warning": warning_words(reduction, losses[0]) if losses else None,
        "warning_s": _rounded(losses[0].warning_s) if losses else None,
        "calibrated": reduction.calibrated,
        "lost_rows": reduction.lost_rows,
        "bad_lines": reduction.bad_lines,
        "duplicate_rows": reduction.duplicate_rows,
        "truncated": reduction.why,
        "notices": [notice[:_NOTICE_LENGTH] for notice in notices[:_MOST_NOTICES]],
        "drive": None if drive is None else drive.as_dict(),
    }


def summed(found: Sequence[Session], units: Display = SI) -> str:
    """How many runs came to what, and the worst of them, in a sentence."""
    words = Counter("not reduced" if one.duration_s is None else one.verdict for one in found)
    # what did not hold comes first
    counts = ", ".join(f"{n} {word}" for word, n in sorted(words.items(), key=lambda item: item[0] == "held"))
    said = f"{len(found)} {'run' if len(found) == 1 else 'runs'}: {counts}"
    judged = [one for one in found if one.least_margin_n is not None]
    worst = min(judged, key=lambda one: one.least_margin_n or 0.0, default=None)
    if worst is None:
        return f"{said}."
    return f"{said}; least margin {units.n(worst.least_margin_n, signed=True)}, in {escaped(worst.file)}."


def _attempt(reduce: Callable[[Path], Mapping[str, Any]], path: Path) -> Mapping[str, Any]:
    try:
        return reduce(path)
    except UndertrayError as error:
        return _broken(error.what)


def _broken(why: str) -> dict[str, Any]:
    told = ("started", "facts", "verdict", "calibrated", "notices", "drive")
    return {
        "started": "",
        "facts": {},
        "verdict": f"not reduced: {why}"[:200],
        "calibrated": False,
        **dict.fromkeys(name for name in _KINDS if name not in told),
        "notices": [],
        "drive": None,
    }


def _rounded(value: float | None) -> float | None:
    return float(f"{value:.6g}") if value is not None and math.isfinite(value) else None
