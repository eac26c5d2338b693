"""The command line starts fast, and wrong usage is told apart from bad data."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest
from typer.main import get_command

from fakes.program import undertray
from undertray.cli import app


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)


def _seconds(*arguments: str) -> float:
    start = time.perf_counter()
    assert _run(*arguments).returncode == 0
    return time.perf_counter() - start


@pytest.mark.bench
def test_help_is_up_within_three_times_the_import_of_typer() -> None:
    # side by side, alternating, the best of nine: a busy machine slows both alike
    pairs = [(_seconds("-m", "undertray", "--help"), _seconds("-c", "import typer")) for _ in range(9)]
    assert min(p[0] for p in pairs) < 3 * min(p[1] for p in pairs)


def test_help_loads_none_of_the_heavy_libraries() -> None:
    code = (
        "import sys\nfrom undertray.cli import app\n"
        "from typer.testing import CliRunner\nassert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        "print([m for m in ('numpy', 'pandas', 'matplotlib', 'serial') if m in sys.modules])"
    )
    assert _run("-c", code).stdout.strip() == "[]"


@pytest.mark.parametrize("group", [[], ["board"]])
def test_no_line_in_the_list_of_commands_is_cut_off(group: list[str]) -> None:
    listed = undertray(*group, "--help").stdout.partition("Commands:" if group else "Try it")[2].splitlines()
    assert len(listed) >= 2
    assert not [line for line in listed if line.endswith("...")]


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["reduce"], 2),
        (["record", "--nonsense"], 2),
        (["no-such-command"], 2),
        (["virtual", "--listen", "nonsense"], 2),
        (["virtual", "--listen", "127.0.0.1:0", "--engine", "nonsense"], 2),
        (["--version"], 0),
    ],
)
def test_exit_status(arguments: list[str], status: int) -> None:
    assert undertray(*arguments).returncode == status


def test_bad_data_is_one_line_on_stderr_and_status_1() -> None:
    done = _run("-m", "undertray", "reduce", "no-such-run.csv", "--car", "no-such-car.toml")
    assert done.returncode == 1
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("undertray: ")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_virtual_board_ends_on_either_signal_although_the_shell_ignores_one(number: int) -> None:
    code = (
        "import os, signal, sys; signal.signal(signal.SIGINT, signal.SIG_IGN); "
        "os.execv(sys.executable, [sys.executable, *sys.argv[1:]])"
    )
    words = ("-m", "undertray", "virtual", "--listen", "127.0.0.1:0", "--engine", "twin")
    with subprocess.Popen([sys.executable, "-c", code, *words], stderr=subprocess.PIPE, text=True) as served:
        assert served.stderr is not None
        assert served.stderr.readline().startswith("virtual board on socket://")
        served.send_signal(number)
        assert served.wait(timeout=60) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="process groups of POSIX")
def test_ctrl_c_at_the_terminal_ends_the_virtual_board_without_a_traceback() -> None:
    words = ("-m", "undertray", "virtual", "--listen", "127.0.0.1:0", "--engine", "twin")
    with subprocess.Popen(
        [sys.executable, *words], stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as served:
        assert served.stderr is not None
        assert served.stderr.readline().startswith("virtual board on socket://")
        os.killpg(served.pid, signal.SIGINT)  # a terminal tells every program of the group
        assert served.stderr.read() == ""
        assert served.wait(timeout=60) == 0


def test_every_command_has_an_example_in_its_help() -> None:
    commands = [
        [name, *filter(None, [below])]
        for name, command in get_command(app).commands.items()
        for below in getattr(command, "commands", [""])
    ]
    assert len(commands) >= 19
    assert [c for c in commands if "Example: undertray" not in undertray(*c, "--help").stdout] == []
