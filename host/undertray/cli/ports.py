"""``undertray ports``."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("ports")(_ports)


def _ports(
    also: Annotated[
        list[str] | None, typer.Option("--port", help="A port or URL to ask as well; repeatable.")
    ] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
) -> None:
    """List the ports and say what answers on each. Sends 'info' to every one.

    Example: undertray ports --port socket://127.0.0.1:7660
    """
    from undertray.acquire.link import ask, open_link, serial_ports
    from undertray.errors import NoBoard, escaped

    ports = [*serial_ports(), *((port, "") for port in also or [])]
    if not ports:
        raise NoBoard("this computer has no serial port", do="plug the board in")
    for port, what in ports:
        answer = ask(lambda port=port: open_link(port, baud), port, what)  # type: ignore[misc]
        print(f"{'*' if answer.device else ' '} {port}  {escaped(answer.finding, 200)}")
        if what:
            print(f"    {escaped(what, 100)}")
