"""The board in real time behind pipes, as ``undertray virtual`` starts it."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from firmware.runs import FIRMWARE, engines
from undertray.acquire.wire import Bad, Row, WireNote, parse_line
from undertray.virtual import server

ROWS = 150


@engines
def test_streams_from_power_up_answers_and_ends_with_its_input(tmp_path: Path, engine: str) -> None:
    (tmp_path / "scenario.json").write_text(json.dumps({"suction_pa": [900] * 4}), encoding="utf-8")
    argv, env = server.command(engine, tmp_path / "scenario.json", FIRMWARE / "board.json", tmp_path)
    with subprocess.Popen(
        argv, env=env, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(b"info\r\n")
        process.stdin.flush()
        parsed = []
        while sum(isinstance(item, Row) for item in parsed) < ROWS:
            line = process.stdout.readline()
            assert line.endswith(b"\n"), process.stderr.read()
            assert not line.endswith(b"\r\n")
            parsed.append(parse_line(line[:-1]))
        process.stdin.close()
        process.stdout.read()
        assert process.wait(30) == 0, process.stderr.read()
    assert not [item for item in parsed if isinstance(item, Bad)]
    assert isinstance(parsed[0], WireNote)
    assert {item.kind for item in parsed if isinstance(item, WireNote)} >= {"device", "reply"}
    seqs = [item.seq for item in parsed if isinstance(item, Row)]
    assert seqs == sorted(set(seqs))
