"""The program as it is started, but in this process: most of a short command is the start of Python."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any
from unittest import mock

from typer.main import get_command

__all__ = ["undertray"]


_commands = cache(get_command)  # else it is made anew by each call, of every command with all its options


class _Kept(io.BytesIO):
    def close(self) -> None:
        """Stay: the program wraps its streams, and what is wrapped is closed with the wrapping."""


def undertray(
    *arguments: object,
    typed: str = "",
    env: Mapping[str, str] | None = None,
    folder: Path | None = None,
    encoding: str = "utf-8",
) -> CompletedProcess[str]:
    """Run one command to its end, in a folder; ``typed`` is its whole input, which is no terminal."""
    from undertray.cli import main

    words = ["undertray", *map(str, arguments)]
    kept = [_Kept(), _Kept()]
    out, err = (io.TextIOWrapper(stream, encoding, write_through=True) for stream in kept)
    given = io.TextIOWrapper(io.BytesIO(typed.encode()), "utf-8")
    status: Any = 0
    with (
        mock.patch("typer.main.get_command", _commands),
        mock.patch.multiple(sys, argv=words, stdin=given, stdout=out, stderr=err),
        mock.patch.dict(os.environ, env or {}),
        contextlib.chdir(folder or "."),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code or 0
    return CompletedProcess(words, status, *(stream.getvalue().decode(encoding) for stream in kept))
