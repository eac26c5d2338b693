"""What is printed gets out on any encoding; where it cannot, that is one line."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from fakes.cells import few
from fakes.program import undertray

LOGS = Path(__file__).parents[2] / "demo_logs"
FULL = Path("/dev/full")
_PRINTS = "import sys\nfrom undertray.cli.streams import print_for_people\nprint_for_people()\n"


def _printed(text: str, encoding: str) -> bytes:
    done = subprocess.run(
        [sys.executable, "-c", f"{_PRINTS}print({text!a})"],
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
        capture_output=True,
        check=True,
    )
    return done.stdout.rstrip()


def _run(
    *arguments: str, encoding: str = "utf-8", out: int = subprocess.PIPE
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "undertray", *arguments],
        env={**os.environ, "PYTHONIOENCODING": encoding},
        stdout=out,
        stderr=subprocess.PIPE,
        check=False,
    )


@pytest.mark.parametrize(
    ("text", "encoding", "expected"),
    [
        ("\u221216.8 N \xb10.3", "cp1252", "-16.8 N \xb10.3".encode("cp1252")),
        ("\u221216.8 N \xb10.3 at 5 \xb5s\u2026", "ascii", b"-16.8 N +/-0.3 at 5 us..."),
        ("10 k\u03a9, 20 \xb0", "ascii", b"10 kOhm, 20 deg"),
        ("Bj\xf6rn \u65e5 \udcff", "ascii", b"Bjorn ? ?"),
        ("\u2212 \xb1 \u65e5 \udcff", "utf-8", "\u2212 \xb1 \u65e5 ?".encode()),
    ],
)
def test_what_an_encoding_lacks_becomes_something_readable(text: str, encoding: str, expected: bytes) -> None:
    assert _printed(text, encoding) == expected


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_the_line_of_the_skirt_that_let_go_comes_out_on_any_encoding(encoding: str) -> None:
    runs = [str(LOGS / f"{name}.csv") for name in ("clean-hold", "front-fold")]
    done = undertray("compare", *runs, "--car", LOGS / "car.toml", encoding=encoding)
    assert done.returncode == 0
    assert re.search(r"^held with certainty +\S+ of 1.* 0 of 1, 1 did not$", done.stdout, re.M)
    assert re.search(r"^least margin .* -\d+\.\d N$", done.stdout, re.M)


@pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    ("arguments", "unbuffered"),
    few(
        [
            ["column", "60 mm"],  # less than a buffer: fails at the end
            ["inspect", str(LOGS / "hose-off.csv"), "--json"],
            ["target", "--car", str(LOGS / "car.toml")],
            ["--help"],
        ],
        ["", "1"],
    ),
)
def test_a_full_disk_is_one_line(
    arguments: list[str], unbuffered: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONUNBUFFERED", unbuffered)
    with FULL.open("wb") as full:
        done = _run(*arguments, out=full.fileno())
    assert done.returncode == 1
    assert done.stderr.count(b"\n") == 1
    assert done.stderr.startswith(b"undertray: the output cannot be written (No space left on device)")


def test_a_reader_that_goes_away_is_met_in_silence() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = _run("column", "60 mm", out=writing)
    os.close(writing)
    assert done.returncode == 1
    assert done.stderr == b""


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
@pytest.mark.parametrize("columns", [40, 80])
def test_a_terminal_cuts_no_word(columns: int) -> None:
    from fakes.terminal import on_a_terminal

    sentence = (
        "  the front axle had less than it takes to stay on, 3.99 s in all, at worst 12.9 N short of it"
    )
    code = (
        f"{_PRINTS}print({sentence!r}); print('short'); print('12345 > ', end='', flush=True); print();"
        f"print('say ', end=''); print({sentence.strip()!r})"
    )
    status, sent = on_a_terminal([sys.executable, "-c", code], size=(columns, 24))
    lines = sent.decode().replace("\r", "").splitlines()
    assert status == 0
    assert max(map(len, lines)) <= columns
    assert " ".join(" ".join(lines).split()) == f"{sentence.strip()} short 12345 > say {sentence.strip()}"
    assert lines[1].startswith("    ")  # what goes on stands further in
    # what is no terminal gets the line as it is
    assert _printed(sentence, "utf-8").decode() == sentence
