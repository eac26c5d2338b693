"""``undertray virtual``: a board without hardware, on a TCP port or a pseudo-terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]


def _virtual(
    listen: Annotated[
        str | None,
        typer.Option(help="HOST:PORT to listen on; port 0 takes any free one.", metavar="HOST:PORT"),
    ] = None,
    pty: Annotated[bool, typer.Option("--pty", help="Use a pseudo-terminal instead of a TCP port.")] = False,
    story: Annotated[
        str, typer.Option(help="What happens: a name ('undertray virtual --stories') or a JSON file.")
    ] = "lap",
    stories: Annotated[bool, typer.Option("--stories", help="List the stories by name and stop.")] = False,
    engine: Annotated[
        str, typer.Option(help="auto, micropython, or twin (the same firmware under CPython).")
    ] = "auto",
    board: Annotated[
        Path | None, typer.Option(help="A board.json other than the firmware's own.", dir_okay=False)
    ] = None,
) -> None:
    """Serve a virtual car: the real firmware, with sensors standing on a bus that only exists here.

    A story begins anew whenever a host says 'start', as record and calibrate do when they connect. Stories
    'column' and 'taps' say here where they stand.

    Example: undertray virtual --listen 127.0.0.1:7660, and in another terminal
    undertray record --port socket://127.0.0.1:7660 --out run.csv
    """
    import signal
    import threading
    from contextlib import ExitStack

    from undertray.errors import LinkError
    from undertray.virtual.server import ENGINES, open_board, parse_listen, serve_pty, serve_tcp
    from undertray.virtual.stories import STORIES, load_story

    if stories:
        for name, told in STORIES.items():
            print(f"{name:12} {told.summary}")
        return
    if (listen is None) == (not pty):
        raise typer.BadParameter("give either --listen HOST:PORT or --pty")
    if engine not in ENGINES:
        raise typer.BadParameter(f"--engine: one of {', '.join(ENGINES)}, not '{engine}'")
    try:
        host, port = ("", 0) if listen is None else parse_listen(listen)
    except LinkError as error:
        raise typer.BadParameter(f"--listen: {error}") from None
    stop = threading.Event()
    # set for both: a shell starts what it puts in the background with SIGINT ignored
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with ExitStack() as stack:
        running = stack.enter_context(open_board(load_story(story), engine, board))
        if pty:
            address = stack.enter_context(serve_pty(running))
        else:
            address = stack.enter_context(serve_tcp(running, host, port))
        print(
            f"virtual board on {address} (firmware under {running.engine}); Ctrl-C ends it", file=sys.stderr
        )
        while not stop.wait(0.1):
            running.check()


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("virtual", short_help="Serve a virtual car: the real firmware without a board.")(_virtual)
