"""Text of a stranger, wherever it comes from: no command line prints it as a command to the terminal."""

from __future__ import annotations

import json
import os
import re
import sys
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.program import undertray
from fakes.server import Send, tcp_board
from fakes.terminal import on_a_terminal
from undertray.acquire.link import heard
from undertray.acquire.recorder import Patience
from undertray.acquire.wire import encode_note

LOGS = Path(__file__).parents[2] / "demo_logs"
UNDERTRAY = [sys.executable, "-m", "undertray"]
# set the title, clear the screen, ring, back to the start of the line, C1's CSI, turn the reading direction
EVIL = "\x1b]0;owned\x07\x1b[2J\r\x9b31m\u202egnp.\u2066"
# ECMA-48: C0 without HT and LF, DEL and C1; Unicode Standard Annex 9, table 2: marks of direction
COMMANDS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
posix = pytest.mark.skipif(os.name != "posix", reason="file names and pseudo-terminals of POSIX")


def printed(*arguments: object, encoding: str = "utf-8") -> str:
    done = undertray(*arguments, encoding=encoding)
    text = done.stdout + done.stderr
    assert text.strip()
    return text


def harmless(text: str) -> bool:
    return COMMANDS.search(text.replace("\r\n", "\n")) is None


def log(tmp_path: Path, facts: dict[str, object]) -> Path:
    lines = (LOGS / "clean-hold.csv").read_bytes().split(b"\n")
    at = next(i for i, line in enumerate(lines) if line.startswith(b"#run "))
    known = json.loads(lines[at][5:])
    lines[at] = b"#run " + json.dumps({**known, **facts}, ensure_ascii=False).encode()
    path = tmp_path / "facts.csv"
    path.write_bytes(b"\n".join(lines))
    return path


def car(tmp_path: Path) -> Path:
    evil = json.dumps(EVIL)  # a basic string of TOML escapes as JSON does
    text = (LOGS / "car.toml").read_text(encoding="utf-8")
    text = re.sub(r'^name = "Moorhen.*$', lambda _: f"name = {evil}", text, flags=re.M)
    path = tmp_path / "car.toml"
    path.write_text(text.replace('"front-left"', evil), encoding="utf-8")
    return path


def calibration(tmp_path: Path, **broken: object) -> Path:
    column = {"part": EVIL, "coefficients": [1.5, 1.02], "covariance": [[0.25, -1e-4], [-1e-4, 1e-6]]}
    found = {"range_pa": [-3, 950], "residual_sd_pa": 0.8, "hysteresis_pa": None, "repeatability_pa": 0.4}
    data = {
        "format": 1, "made_utc": EVIL, "fluid": {"name": EVIL}, "gravity_m_s2": 9.80665, "uid": EVIL,
        "columns": {EVIL: {**column, **found, "linearity_pa": 1.1, "points": [], **broken}},
    }  # fmt: skip
    path = tmp_path / "calibration.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def board(tmp_path: Path) -> Path:
    data = json.loads((Path(__file__).parents[2] / "firmware" / "board.json").read_text(encoding="utf-8"))
    data[EVIL] = EVIL
    data["columns"][0]["part"] = EVIL
    data["columns"][1][EVIL] = 1
    path = tmp_path / "board.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


PLAIN = ["--car", LOGS / "car.toml"]
EVIL_NAME = EVIL.replace("/", "")
Command = Callable[[Path], list[object]]


def _facts(tmp_path: Path) -> Path:
    return log(
        tmp_path, {"car": EVIL, "skirt": EVIL, "gap": EVIL, "notes": {EVIL: EVIL}, "host": {EVIL: EVIL}}
    )


