"""From a pressure on a virtual part through driver, wire and host to the same pressure again."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.cells import thinned
from fakes.parts import FAMILIES, all_families, board_of
from firmware.runs import needs_micropython, notes, simulate
from undertray.acquire.device import Device
from undertray.acquire.runlog import Note
from undertray.acquire.wire import Bad, Row, WireNote, parse_line
from undertray.calibrate.scale import NominalSuction, nominal_suction_pa

pytestmark = needs_micropython


def decoded(lines: list[bytes]) -> tuple[Device, list[Row], NominalSuction]:
    """What the host makes of a stream."""
    parsed = [parse_line(line) for line in lines[:-1]]
    assert not [item for item in parsed if isinstance(item, Bad)]
    rows: list[Row] = []
    found: list[Note] = []
    for item in parsed:
        if isinstance(item, Row):
            rows.append(item)
        elif isinstance(item, WireNote):
            found.append(Note(0, item.kind, item.data, len(rows)))
    device = Device.from_note(next(note.data for note in found if note.kind == "device"))
    counts = np.array([[np.nan if c is None else c for c in row.counts] for row in rows])
    return device, rows, nominal_suction_pa(counts, device.columns, found)


def lsb_pa(column: dict[str, Any]) -> float:
    """One step of a part in Pa."""
    if column["part"] == "MPXV7002DP":
        return float(column["scale"]["pa_per_count"]) * 16  # read_u16 stretches 12 bits to 16
    if column["part"] == "MS5525DSO":
        # derived: one step of D1 at SENS = C1 * 2**15 and a tenth of it for one step of D2 (dP/dD2)
        return 36402 * 2.0 ** (15 - 36) * 0.6894757 * 1.1 + 0.01
    return float(column["scale"]["pa_per_count"])


@pytest.mark.parametrize("family", thinned(5, FAMILIES))
def test_pressure_comes_back_within_one_step(tmp_path: Path, family: str) -> None:
    for n, (low, high) in enumerate([(481.3, 123.4), (-250.7, 499.1)]):
        lines = simulate(
            tmp_path / str(n), board=board_of(FAMILIES[family]), suction_pa=[low, high], end_us=1_600_000
        )
        device, rows, nominal = decoded(lines)
        assert [column.port for column in device.columns] == ["low", "high"]
        assert notes(lines, "fault") == []
        assert len(rows) > 200
        told = notes(lines, "device")[0]["columns"]
        values = nominal.suction_pa[20:]
        for i, pa in enumerate((low, high)):
            assert np.abs(values[:, i] - pa).max() <= lsb_pa(told[i]), (family, i)
        assert not nominal.out_of_range[20:].any()


@pytest.mark.parametrize("family", thinned(5, FAMILIES))
def test_the_temperature_travels_once_a_second(tmp_path: Path, family: str) -> None:
    lines = simulate(tmp_path, board=board_of(FAMILIES[family]), suction_pa=[100, 100], end_us=2_600_000)
    status = notes(lines, "status")
    assert len(status) == 2
    if family == "MPXV7002DP":
        assert status[-1]["temperature_c"] == [None, None]
        return
    # the worst step is the 11 bits of the 14-bit parts: 0.1 K, floored
    assert status[-1]["temperature_c"] == pytest.approx([25.0, 25.0], abs=0.1)
    if family == "MS5525DSO":
        # computed with the data sheet's coefficients at 25 degC: dT = 500 * 2**21 / 21917
        assert status[-1]["second"] == [29854 * 128 + 47843] * 2
    else:
        assert "second" not in status[-1]


ON_A_BUS = [f for f in FAMILIES if FAMILIES[f][0]["part"] != "MPXV7002DP"]


@pytest.mark.parametrize("family", thinned(5, ON_A_BUS))
def test_one_dead_part_leaves_the_other_alone(tmp_path: Path, family: str) -> None:
    lines = simulate(
        tmp_path,
        board=board_of(FAMILIES[family]),
        suction_pa=[300, 400],
        end_us=3_000_000,
        faults=[
            {"at_us": 700_000, "column": 0, "fault": "absent"},
            {"at_us": 1_500_000, "column": 0, "fault": None},
            {"at_us": 1_500_000, "column": 0, "restart": True},
        ],
    )
    _, rows, nominal = decoded(lines)
    t_us = np.array([row.t_us for row in rows])
    dead = (t_us > 710_000) & (t_us < 1_490_000)
    assert np.isnan(nominal.suction_pa[dead, 0]).all()
    assert not np.isnan(nominal.suction_pa[20:, 1]).any()
    # asked once a second, so it is back one second after it came at the latest, and settled soon after
    assert np.nanmax(np.abs(nominal.suction_pa[t_us > 2_600_000, 0] - 300)) < 5
    assert not np.isnan(nominal.suction_pa[t_us > 2_700_000, 0]).any()
    faults = notes(lines, "fault")
    assert {fault["why"] for fault in faults} <= {"nack", "part"}
    assert {fault["column"] for fault in faults} == {"p1"}


def _without_free_bytes(line: bytes) -> bytes:
    return re.sub(rb'"free_bytes":\d+', b"", line[:-5]) if b'"free_bytes":' in line else line


def test_all_families_on_one_board_and_the_twin_sends_the_same(tmp_path: Path) -> None:
    suction = [1000.0, 500.0, 800.0, 900.0, 1100.0, 300.0, 600.0, 700.0]
    both = [
        simulate(tmp_path / engine, engine, all_families(), suction_pa=suction, end_us=1_300_000)
        for engine in ("micropython", "twin")
    ]
    whole = min(len(lines) for lines in both) - 1
    assert whole > 200
    assert [_without_free_bytes(line) for line in both[0][:whole]] == [
        _without_free_bytes(line) for line in both[1][:whole]
    ]
    _, _, nominal = decoded(both[0])
    told = notes(both[0], "device")[0]["columns"]
    for i, pa in enumerate(suction):
        assert np.abs(nominal.suction_pa[20:, i] - pa).max() <= lsb_pa(told[i]), told[i]["part"]


def test_a_compensated_part_that_came_late_is_missing_and_spoils_nothing(tmp_path: Path) -> None:
    """Its coefficients are not in the board's description, so its words must not be in the rows."""
    lines = simulate(
        tmp_path,
        board=board_of(FAMILIES["MS5525DSO"]),
        suction_pa=[300, 400],
        end_us=3_000_000,
        faults=[{"at_us": 0, "column": 0, "fault": "absent"}, {"at_us": 900_000, "column": 0, "fault": None}],
    )
    _, rows, nominal = decoded(lines)
    assert len(rows) > 400
    assert np.isnan(nominal.suction_pa[:, 0]).all()
    assert np.abs(nominal.suction_pa[20:, 1] - 400).max() < 0.1
    assert {fault["column"] for fault in notes(lines, "fault")} == {"p1"}
