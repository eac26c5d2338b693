"""``undertray sweep``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from undertray.errors import harmless

__all__ = ["register"]

_WORD = "SPIN"


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("sweep", short_help="Step the fans on the bench and record it: fans spin.")(_sweep)


def _sweep(
    port: Annotated[str, typer.Option(help="Serial port, socket://HOST:PORT or rfc2217://HOST:PORT.")],
    out: Annotated[Path, typer.Option(metavar="PATH", help="The log to write, which must not exist.")],
    last_us: Annotated[
        int, typer.Option("--to", metavar="US", min=1, help="Last width of the throttle pulse, µs.")
    ],
    first_us: Annotated[
        int, typer.Option("--from", metavar="US", min=1, help="First width of the throttle pulse, µs.")
    ] = 1100,
    steps: Annotated[int, typer.Option(min=2, max=200, help="How many throttles.")] = 6,
    dwell_s: Annotated[
        float, typer.Option("--dwell", min=0.05, max=20, help="Seconds at each throttle.")
    ] = 4.0,
    car: Annotated[str | None, typer.Option(help="Which car: kept in the log.")] = None,
    skirt: Annotated[str | None, typer.Option(help="Which skirt: kept in the log.")] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
) -> None:
    """Let the board step the fans through throttles on the bench, and record what they give. FANS SPIN.

    The board must have "direction": "output" in its board.json. A word has to be typed; from then on any
    key stops the fans, and so do a terminal that goes or is taken by another program, and a second without
    this program. 'undertray reference' takes the log.

    Example: undertray sweep --port /dev/ttyACM0 --to 1500 --out sweep.csv
    """
    from undertray.acquire.benchsweep import BenchSweep, SweepPlan
    from undertray.acquire.console import BoardConsole
    from undertray.acquire.link import open_link
    from undertray.acquire.recorder import Patience, Recorder
    from undertray.cli.record import told_to_stop, typed_keys
    from undertray.files import is_present

    if not sys.stdin.isatty():
        raise typer.BadParameter("a terminal is needed: a word has to be typed, and any key stops the fans")
    if is_present(out):
        raise typer.BadParameter(f"{harmless(str(out))} exists, and a log is never overwritten")
    plan = SweepPlan(first_us, last_us, steps, round(dwell_s * 1000))
    stops: list[Callable[[], bool]] = []
    link = open_link(port, baud)
    try:
        sweep = BenchSweep(BoardConsole(link), plan, lambda: any(stop() for stop in stops), say=_say)
        caution, _ = sweep.caution()
        _say(harmless(caution))
        widths = ", ".join(str(width) for width in plan.widths_us[:12]) + (" ..." if steps > 12 else "")
        _say(f"{widths} µs, {dwell_s:g} s each, {steps * dwell_s:.0f} s in all")
        print(f"undertray: type {_WORD} and Enter to arm, anything else to leave: ", end="", file=sys.stderr)
        sys.stderr.flush()
        if sys.stdin.readline().strip() != _WORD:
            _say("not armed, nothing moved")
            raise typer.Exit(1)
        facts: dict[str, Any] = {key: value for key, value in (("car", car), ("skirt", skirt)) if value}
        facts["sweep"] = {"from_us": first_us, "to_us": last_us, "steps": steps, "dwell_s": dwell_s}
        recorder = Recorder(
            sweep.open_link, out, facts, patience=Patience(return_s=0), watch=sweep.take, say=_say
        )
        with told_to_stop() as told, typed_keys() as keys:
            stops += [told, lambda: bool(keys())]
            done = recorder.run(sweep.tick)
    finally:
        link.close()
    print(done.path)
    if sweep.failure is not None:
        raise sweep.failure
    name = harmless(str(done.path))
    _say(f"{done.rows} rows; next: undertray reference {name} --car car.toml --out reference.json")


def _say(sentence: str) -> None:
    print(f"undertray: {sentence}", file=sys.stderr)
