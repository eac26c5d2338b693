"""``undertray board check``: each rule by a board that breaks it, and figures computed elsewhere."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fakes.cells import thinned
from fakes.parts import FAMILIES, LAYOUTS, all_families, board_of
from fakes.program import CliRunner
from firmware.runs import BOARD, FIRMWARE
from firmware.test_board_json import CASES
from firmware.test_mux import sixteen
from undertray.board.check import check_board, largest_suction_pa, needed_suction_pa
from undertray.board.rehearsal import Finding, Weight, rehearse
from undertray.board.timing import largest_rate_hz, row_bytes, slot_time, wire_us
from undertray.cli import app
from undertray.errors import BoardError
from undertray.reduce.car import Car, Tap

HSC = {"part": "HSC", "range": "040MD", "bus": 0, "address": "0x28"}


def car(**changes: Any) -> Car:
    """400 x 200 mm, 2 kg, level load: an invented one."""
    given: dict[str, Any] = {
        "name": "invented",
        "mass_kg": 2.0,
        "wheelbase_mm": 300.0,
        "front_weight": 0.5,
        "floor_mm": ((-50.0, -100.0), (350.0, -100.0), (350.0, 100.0), (-50.0, 100.0)),
        "taps": (Tap("middle", "p1", 150.0, 0.0),),
    }
    return Car(**{**given, **changes})


def check(folder: Path, board: Any, car: Car | None = None, baud: int | None = None) -> list[Finding]:
    path = folder / "board.json"
    path.write_text(board if isinstance(board, str) else json.dumps(board), encoding="utf-8")
    return check_board(path, car, baud)


def about(findings: list[Finding], words: str) -> Finding:
    found = [finding for finding in findings if words in finding.what]
    assert len(found) == 1, (words, findings)
    return found[0]


def faults(findings: list[Finding]) -> list[str]:
    return [finding.what for finding in findings if finding.weight is Weight.FAULT]


def test_it_says_how_long_a_kept_drive_may_be_and_what_that_costs(tmp_path: Path) -> None:
    def said(**store: Any) -> str:
        return about(check(tmp_path, {**BOARD, "store": store}), "is kept in").what

    # derived: 30 bits a row of four columns are 750 bytes a second at 200 Hz. 79 kB of memory; 100 sectors of
    # 15 pages, of which 224 bytes each are rows
    assert "about 105 s is kept in memory" in said(where="memory")
    assert "about 448 s is kept in flash" in said(where="flash", sectors=100)
    # 750 / 224 pages a second, each flags one row of 200
    assert "3.3 pages a second" in said(where="flash")
    assert "1.7% of the rows" in said(where="flash")
    assert not [f for f in check(tmp_path, {**BOARD, "store": None}) if "is kept in" in f.what]
    # measured on the emulated board (tests/board): 900 rows a second are kept without a gap, 1000 are not
    for rate_hz, fits in ((900, True), (1000, False)):
        found = check(tmp_path, {**BOARD, "rate_hz": rate_hz, "store": {}})
        assert (not [f for f in found if "packing takes time" in f.what]) == fits


def test_each_link_is_judged_by_its_own_speed(tmp_path: Path) -> None:
    def said(baud: int, rate_hz: int = 200) -> Finding:
        link = {"kind": "uart", "uart": 0, "tx_pin": 0, "rx_pin": 1, "baud": baud}
        found = check(tmp_path, {**BOARD, "rate_hz": rate_hz, "links": [link]})
        return next(finding for finding in found if finding.where == "links[0]")

    # A row of four HSC has 5 + 1 + 10 + 1 + 4 + 1 + 3 + 4 commas + 4 x 5 digits + 5 + 1 = 55 bytes; with
    # a status note 55 x 200 + 400 = 11,400 a second; at ten bits a byte, a tenth left free: 126,667 baud.
    assert said(230_400).weight is Weight.NOTE
    assert "49% of 230400 baud" in said(230_400).what
    slow = said(115_200)
    assert slow.weight is Weight.FAULT
    assert "99% of 115200 baud" in slow.what
    assert slow.remedy == "at most 181 Hz, or 'baud' 230400 or more (a radio must carry it too)"
    assert said(115_200, 181).weight is Weight.NOTE
    assert said(115_200, 182).weight is Weight.FAULT
    wifi = {"kind": "wifi", "name": "pit", "password": "not so secret"}
    found = check(tmp_path, {**BOARD, "alarm": None, "links": [wifi]})
    assert "nobody has measured" in next(f.what for f in found if f.where == "links[0]")
    assert "not so secret" not in repr(found)


def test_a_number_of_too_many_digits_is_told(tmp_path: Path) -> None:
    (found,) = check(tmp_path, '{"format": ' + "1" * 5000 + "}")
    assert found.remedy == "a number has too many digits: write fewer"


def test_the_firmwares_own_board_and_all_families_have_no_fault(tmp_path: Path) -> None:
    assert faults(check_board(FIRMWARE / "board.json")) == []
    assert faults(check(tmp_path, all_families())) == []
    for family, columns in FAMILIES.items():
        assert faults(check(tmp_path, board_of(columns))) == [], family


@pytest.mark.parametrize(("given", "words"), thinned(2, CASES))
def test_what_the_board_refuses_is_refused_here_in_its_own_words(
    tmp_path: Path, given: Any, words: str
) -> None:
    """The same cases with which the firmware's own reading is tested on the board's interpreter."""
    found = check(tmp_path, given)
    assert any(words in finding.what for finding in found)
    assert all(finding.weight is Weight.FAULT for finding in found)
    assert all(finding.remedy for finding in found)


@pytest.mark.parametrize(
    ("old", "new", "remedy"),
    [
        ('"divider": 6.1', '"divider": 6,1', "write 6.1 with a decimal point, not 6,1"),
        (
            '"rate_hz": 200,',
            '"rate_hz": 200',
            "look at line 5, column 3, and at the end of the line before it",
        ),
        ('"rate_hz"', '"rate"', "the board refuses it: correct this entry; wiring/board.md lists every key"),
    ],
)
def test_a_slip_in_the_file_comes_with_what_to_do(tmp_path: Path, old: str, new: str, remedy: str) -> None:
    text = (FIRMWARE / "board.json").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (finding,) = check(tmp_path, text.replace(old, new))
    assert finding.remedy == remedy


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match=r"cannot be read.*firmware/board\.json"):
        check_board(tmp_path / "none.json")


@pytest.mark.parametrize(
    ("freq_khz", "payloads", "times_us"),
    [
        # Computed from the frame of UM10204: start, nine bits a byte with the address, stop.
        (100, (1, 2, 3, 4, 6, 7, 9), (200, 290, 380, 470, 650, 740, 920)),
        (400, (1, 2, 3, 4, 6, 7, 9), (50, 72.5, 95, 117.5, 162.5, 185, 230)),
        (1000, (1, 2, 3, 4, 6, 7, 9), (20, 29, 38, 47, 65, 74, 92)),
    ],
)
def test_wire_time(freq_khz: float, payloads: tuple[int, ...], times_us: tuple[float, ...]) -> None:
    assert [wire_us(n, freq_khz) for n in payloads] == pytest.approx(times_us)


def _times(tmp_path: Path, board: dict[str, Any]) -> tuple[float, float]:
    """Shortest and longest settled slot on the wire, us."""
    path = tmp_path / "board.json"
    path.write_text(json.dumps(board), encoding="utf-8")
    told = rehearse(path)
    times = [slot_time(slot, told).wire_us for slot in told.slots[3:]]
    return min(times), max(times)


def test_slots_are_what_the_drivers_send(tmp_path: Path) -> None:
    # derived: four reads of 2 bytes, and of 4 in the slot with the temperature
    assert _times(tmp_path, BOARD) == pytest.approx((4 * 72.5, 4 * 117.5))
    # derived: each column behind a multiplexer switches it first (1 byte)
    muxed = board_of([{**HSC, "mux": ["0x70", n]} for n in range(4)], muxes=[{"bus": 0, "address": "0x70"}])
    assert _times(tmp_path, muxed) == pytest.approx((4 * 122.5, 4 * 167.5))
    # derived: seven bytes and a command of three
    abp2 = board_of([{"part": "ABP2", "range": "010ND", "bus": 0, "address": "0x28"}], rate_hz=150)
    assert _times(tmp_path, abp2) == pytest.approx((280, 280))
    # derived: fetch (1), three bytes, convert (1)
    raw = board_of([{"part": "MS5525DSO", "range": "001DS", "bus": 0, "address": "0x76"}])
    assert _times(tmp_path, raw) == pytest.approx((195, 195))


def test_a_slot_that_does_not_fit(tmp_path: Path) -> None:
    slow = board_of(
        [
            {"part": "SDP3x", "range": "1500Pa", "bus": 0, "address": "0x21", "mux": ["0x70", n]}
            for n in range(8)
        ],
        muxes=[{"bus": 0, "address": "0x70"}],
        buses=[{"bus": 0, "sda_pin": 4, "scl_pin": 5, "freq_khz": 100}],
    )
    found = about(check(tmp_path, slow), "the longest slot takes")
    assert found.weight is Weight.FAULT
    # derived: eight times 200 and 920 us
    assert "8960 µs on the wire" in found.what
    assert "179%" not in found.what
    assert "freq_khz 400" in found.remedy
    rate = int(found.remedy.split(" Hz")[0].rsplit(" ", 1)[1])
    slow["rate_hz"] = rate
    assert about(check(tmp_path, slow), "the longest slot takes").weight is not Weight.FAULT
    # four such parts hold about 1280 Hz on the emulated board
    for rate_hz, weight in ((1000, Weight.NOTE), (1250, Weight.WARNING), (1500, Weight.FAULT)):
        fast = {**BOARD, "rate_hz": rate_hz}
        assert about(check(tmp_path, fast), "the longest slot takes").weight is weight


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_largest_rate_is_that_of_the_emulated_board(tmp_path: Path, name: str) -> None:
    given, holds_hz = LAYOUTS[name]
    path = tmp_path / "board.json"
    # Parts that are triggered are asked more seldom than every slot when they are asked fast.
    path.write_text(json.dumps({**given, "rate_hz": holds_hz}), encoding="utf-8")
    # pinned: found on the emulated board, to 4 %; 15 % is what the check states
    assert largest_rate_hz(rehearse(path)) == pytest.approx(holds_hz, rel=0.15)


def test_a_part_that_cannot_keep_up_is_named(tmp_path: Path) -> None:
    abp2 = {"part": "ABP2", "range": "010ND", "bus": 0, "address": "0x28"}
    found = about(check(tmp_path, board_of([abp2], rate_hz=400)), "new values a second")
    assert found.weight is Weight.WARNING
    # derived: 4.9 ms a conversion, begun 0.3 ms after a slot of 2.5 ms does: over in the third one after it
    assert int(found.what.split("about ")[1].split()[0]) == pytest.approx(400 / 3, rel=0.03)
    calm = check(tmp_path, board_of([abp2], rate_hz=180))
    assert not [finding for finding in calm if "new values" in finding.what]


def test_an_accelerometer_slower_than_the_rows_is_named(tmp_path: Path) -> None:
    part = {"part": "LIS3DH", "bus": 0, "address": "0x19", "odr_hz": 100}
    found = about(check(tmp_path, {**BOARD, "accelerometer": part}), "readings a second")
    assert (found.weight, found.where) == (Weight.WARNING, "accelerometer")
    assert "50% of the rows" in found.what  # 100 of 200
    fast = check(tmp_path, {**BOARD, "accelerometer": {**part, "odr_hz": 200}})
    assert not [finding for finding in fast if "readings a second" in finding.what]


def test_the_link(tmp_path: Path) -> None:
    assert about(check(tmp_path, BOARD, baud=115_200), "a row").weight is Weight.NOTE
    slow = about(check(tmp_path, BOARD, baud=57_600), "a row")
    assert slow.weight is Weight.FAULT
    rate = int(slow.remedy.split(" Hz")[0].rsplit(" ", 1)[1])
    assert about(check(tmp_path, {**BOARD, "rate_hz": rate}, baud=57_600), "a row").weight is Weight.NOTE
    rows = rehearse(FIRMWARE / "board.json")
    # derived: seq 5, t 10, throttle 4, flags 3 and four counts of 5 digits, 8 commas, check 4, line feed
    assert row_bytes(rows) == 5 + 10 + 4 + 3 + 4 * 5 + 8 + 4 + 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"throttle": {**BOARD["throttle"], "pin": 23}}, "pin 23 is not on the edge of a Pico"),
        ({"throttle": {**BOARD["throttle"], "pin": 24}}, "pin 24 is not on the edge"),
        ({"pack": {"adc_pin": 29, "divider": 6}}, "adc_pin 29 is not on the edge"),
        (
            {"alarm": {**BOARD["alarm"], "led_pin": 2}, "throttle": {**BOARD["throttle"], "pin": 25}},
            "pin 25 is not on the edge",
        ),
    ],
)
def test_pins_that_a_pico_has_not(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    found = about(check(tmp_path, {**BOARD, **change}), words)
    assert found.weight is Weight.FAULT
    assert "0 to 22" in found.remedy


def test_addresses_a_family_does_not_come_with(tmp_path: Path) -> None:
    odd = board_of([{**HSC, "address": "0x29"}, {**HSC, "address": "0x78"}])
    found = check(tmp_path, odd)
    assert about(found, "does not come with the address 0x29").weight is Weight.WARNING
    assert "'scan' stops at 0x77" in about(found, "address 0x78 is reserved").what
    assert faults(found) == []


def test_needed_suction_against_the_trades_own_example() -> None:
    # Common practice, no source: 10 lbf over 120 square inches is 0.0833 psi, 2.31 inH2O.
    inch = 25.4
    floor = ((0.0, -6 * inch), (10 * inch, -6 * inch), (10 * inch, 6 * inch), (0.0, 6 * inch))
    given = car(
        mass_kg=10 * 0.45359237,
        wheelbase_mm=10 * inch,
        floor_mm=floor,
        taps=(Tap("middle", "p1", 5 * inch, 0.0),),
    )
    assert needed_suction_pa(given) == pytest.approx(10 / 120 * 6894.757, rel=1e-6)
    assert needed_suction_pa(given) == pytest.approx(2.31 * 249.089, rel=2e-3)


def test_the_axle_that_needs_most_counts() -> None:
    # derived: even suction gives each axle half the force, the front needs 0.7 of the weight
    assert needed_suction_pa(car(front_weight=0.7)) == pytest.approx(2 * 9.80665 * 0.7 / (0.08 * 0.5))
    assert needed_suction_pa(car(allowance=0.5)) == pytest.approx(2 * 9.80665 * 1.5 / 0.08)
    assert needed_suction_pa(car(surface_angle_deg=0.0)) == 0


def test_ranges_against_a_car(tmp_path: Path) -> None:
    # 245 Pa even suction is needed by this car
    narrow = board_of([{"part": "SDP8xx", "range": "125Pa", "bus": 0, "address": "0x25"}])
    found = about(check(tmp_path, narrow, car()), "ends at 125 Pa, the car needs 245 Pa")
    assert found.weight is Weight.FAULT
    tight = board_of([{"part": "SDP8xx", "range": "500Pa", "bus": 0, "address": "0x25"}])
    # a good floor gives 2 to 2.5 times its need: 500 Pa are 1.2, 2.04 and 2.55 times, 4000 Pa are enough
    for mass_kg, times in ((3.5, "1.2"), (2.0, "2.0")):
        heavy = about(check(tmp_path, tight, car(mass_kg=mass_kg)), f"{times} times what the car needs")
        assert heavy.weight is Weight.WARNING
        assert "saturates" in heavy.what
        assert heavy.remedy == f"a part that reaches {2.5 * mass_kg * 9.80665 / 0.08:.0f} Pa or more"
    assert not [f for f in check(tmp_path, tight, car(mass_kg=1.6)) if f.where.startswith("columns")]
    wide = board_of([{**HSC, "range": "060MD"}])
    assert about(check(tmp_path, wide, car()), "24 times what the car needs").weight is Weight.WARNING


def test_a_port_from_which_no_suction_comes(tmp_path: Path) -> None:
    gauge = {**HSC, "range": "040MG"}
    found = about(check(tmp_path, board_of([{**gauge, "port": "high"}])), "shows no suction at all")
    assert found.weight is Weight.FAULT
    # on 'low', which is what a description says that leaves the port out, it is the vent that is named
    for part in (gauge, {**HSC, "part": "DLVR", "range": "L10G"}, {**HSC, "part": "ABP2", "range": "010NG"}):
        found = about(check(tmp_path, board_of([part])), "is a gauge part")
        assert found.weight is Weight.FAULT
        assert "the wrong way round" in found.what
    bare = {"part": "MPXV7002DP", "adc_pin": 26}
    split = {**bare, "divider": 1.5}
    given = car(mass_kg=8.0)
    found = about(check(tmp_path, board_of([bare]), given), "ends at 800 Pa")
    assert "'divider': 1.5" in found.remedy
    assert faults(check(tmp_path, board_of([split]), given)) == []


def test_largest_suction_is_the_range_of_the_part(tmp_path: Path) -> None:
    pa = {"HSC-A": 4000, "SDP3x": 1500, "ABP2": 2490.89, "MS4525DO-B": 6894.757, "MS5525DSO": 6894.757}
    for family, largest in pa.items():
        path = tmp_path / "board.json"
        path.write_text(json.dumps(board_of(FAMILIES[family])), encoding="utf-8")
        for column in rehearse(path).columns:
            # a whole count at the end of the range
            step_pa = column["scale"].get("pa_per_count", 0.0)
            assert largest_suction_pa(column) == pytest.approx(largest, abs=step_pa + 1e-6)


def test_alarm_and_taps_against_a_car(tmp_path: Path) -> None:
    given = car(taps=(Tap("middle", "p9", 150.0, 0.0),))
    found = check(tmp_path, {**BOARD, "alarm": {**BOARD["alarm"], "alarm_pa": 100}}, given)
    assert about(found, "alarm_pa 100 is below the 245 Pa").weight is Weight.WARNING
    assert about(found, "tap 'middle' is read from column p9").weight is Weight.FAULT
    assert about(found, "no tap is read from column p1").weight is Weight.WARNING
    # it lets go at its bare weight: what is kept in hand beside it is no fall
    spare = car(allowance=0.5)
    for alarm_pa, said, weight in (
        (200, "alarm_pa 200 is below the 245 Pa at which the car lets go", Weight.WARNING),
        (300, "lies between the 245 Pa at which the car lets go and the 368 Pa it needs", Weight.NOTE),
    ):
        found = check(tmp_path, {**BOARD, "alarm": {**BOARD["alarm"], "alarm_pa": alarm_pa}}, spare)
        assert about(found, said).weight is weight
    never = check(tmp_path, {**BOARD, "alarm": {**BOARD["alarm"], "alarm_pa": 4500}})
    assert about(never, "never off").weight is Weight.FAULT


def test_more_columns_than_the_stream_can_describe(tmp_path: Path) -> None:
    assert about(check(tmp_path, sixteen()), "too many columns: device note of").weight is Weight.FAULT
    eleven = sixteen()
    eleven["columns"] = eleven["columns"][:11]
    assert faults(check(tmp_path, eleven)) == []


def test_the_command(tmp_path: Path) -> None:
    run = CliRunner()
    good = run.invoke(app, ["board", "check", str(FIRMWARE / "board.json")])
    assert good.exit_code == 0
    assert good.stdout.splitlines()[-1].startswith("0 faults")
    path = tmp_path / "board.json"
    path.write_text(
        json.dumps({**BOARD, "buses": [{"bus": 0, "sda_pin": 5, "scl_pin": 4}]}), encoding="utf-8"
    )
    bad = run.invoke(app, ["board", "check", str(path)])
    assert bad.exit_code == 1
    assert "fault: board.json: buses[0]: sda_pin 5 is no pin of bus 0" in bad.stdout
    assert "    do: " in bad.stdout
