"""The program as it is started, but in this process: most of a short command is the start of Python."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any
from unittest import mock

import numpy as np
import typer.testing
from typer.main import get_command

from undertray.reduce.losses import Loss, find_losses

__all__ = ["CliRunner", "undertray"]

_commands = cache(get_command)  # else it is made anew by each call, of every command with all its options
_found: dict[bytes, tuple[Loss, ...]] = {}


def _find_losses_once(*rows: Any, **given: Any) -> tuple[Loss, ...]:
    """Look for events once in rows that command after command reads: most of the time went into that.

    That the same rows give the same events each time is held by the tests of the detector, which ask it.
    """
    key = hashlib.sha256()
    for name, value in [*enumerate(rows), *given.items()]:
        array = np.asarray(value)
        key.update(f"{name} {array.dtype} {array.shape} ".encode())
        key.update(repr(value).encode() if array.dtype == object else array.tobytes())
    if key.digest() not in _found:
        _found[key.digest()] = find_losses(*rows, **given)
    return _found[key.digest()]


class CliRunner(typer.testing.CliRunner):
    """For tests of the exception behind a line: typer's own runner, on the commands that are there."""

    def invoke(self, *arguments: Any, **more: Any) -> typer.testing.Result:
        """Run one command of an application."""
        with (
            mock.patch("typer.testing._get_command", _commands),
            mock.patch("undertray.reduce.run.find_losses", _find_losses_once),
        ):
            return super().invoke(*arguments, **more)


class _Kept(io.BytesIO):
    def close(self) -> None:
        """Stay: the program wraps its streams, and what is wrapped is closed with the wrapping."""


def undertray(
    *arguments: object,
    typed: str = "",
    env: Mapping[str, str] | None = None,
    folder: Path | None = None,
    encoding: str = "utf-8",
    together: bool = False,
    terminal: int | None = None,
) -> CompletedProcess[str]:
    """Run one command to its end, in a folder; ``typed`` is its whole input, which is no terminal.

    With ``terminal`` its input is that open terminal. ``together`` has what is for standard error stand in
    standard output, in the order in which it came.
    """
    from undertray.cli import main

    words = ["undertray", *map(str, arguments)]
    kept = [_Kept(), _Kept()]
    if together:
        kept[1] = kept[0]
    out, err = (io.TextIOWrapper(stream, encoding, write_through=True) for stream in kept)
    given = (
        io.TextIOWrapper(io.BytesIO(typed.encode()), "utf-8")
        if terminal is None
        else open(terminal, encoding="utf-8", closefd=False)  # noqa: SIM115 - it is the caller's
    )
    status: Any = 0
    with (
        mock.patch("typer.main.get_command", _commands),
        mock.patch("undertray.reduce.run.find_losses", _find_losses_once),
        mock.patch.multiple(sys, argv=words, stdin=given, stdout=out, stderr=err),
        mock.patch.dict(os.environ, env or {}),
        contextlib.chdir(folder or "."),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code or 0
    said = [stream.getvalue().decode(encoding) for stream in kept[: 1 if together else 2]]
    return CompletedProcess(words, status, *said)
