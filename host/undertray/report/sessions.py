"""A folder of runs as a list: facts and headline numbers, each run reduced once and remembered."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from undertray.acquire.runfolder import Drive, counted_once, find_runs
from undertray.acquire.runlog import is_run
from undertray.errors import ReductionError, UndertrayError
from undertray.report.digest import fact_of
from undertray.report.remember import Memory

__all__ = ["SORTS", "Session", "headline", "list_sessions", "once_each", "sort_sessions"]

_FACT_LENGTH = 80
_MOST_FACTS = 30
_MOST_NOTICES, _NOTICE_LENGTH = 20, 300


@dataclass(frozen=True, slots=True)
class Session:
    """One run of a folder.

    Attributes
    ----------
    file : str
        Its place in the folder.
    started : str
        When it was recorded, as the log says.
    facts : mapping of str to str
        What the log says was run.
    duration_s : float or None
        Length.
    verdict : str
        As in the report; what is wrong where it cannot be reduced.
    least_margin_n : float or None
        Least margin of an axle while it should have held: beyond what it needs, the allowance in.
    axle : str or None
        Which had it.
    suction_pa, downforce_n : float or None
        Means while steady, at the weakest of the throttles at which it was.
    throttles : int or None
        How many those were.
    losses : int or None
        Seal losses and slow leaks.
    warning : str or None
        Warning before the first of them, as :func:`~undertray.reduce.warning.warning_words` tells it.
    warning_s : float or None
        The same in s.
    calibrated : bool
        Whether a calibration was used.
    lost_rows, bad_lines, duplicate_rows : int or None
        Rows lost on the way, lines that were no good, rows that came twice.
    truncated : str or None
        Why the run goes on where its log ends; None where nothing says that it does.
    notices : sequence of str
        What a reader has to know of its car and its facts.
    drive : mapping or None
        What it is known again by (:meth:`undertray.acquire.runfolder.Drive.as_dict`).
    copies : sequence of str
        Other files of the folder that hold the same run.
    """

    file: str
    started: str
    facts: Mapping[str, str]
    duration_s: float | None
    verdict: str
    least_margin_n: float | None
    axle: str | None
    suction_pa: float | None
    downforce_n: float | None
    throttles: int | None
    losses: int | None
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
        """The run as JSON holds it.

        Returns
        -------
        dict
            Numbers, texts, None, lists of texts and one mapping of texts.
        """
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
    """List the runs of a folder.

    Parameters
    ----------
    folder : str or Path
        The folder.
    reduce : callable
        Makes the fields of :class:`Session` (but ``file``) from the path of a log; called only for
        a log whose content is not remembered.
    memory : Memory
        What was found before.
    passed_over : list of str or None
        Takes the places of the CSV files that are no run logs.

    Yields
    ------
    Session
        One a run log, in order of the files.
    """
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
    """List each run once, however many files hold it.

    Parameters
    ----------
    sessions : sequence of Session
        One a file.

    Returns
    -------
    list of Session
        Those that stand for their run, with the files that hold it as well.
    """
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
    """Sort a list of runs.

    Parameters
    ----------
    sessions : sequence of Session
        The runs.
    by : str
        One of :data:`SORTS`, or the name of a fact.
    reverse : bool
        Greatest first.

    Returns
    -------
    list of Session
        Runs without that value stand at the end either way.

    Raises
    ------
    ReductionError
        When no run has such a fact.
    """
    field = _SORT_FIELD.get(by, by)

    def value(one: Session) -> Any:
        return one.facts.get(by) if by not in SORTS else getattr(one, field)

    known = [one for one in sessions if value(one) not in (None, "")]
    if sessions and by not in SORTS and not known:
        raise ReductionError("no run has such a fact", seen=by, expected="one of " + ", ".join(SORTS))
    rest = [one for one in sessions if value(one) in (None, "")]
    return sorted(known, key=value, reverse=reverse) + rest


def headline(
    reduction: Any, facts: Mapping[str, Any], notices: Sequence[str] = (), drive: Drive | None = None
) -> dict[str, Any]:
    """Keep of a run what a list shows.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    facts : mapping
        What its log says.
    notices : sequence of str
        What a reader has to know of its car and its facts.
    drive : Drive or None
        What it is known again by.

    Returns
    -------
    dict
        The fields of :class:`Session` but ``file``.
    """
    from undertray.reduce.loss import LOSS_KINDS
    from undertray.reduce.warning import warning_words
    from undertray.report.verdict import judge

    verdict, steady = judge(reduction), reduction.steady
    losses = [event for event in reduction.events if event.kind in LOSS_KINDS]
    notes = facts.get("notes")
    names = [*facts, *(notes if isinstance(notes, Mapping) else ())]
    texts = {str(n)[:_FACT_LENGTH]: fact_of(facts, str(n)) for n in names[:_MOST_FACTS]}
    return {
        "started": str(facts.get("started_utc", ""))[:40],
        "facts": {name: text for name, text in texts.items() if text is not None and name != "started_utc"},
        "duration_s": _rounded(reduction.duration_s),
        "verdict": verdict.word,
        "least_margin_n": _rounded(verdict.least_margin_n),
        "axle": verdict.axle,
        "suction_pa": _rounded(steady.suction_pa.mean) if steady else None,
        "downforce_n": _rounded(steady.downforce_n.mean) if steady else None,
        "throttles": 1 + len(steady.others) if steady else None,
        "losses": len(losses),
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


def _attempt(reduce: Callable[[Path], Mapping[str, Any]], path: Path) -> Mapping[str, Any]:
    try:
        return reduce(path)
    except UndertrayError as error:
        return _broken(error.what)


def _broken(why: str) -> dict[str, Any]:
    numbers = ("duration_s", "least_margin_n", "axle", "suction_pa", "downforce_n", "throttles", "losses")
    return {
        "started": "",
        "facts": {},
        "verdict": f"not reduced: {why}"[:200],
        "calibrated": False,
        **dict.fromkeys(
            (*numbers, "warning", "warning_s", "lost_rows", "bad_lines", "duplicate_rows", "truncated")
        ),
        "notices": [],
        "drive": None,
    }


def _rounded(value: float | None) -> float | None:
    return float(f"{value:.6g}") if value is not None and math.isfinite(value) else None