TOLD: dict[str, Command] = {
    "facts, inspect": lambda tmp: ["inspect", _facts(tmp)],
    "facts, reduce": lambda tmp: ["reduce", _facts(tmp), *PLAIN],
    "facts, compare": lambda tmp: ["compare", _facts(tmp), LOGS / "front-fold.csv", *PLAIN],
    "facts, compare by": lambda tmp: ["compare", _facts(tmp), LOGS / "front-fold.csv", *PLAIN, "--by", EVIL],
    "facts, sessions": lambda tmp: ["sessions", _facts(tmp).parent, *PLAIN],
    "car, target": lambda tmp: ["target", "--car", car(tmp)],
    "car, reduce": lambda tmp: ["reduce", LOGS / "front-fold.csv", "--car", car(tmp)],
    "calibration": lambda tmp: [
        "reduce", LOGS / "front-fold.csv", *PLAIN, "--calibration", calibration(tmp)
    ],
    "calibration, broken": lambda tmp: [
        "reduce", LOGS / "front-fold.csv", *PLAIN, "--calibration", calibration(tmp, coefficients=EVIL)
    ],
    "board": lambda tmp: ["board", "check", board(tmp)],
    "path of a log": lambda tmp: ["reduce", tmp / EVIL_NAME, *PLAIN],
    "path of a car": lambda tmp: ["target", "--car", tmp / EVIL_NAME],
    "path of a board": lambda tmp: ["board", "check", tmp / EVIL_NAME],
    "path to write": lambda tmp: [
        "record", "--port", LOGS / "front-fold.csv", "--out", tmp / EVIL_NAME / "x.csv"
    ],
    "port": lambda tmp: ["record", "--port", f"/dev/{EVIL}", "--out", tmp / "x.csv"],
    "port, network": lambda tmp: ["record", "--port", f"socket://{EVIL}:7", "--out", tmp / "x.csv"],
    "port, another URL": lambda tmp: ["record", "--port", f"rfc2217://{EVIL}:7", "--out", tmp / "x.csv"],
    "page address": lambda tmp: ["record", "--port", "x", "--page-address", EVIL, "--out", tmp / "x.csv"],
    "usage, value": lambda tmp: ["record", "--seconds", EVIL, "--out", tmp / "x.csv"],
    "usage, option": lambda tmp: ["record", f"--{EVIL}"],
    "usage, command": lambda tmp: [EVIL],
    "usage, note": lambda tmp: ["record", "--note", EVIL, "--out", tmp / "x.csv"],
}  # fmt: skip


@posix
@pytest.mark.parametrize(
    ("what", "encoding"),
    [*((what, "utf-8") for what in sorted(TOLD)), ("usage, note", "ascii"), ("port", "ascii")],
)
def test_nothing_foreign_commands_the_terminal(tmp_path: Path, what: str, encoding: str) -> None:
    text = printed(*TOLD[what](tmp_path), encoding=encoding)
    assert harmless(text), repr(text)


def says(*lines: bytes) -> Callable[[Send, threading.Event], None]:
    def script(send: Send, over: threading.Event) -> None:
        send(b"".join(lines))
        over.wait(20)

    return script


@pytest.mark.parametrize(
    "lines",
    [
        [encode_note("reply", {"to": "info", "ok": False, "why": EVIL})],
        [encode_note("device", {**ScriptedBoard().device, "wire": EVIL})],
        [f"{EVIL}\n".encode() * 20],
        pytest.param(
            [ScriptedBoard().device_line(), encode_note("reply", {"to": "start", "ok": False, "why": EVIL})],
            marks=pytest.mark.slow,  # it waits for rows
        ),
    ],
    ids=["reply", "note", "stranger", "refusal"],
)
def test_what_a_board_says_commands_no_terminal(
    tmp_path: Path, lines: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    # a stranger gives no answer, however long it is waited for
    monkeypatch.setattr("undertray.acquire.link.heard", partial(heard, patience_s=0.3))
    monkeypatch.setattr("undertray.acquire.recorder.Patience", partial(Patience, answer_s=0.3))
    with tcp_board(says(*lines)) as url:
        text = printed("record", "--port", url, "--out", tmp_path / "run.csv")
    assert harmless(text), repr(text)


# what the live view itself sends: colours and weight, up, clear the line, hide and show the cursor, CR
_OWN = re.compile("\x1b\\[[0-9;]*m|\x1b\\[1A|\x1b\\[2K|\x1b\\[\\?25[lh]|\r(?!\n)|\x07")


@posix
def test_the_live_view_sends_its_own_styling_and_nothing_else(tmp_path: Path) -> None:
    board = ScriptedBoard(rate_hz=500, board=EVIL[:60], firmware=EVIL[:60])

    def script(send: Send, over: threading.Event) -> None:
        send(board.device_line() + encode_note("fault", {"column": EVIL, "why": EVIL, "t_us": 1}))
        while not over.wait(0.02):
            send(b"".join(board.lines(10)))

    out = tmp_path / f"{EVIL.replace('/', '')}.csv"
    with tcp_board(script) as url:
        arguments = [
            "record",
            "--port",
            url,
            "--out",
            str(out),
            "--car",
            str(LOGS / "car.toml"),
            "--skirt",
            EVIL,
        ]
        facts = ["--mounting", "1", "--gap", EVIL, "--springs", "a", "--pack", "b", "--surface", "c"]
        facts += ["--seconds", "1.2"]
        status, seen = on_a_terminal([*UNDERTRAY, *arguments, *facts], {"XDG_CONFIG_HOME": str(tmp_path)})
    text = seen.decode()
    assert status == 0, text
    assert "\x1b[1A" in text  # it did draw in place
    assert "owned" in text
    assert harmless(_OWN.sub("", text.replace("\r\n", "\n"))), repr(text)
