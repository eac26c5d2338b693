"""The ``undertray`` command. Each file here is one command group: parse, call, print."""

from __future__ import annotations

import errno
import sys
from typing import Annotated, Any, NoReturn

import typer

from undertray import __version__
from undertray.cli.helptext import Command, Program
from undertray.cli.streams import flush_output, give_up_output, print_for_people
from undertray.errors import UndertrayError

__all__ = ["app", "main"]

# the base of typer's own errors; where it is found has changed between its versions
_WrongUsage: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")
_NO_ROOM = {getattr(errno, name, None) for name in ("ENOSPC", "EDQUOT", "EFBIG", "EIO")}

app = typer.Typer(
    name="undertray",
    cls=Program,
    help="Log, calibrate and judge the suction under a fan-suction model car.",
    epilog="Begin with 'undertray demo'. 'undertray COMMAND --help' explains each.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: drawing boxes would double the time it takes to come up
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        print(f"undertray {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Log, calibrate and judge the suction under a fan-suction model car."""


def _register() -> None:
    from undertray.cli import (
        axles,
        balance,
        board,
        calibrate,
        car,
        check_taps,
        column,
        compare,
        demo,
        fetch,
        logs,
        record,
        reduce,
        reference,
        report,
        ride,
        score,
        sessions,
        sweep,
        tare,
        turnover,
        virtual,
        whatif,
        window,
    )

    for title, parts in {
        "Try it without hardware": (demo, virtual),
        "Plan and build": (board, car),
        "Calibrate and check": (calibrate, column, check_taps, tare, balance),
        "Record": (record, fetch, sweep, logs),
        "Judge a run": (reduce, report, reference, axles),
        "Compare runs": (sessions, compare),
        "Decide what to run": (window, ride, whatif, turnover),
        "For developers": (score,),
    }.items():
        for part in parts:
            part.register(app)
        registered: list[Any] = [*app.registered_commands, *app.registered_groups]
        for new in registered:
            new.rich_help_panel = new.rich_help_panel or title
    for commands in (app, *(one.typer_instance for one in app.registered_groups)):
        for command in commands.registered_commands if commands is not None else ():
            if command.cls is None or not issubclass(command.cls, Command):
                command.cls = Command


_register()


def main() -> NoReturn:
    """Run the command line: status 0 done, 1 the data or device failed, 2 wrong usage."""
    print_for_people()
    status = None
    try:
        try:
            status = app(prog_name="undertray", standalone_mode=False)
        finally:
            flush_output()
    except _WrongUsage as error:
        error.show(file=sys.stderr)  # its own choice of a stream may pass by ours
        sys.exit(error.exit_code)
    except typer.Abort:
        print("Aborted!", file=sys.stderr)
        sys.exit(1)
    except UndertrayError as error:
        print(f"undertray: {error}", file=sys.stderr)
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # the reader of a pipe went away (head, less): not an error of ours
        give_up_output()
        sys.exit(1)
    except OSError as error:
        if error.errno not in _NO_ROOM:
            raise
        give_up_output()
        why = f"the output cannot be written ({error.strerror}); make room, or send it somewhere else"
        print(f"undertray: {why}", file=sys.stderr)
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)
