"""``undertray fetch``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command("fetch", short_help="Bring the runs that the board kept on a cableless drive.")(_fetch)


def _fetch(
    port: Annotated[str, typer.Option(help="Serial port, socket://HOST:PORT or rfc2217://HOST:PORT.")],
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="[N]...", min=1, max=99_999, help="Which runs.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All runs on the board.")] = False,
    listed: Annotated[bool, typer.Option("--list", help="Only list the runs on the board.")] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the logs.", file_okay=False)] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Erase each run on the board once its log is whole, by digest.")
    ] = False,
    car: Annotated[str | None, typer.Option(help="Which car: kept in the log.")] = None,
    skirt: Annotated[str | None, typer.Option(help="Which skirt: kept in the log.")] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
) -> None:
    """Bring runs that the board kept on a drive without a cable; they are reduced like any other.

    A run counts as brought when its digest is the board's own; what breaks off or comes damaged is asked for
    again, and given up after 30 s and a second for each 2000 bytes. Only a run that was brought is erased.

    The board keeps runs with "store": {"at_boot": true} in its board.json, or after 'store on' on its
    console: any serial terminal at 115200 baud, see wiring/board.md.

    Example: undertray fetch --port /dev/ttyACM0 --all --out runs/
    """
    from undertray.acquire.fetch import Fetcher
    from undertray.acquire.link import Link, open_link

    if not listed and (out is None or not (every or numbers)):
        raise typer.BadParameter("give the numbers of runs or --all, and --out FOLDER; or --list")
    links = [open_link(port, baud)]

    def reopen() -> Link:
        links[-1].close()
        links.append(open_link(port, baud))
        return links[-1]

    try:
        fetcher = Fetcher(links[0], reopen=reopen)
        with fetcher.session():
            there = fetcher.runs() if listed or every else ()
            if (listed or every) and not there:
                print("undertray: there are no runs on the board", file=sys.stderr)
            if listed or out is None:
                for run in there:
                    print(f"{run.number:5}  {run.size:9} bytes")
                return
            wanted = [run.number for run in there] if every else list(dict.fromkeys(numbers or []))
            given = {"car": car, "skirt": skirt, "host": _host(port)}
            facts: dict[str, Any] = {key: value for key, value in given.items() if value is not None}
            for number in wanted:
                done = fetcher.fetch(number, out, facts)
                told = f"{done.rows} rows, {done.bad} bad" if done.new else "was there already"
                print(done.path)
                print(f"undertray: run {number}: {told}", file=sys.stderr)
                if done.missing_rows is not None:
                    cut = f"cut short: the board had no room for {done.missing_rows} more rows"
                    print(f"undertray: run {number}: {cut}", file=sys.stderr)
                if erase:
                    fetcher.erase(done)
    finally:
        links[-1].close()


def _host(port: str) -> dict[str, str]:
    import platform

    from undertray import __version__

    return {"program": f"undertray {__version__}", "system": platform.system(), "port": port}
