"""``undertray board check`` on what a pin may get: analogue outputs and the pack's divider."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fakes.parts import board_of
from firmware.runs import BOARD
from undertray.board.check import check_board
from undertray.board.rehearsal import Finding, Weight


def check(folder: Path, board: Any) -> list[Finding]:
    path = folder / "board.json"
    path.write_text(json.dumps(board), encoding="utf-8")
    return check_board(path)


@pytest.mark.parametrize("port", ["low", "high"])
@pytest.mark.parametrize(
    ("keys", "volts"),
    [
        # derived: 0.9 of the supply at most (data sheet: 4.5 V of 5 V), over the divider
        ({}, "4.5 V"),
        ({"divider": 1}, "4.5 V"),
        ({"divider": 1.37}, "3.3 V"),
        ({"divider": 1.4, "supply_mv": 5400}, "3.5 V"),
        ({"divider": 1.4}, None),
        ({"divider": 1.5, "supply_mv": 5500}, None),
    ],
)
def test_an_analogue_output_that_gives_its_pin_too_much(
    tmp_path: Path, port: str, keys: dict[str, Any], volts: str | None
) -> None:
    column = {"part": "MPXV7002DP", "adc_pin": 26, "port": port, **keys}
    told = [f for f in check(tmp_path, board_of([column])) if "may give its pin" in f.what]
    assert [f.weight for f in told] == ([Weight.FAULT] if volts else [])
    assert all(f"{volts}, on either port" in f.what and "20 kΩ" in f.remedy for f in told)


def test_a_divider_that_no_resistors_make(tmp_path: Path) -> None:
    told = check(tmp_path, {**BOARD, "pack": {"adc_pin": 26, "divider": 6.57}})
    (found,) = (finding for finding in told if finding.where == "pack")
    assert "'divider' 6.57" in found.what
    assert found.weight is Weight.WARNING
    assert "51 kΩ (6.1), and no pack above 18.5 V" in found.what
    assert "'correction'" in found.remedy
    for pack in ({"divider": 6.1, "correction": 1.077}, {"divider": 9.2}, {"divider": 13}):
        assert not [
            f for f in check(tmp_path, {**BOARD, "pack": {"adc_pin": 26, **pack}}) if "pack" in f.where
        ]
