"""``undertray record``."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from undertray.acquire.recording import Recording

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command()(record)


def record(
    out: Annotated[Path, typer.Option(help="The log to write; it must not exist.")],
    port: Annotated[
        str | None,
        typer.Option(
            help="Serial port, socket://HOST:PORT, rfc2217://HOST:PORT or a capture; looked for if left out."
        ),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(min=0.001, help="Stop so long after the first row, by this computer's clock."),
    ] = None,
    car: Annotated[str | None, typer.Option(help="Which car: kept in the log.")] = None,
    skirt: Annotated[str | None, typer.Option(help="Which skirt: kept in the log.")] = None,
    note: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=VALUE", help="A fact for the log, such as gap=1.5mm; repeatable."),
    ] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
    wait: Annotated[
        float, typer.Option(min=0, help="How many s to wait for an unplugged board to come back.")
    ] = 5.0,
    quiet: Annotated[bool, typer.Option("--quiet", help="Say nothing but errors.")] = False,
) -> None:
    """Record a run from the board: until Ctrl-C, SIGTERM, or --seconds are over.

    The board is asked to stream when the recording starts, and left streaming when it ends.
    """
    from undertray.acquire.link import open_link
    from undertray.acquire.record import Recorder
    from undertray.acquire.recording import Patience

    port = port or _found(baud)
    facts = {"car": car, "skirt": skirt, "notes": _notes(note or []), "host": _host(port)}

    def say(sentence: str) -> None:
        if not quiet:
            print(f"undertray: {sentence}", file=sys.stderr)

    recorder = Recorder(
        lambda: open_link(port, baud),
        out,
        {key: value for key, value in facts.items() if value is not None},
        seconds=seconds,
        patience=Patience(return_s=wait),
        say=say,
    )
    told: list[int] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda number, _: told.append(number))
    try:
        say(f"recording from {port} to {out}; Ctrl-C ends it")
        say(_told(recorder.run(lambda: bool(told))))
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _found(baud: int) -> str:
    """Look for the board on the serial ports: by its own description, not by a name that fits."""
    from undertray.acquire.link import open_link
    from undertray.acquire.ports import ask, find_board, serial_ports

    return find_board([ask(lambda p=port: open_link(p, baud), port, what) for port, what in serial_ports()])  # type: ignore[misc]


def _notes(pairs: list[str]) -> dict[str, str]:
    notes = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key.strip():
            raise typer.BadParameter(f"'{pair}' is not KEY=VALUE", param_hint="--note")
        notes[key.strip()] = value.strip()
    return notes


def _host(port: str) -> dict[str, Any]:
    import platform

    from undertray import __version__

    return {"program": f"undertray {__version__}", "system": platform.system(), "port": port}


def _told(recording: Recording) -> str:
    parts = [
        f"{recording.rows} rows in {recording.seconds:.1f} s",
        f"{recording.lost} lost",
        f"{recording.bad} bad",
    ]
    if recording.unwritten_rows:
        parts.append(f"{recording.unwritten_rows} not taken by the disk")
    if recording.segments > 1:
        parts.append(f"{recording.segments} segments")
    return f"{', '.join(parts)}; {recording.why}: {recording.path}"
