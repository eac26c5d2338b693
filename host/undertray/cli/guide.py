"""The guided calibration at the terminal: opens the board, finds the journal, asks the person."""

from __future__ import annotations

import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from undertray.acquire.device import Device
    from undertray.calibrate.session import Session
    from undertray.calibrate.steady import SteadyLimits

__all__ = ["CAUTION", "ask", "guided", "tell"]

CAUTION = (
    "Caution. Calibrate with the fans unplugged. Never blow or suck by mouth on a tube with dye or any liquid"
    " but water; more than the part's proof pressure breaks it; keep water out of the sensors."
)


def guided(
    port: str, journal: Path, heights_mm: Sequence[float], limits: SteadyLimits, pa_per_mm: float
) -> tuple[Session, Device, bool]:
    """Lead a person through a calibration, new or begun before.

    Parameters
    ----------
    port : str
        The board: a serial port or URL.
    journal : Path
        Where the points are kept; gone on with when it exists.
    heights_mm : sequence of float
        The plan of a new session.
    limits : SteadyLimits
        What counts as steady.
    pa_per_mm : float
        Pressure of 1 mm of reading of the column, Pa.

    Returns
    -------
    session : Session
        With its points.
    device : Device
        The board they are of.
    done : bool
        False when the person stopped before the end.

    Raises
    ------
    CalibrationError
        When the journal belongs to another board, or cannot be used.
    LinkError
        When the board does not answer or vanishes.
    """
    from undertray.acquire.link import open_link
    from undertray.calibrate.accuracy import nominal_accuracies_pa
    from undertray.calibrate.dialogue import Dialogue
    from undertray.calibrate.plan import plan
    from undertray.calibrate.plausible import Plausible
    from undertray.calibrate.session import Session
    from undertray.calibrate.stream import BoardReadings
    from undertray.files import is_present

    steps = plan(heights_mm)
    link = open_link(port)
    try:
        board = BoardReadings(link)
        if is_present(journal):
            session = Session.resume(journal)
            _check_board(session, board.device)
            tell(f"going on with {journal}: {len(session.taken)} points so far")
            if session.journal.repaired:
                tell(session.journal.repaired)
        else:
            parts = {column.name: column.part for column in board.device.columns}
            session = Session.start(journal, board.device.uid, parts, steps)
        tell(CAUTION)
        known = nominal_accuracies_pa(board.device.columns)
        names = tuple(session.parts)
        plausible = Plausible(names, pa_per_mm, tuple(known.get(name, 0.0) for name in names))
        done = Dialogue(session, board.fresh, ask, tell, plausible, limits).run()
        return session, board.device, done
    finally:
        link.close()


def _check_board(session: Session, device: Device) -> None:
    from undertray.errors import CalibrationError

    parts = {column.name: column.part for column in device.columns}
    if (session.uid, session.parts) != (device.uid, parts):
        raise CalibrationError(
            "the journal belongs to another board",
            where=str(session.journal.path),
            seen=f"board {device.uid} with {', '.join(parts)}",
            expected=f"board {session.uid} with {', '.join(session.parts)}",
            do="name another journal with --journal",
        )


def ask(question: str) -> str:
    """Ask the person at the terminal.

    Parameters
    ----------
    question : str
        What is asked; printed on standard error.

    Returns
    -------
    str
        The line that was typed.

    Raises
    ------
    EOFError
        When nobody answers any more.
    """
    print(question, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline(1000)
    if not answer:
        raise EOFError
    return answer


def tell(line: str) -> None:
    """Tell the person at the terminal something.

    Parameters
    ----------
    line : str
        A line, printed on standard error.
    """
    if sys.stderr.isatty():  # whole words on a screen; a pipe gets the sentence on one line
        line = textwrap.fill(line, shutil.get_terminal_size().columns - 1, subsequent_indent="  ")
    print(line, file=sys.stderr, flush=True)
