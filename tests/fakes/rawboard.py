"""MicroPython on a pseudo-terminal with the prompt that a board shows to programs, in a folder as its flash.

The interpreter is real and so are its file calls; what is imitated is the board around it: the raw prompt
of MicroPython's documentation ("REPL", raw mode) and the platform's name.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import tty
from collections.abc import Iterator
from pathlib import Path

from undertray.virtual import server

PROMPT = r"""
import sys, io, os
RP2 = "rp2"
names = {}
def out(data):
    sys.stdout.buffer.write(data)
def run(code):
    for name in list(names):
        if name.startswith("__thief"): del names[name]
    error = b""
    try:
        exec(code.replace("sys.platform", repr(RP2)), names)
    except SystemExit:
        raise
    except BaseException as problem:
        text = io.StringIO()
        sys.print_exception(problem, text)
        error = text.getvalue().encode()
    return error
code = b""
read = sys.stdin.buffer.read
raw = False
while True:
    byte = read(1)
    if not byte:
        break
    if byte == b"\x01":
        raw = True; code = b""
        out(b"raw REPL; CTRL-B to exit\r\n>")
    elif byte == b"\x02":
        raw = False; code = b""
    elif byte == b"\x03":
        code = b""
    elif byte == b"\x05" and raw:
        read(2)
        out(b"R\x00")
    elif byte == b"\x04" and raw:
        if not code.strip():
            names.clear()
            out(b"OK\r\nMPY: soft reboot\r\nraw REPL; CTRL-B to exit\r\n>")
            continue
        out(b"OK")
        if b"machine.reset()" in code:
            open("was_reset", "w").close()
            code = b""
            out(b"\x04\x04>")
            continue
        error = run(code.decode())
        code = b""
        out(b"\x04" + error + b"\x04>")
    elif raw:
        code += byte
"""


@contextlib.contextmanager
def raw_board(flash: Path, folder: Path) -> Iterator[str]:
    """A board whose flash is a folder; gives the name of its port."""
    interpreter = server.micropython()
    assert interpreter is not None
    program = folder / "prompt.py"
    program.write_text(PROMPT, encoding="utf-8")
    master, slave = os.openpty()
    tty.setraw(slave)
    env = {**os.environ, "MICROPYPATH": ".frozen"}
    process = subprocess.Popen(
        [interpreter, str(program)], stdin=master, stdout=master, stderr=subprocess.PIPE, cwd=flash, env=env
    )
    try:
        yield os.ttyname(slave)
    finally:
        process.kill()
        process.wait()
        if process.stderr is not None:
            process.stderr.close()
        os.close(master)
        os.close(slave)
