"""The drawings come from board.json, show all of it, and nothing but it."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from undertray.errors import BoardError
from undertray.wiring import BoardPlan, drawings, read_plan, write_drawings
from undertray.wiring.drawing import cables
from undertray.wiring.pins import parts, wires

ROOT = Path(__file__).parents[2]
BOARD = ROOT / "firmware" / "board.json"
MARKUP = "<script>alert(1)</script>|`*"


def _board(tmp_path: Path, **changes: Any) -> Path:
    data = json.loads(BOARD.read_text(encoding="utf-8")) | changes
    path = tmp_path / "board.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def _words(svg: str) -> str:
    return " ".join(t for t in ET.fromstring(svg).itertext() if t.strip())


def test_committed_drawings_are_those_of_the_committed_board() -> None:
    for name, content in drawings(read_plan(BOARD)).items():
        committed = (ROOT / "wiring" / name).read_text(encoding="utf-8")
        assert committed == content, (
            f"{name} is stale: run 'undertray board draw firmware/board.json --out wiring'"
        )


def test_every_pin_and_address_of_the_board_is_drawn_and_listed() -> None:
    data = json.loads(BOARD.read_text(encoding="utf-8"))
    made = drawings(read_plan(BOARD))
    words = _words(made["schematic.svg"])
    pins = [bus[key] for bus in data["buses"] for key in ("sda_pin", "scl_pin")]
    pins += [data["throttle"]["pin"], data["alarm"]["buzzer_pin"], data["pack"]["adc_pin"]]
    for pin in pins:
        assert f"GP{pin}" in words
        assert f"| GP{pin} |" in made["pins.md"]
    for place, column in enumerate(data["columns"]):
        assert column["address"] in words
        assert column["note"] in _words(made["harness.svg"])
        assert f"| p{place + 1} | {column['part']} {column['range']} |" in made["pins.md"]
    # every cable of the list is found in the drawing above it
    words = _words(made["harness.svg"])
    assert all(words.count(f"W{number}") >= 2 for number in range(1, 7))


def test_a_changed_pin_changes_every_drawing_that_shows_it(tmp_path: Path) -> None:
    before = drawings(read_plan(BOARD))
    after = drawings(
        read_plan(_board(tmp_path, buses=[{"bus": 0, "sda_pin": 0, "scl_pin": 1, "freq_khz": 400}]))
    )
    assert "GP0 SDA" in _words(after["schematic.svg"])
    assert before["pins.md"] != after["pins.md"]


def test_the_pack_divider_is_made_of_the_two_resistors_named(tmp_path: Path) -> None:
    plan = read_plan(_board(tmp_path, pack={"adc_pin": 27, "divider": 6.1}))
    through = next(w.through for w in wires(plan) if w.pin == "GP27")
    upper, lower = float(through.split()[0]), float(through.split()[2])
    # derived: U_pack / U_pin = (R1 + R2) / R2
    assert (upper + lower) / lower == pytest.approx(6.1, rel=1e-12)
    # derived: 3.3 V at the pin of 51 kΩ less 5 % and 10 kΩ more 5 %: 3.3 * (48.45 + 10.5) / 10.5 = 18.53
    assert "no pack above 18.5 V" in through


# derived: as above, with 51, 82, 120 and no kΩ; 10 and 6.57 are of no resistor sold: the next below is taken
@pytest.mark.parametrize(
    ("divider", "limit_v"),
    [(6.1, 18.5), (6.57, 18.5), (9.2, 27.7), (10, 27.7), (13, 39.1), (1, 3.3)],
)
def test_the_greatest_pack_is_told_in_every_drawing_that_shows_its_divider(
    tmp_path: Path, divider: float, limit_v: float
) -> None:
    made = drawings(read_plan(_board(tmp_path, pack={"adc_pin": 26, "divider": divider})))
    for words in (_words(made["schematic.svg"]), made["pins.md"]):
        assert f"no pack above {limit_v:.1f} V" in words


@pytest.mark.parametrize("correction", [0.8, 1.077, 1.25])
def test_a_corrected_reading_leaves_resistors_and_greatest_pack_alone(
    tmp_path: Path, correction: float
) -> None:
    plain = {"adc_pin": 26, "divider": 6.1}
    wanted = drawings(read_plan(_board(tmp_path, pack=plain)))
    assert drawings(read_plan(_board(tmp_path, pack=plain | {"correction": correction}))) == wanted
    # written into the divider, a reading 7.7 % low overstates nothing either
    assert drawings(read_plan(_board(tmp_path, pack=plain | {"divider": 6.57}))) == wanted
    assert "never this limit" in wanted["pins.md"]


@pytest.mark.parametrize(("given", "upper"), [(None, "10 kΩ"), (1, "10 kΩ"), (1.5, "10 kΩ"), (2, "20 kΩ")])
def test_an_analogue_output_always_has_a_divider(tmp_path: Path, given: float | None, upper: str) -> None:
    column = {"part": "MPXV7002DP", "adc_pin": 28, "port": "high", "divider": given}
    plan = read_plan(_board(tmp_path, columns=[column]))
    through = next(w.through for w in wires(plan) if w.pin == "GP28")
    assert through == f"{upper}; 20 kΩ from the pin to GND"
    words = _words(drawings(plan)["schematic.svg"])
    assert f"GP28 analogue, {upper} 20 kΩ from the pin to GND" in words
    assert [p.what for p in parts(plan) if p.use == "divider of p1"] == [
        f"resistor {upper}, 1 %",
        "resistor 20 kΩ, 1 %",
    ]


_VALUE = re.compile(r"\d[\d.]*(?: to \d[\d.]*)? (?:kΩ|Ω|nF|µF|ml|A\b)")
_THINGS = (
    "Schottky",
    "regulator",
    "multiplexer",
    "fuse",
    "transistor",
    "buzzer",
    "pot",
    "capillary",
    "sensor",
    "accelerometer",
)


def _shown(words: str) -> set[str]:
    """Values and things that one must have to build what the words say."""
    return {*_VALUE.findall(words), *(thing for thing in _THINGS if re.search(rf"\b{thing}", words))}


def _plans(tmp_path: Path) -> dict[str, BoardPlan]:
    driving = {"throttle": {"pin": 16, "direction": "output"}, "alarm": {"led_pin": 20}, "pack": None}
    return {
        "committed": read_plan(BOARD),
        "multiplexer": read_plan(_with_mux(tmp_path)),
        "driving": read_plan(_board(tmp_path, **driving)),
        "two fans": read_plan(_two_fans(tmp_path)),
    }


@pytest.mark.parametrize("which", ["committed", "multiplexer", "driving", "two fans"])
def test_every_part_that_a_drawing_shows_is_in_the_list_of_parts(tmp_path: Path, which: str) -> None:
    plan = _plans(tmp_path)[which]
    made = drawings(plan)
    wired, _, listed = made["pins.md"].partition("## Parts")
    shown = _shown(" ".join([wired, _words(made["schematic.svg"]), _words(made["harness.svg"])]))
    assert len(shown) > 10
    if which != "multiplexer":
        shown.discard("multiplexer")  # the words of the 3V3 wire
    assert shown - _shown(listed) == set()
    values = [value for ohm in parts(plan) for value in _VALUE.findall(ohm.what)]
    # derived: as many of a resistor as the drawing has of it in series, to ground, and as pull-ups
    for value in ("18 kΩ", "51 kΩ", "1 kΩ", "330 Ω"):
        in_drawing = len(re.findall(rf"(?<![\d.]){value}", wired))
        assert values.count(value) == in_drawing, value


def test_a_board_with_a_multiplexer_has_the_parts_counted(tmp_path: Path) -> None:
    many = {part.what: part.many for part in parts(_plans(tmp_path)["multiplexer"])}
    # derived: two buses and four used outputs; six sensors, a multiplexer and the pack; one reset line
    assert many["resistor 2.2 to 4.7 kΩ"] == 2 * 2 + 2 * 4
    assert many["capacitor 100 nF"] == 6 + 1 + 1
    assert many["sensor HSC 040MD"] == 5
    assert many["multiplexer TCA9548A"] == 1


@pytest.mark.parametrize("which", ["committed", "multiplexer", "driving", "two fans"])
def test_every_part_of_the_list_is_in_the_guides_table_of_what_to_buy(tmp_path: Path, which: str) -> None:
    guide = (ROOT / "wiring" / "README.md").read_text(encoding="utf-8")
    table = guide.partition("## 1. Parts")[2].partition("\n## ")[0]
    for part in parts(_plans(tmp_path)[which]):
        assert _shown(part.what) <= _shown(table), part
    uses = [value for part in parts(_plans(tmp_path)[which]) for value in _VALUE.findall(part.what)]
    for value in set(uses):
        assert len(re.findall(rf"(?<![\d.]){value}", table)) >= uses.count(value), value
    assert all(word in guide for word in ("the pack's divider", "at most 18.5 V", "Pack out"))


def _with_mux(tmp_path: Path) -> Path:
    behind = [
        {"part": "HSC", "range": "040MD", "bus": 1, "address": "0x28", "mux": ["0x70", n], "port": "high"}
        for n in range(4)
    ]
    return _board(
        tmp_path,
        buses=[
            {"bus": 0, "sda_pin": 4, "scl_pin": 5, "freq_khz": 400},
            {"bus": 1, "sda_pin": 6, "scl_pin": 7, "freq_khz": 400},
        ],
        muxes=[{"bus": 1, "address": "0x70", "reset_pin": 9}],
        columns=[
            {"part": "HSC", "range": "040MD", "bus": 0, "address": "0x28", "note": "front"},
            *behind,
            {"part": "MPXV7002DP", "adc_pin": 28, "note": "spare"},
        ],
    )


def _two_fans(tmp_path: Path) -> Path:
    return _board(
        tmp_path,
        throttle2={"pin": 17},
        pack2={"adc_pin": 27, "divider": 6.1},
        accelerometer={"part": "LIS3DH", "bus": 0, "address": "0x19", "forward": "+x", "up": "+z"},
    )


def test_a_second_fan_its_pack_and_an_accelerometer_are_drawn_with_their_cables(tmp_path: Path) -> None:
    plan = _plans(tmp_path)["two fans"]
    made = drawings(plan)
    drawn = _words(made["schematic.svg"])
    for shown in ("second fan channel", "GP17", "second pack plus,", "GP27", "accelerometer", "LIS3DH, 0x19"):
        assert shown in drawn

    assert drawn.count("no pack above") == 2
    ends = {cable[1]: cable[0] for cable in cables(plan)}
    assert len(set(ends.values())) == len(ends)
    hung = _words(made["harness.svg"])
    for cable in (
        "receiver, second fan channel, to board",
        "second pack plus to board",
        "board to accelerometer",
    ):
        assert cable in hung
        assert hung.count(ends[cable]) == 2  # at the line, and in the list


def test_multiplexer_second_bus_and_analogue_sensor_are_drawn(tmp_path: Path) -> None:
    made = drawings(read_plan(_with_mux(tmp_path)))
    words = _words(made["schematic.svg"])
    for shown in ("multiplexer 0x70", "GP9", "SD0", "SC3", "GP6 SDA", "GP28 analogue", "own pull-ups"):
        assert shown in words
    assert "multiplexer 0x70, output 3, to p5" in _words(made["harness.svg"])
    assert "| p5 | HSC 040MD | 1 | 0x28 | 0x70, output 3 | high | low |" in made["pins.md"]


def test_markup_in_any_text_stays_text(tmp_path: Path) -> None:
    column = {"part": MARKUP, "range": MARKUP, "bus": 0, "address": "0x28", "note": MARKUP}
    made = drawings(read_plan(_board(tmp_path, name=MARKUP, columns=[column])))
    for name in ("schematic.svg", "harness.svg"):
        assert {e.tag.rsplit("}", 1)[1] for e in ET.fromstring(made[name]).iter()} <= {
            *("svg", "title", "desc", "rect", "polyline", "circle", "text"),
        }
    assert "<script" not in made["pins.md"]


@pytest.mark.parametrize(
    ("content", "part"),
    [
        ("[]", "not a JSON object"),
        ("{", "not JSON"),
        ("[" * 50000, "not JSON"),
        ('{"pack": {"divider": 6,1}}', r"line 1.*write 6\.1 with a decimal point, not 6,1"),
        ('{"columns": [{}], "pack": {"adc_pin": 26, "divider": "6"}}', r"pack: bad 'divider', got '6'"),
        ('{"columns": [{}], "pack": {"adc_pin": 26, "divider": NaN}}', r"pack: bad 'divider'"),
        (
            f'{{"columns": [{{}}], "pack2": {{"adc_pin": 26, "divider": 1{"0" * 400}}}}}',
            r"pack2: bad 'divider'",
        ),
        ('{"columns": [{"divider": 0.5}]}', r"columns 1: bad 'divider', got '0\.5'.*from 1 to 100"),
        (" " * 70000, "too long"),
        ('{"columns": []}', "no pressure sensor"),
        ('{"columns": [{"address": "0xZZ"}]}', "bad address"),
        ('{"columns": [{"address": "0x28", "mux": ["0x70", 0]}]}', "no such multiplexer"),
        ('{"columns": [{"address": "0x28", "mux": 7}]}', "bad 'mux'"),
        ('{"buses": [{"bus": true}], "columns": [{}]}', "bad 'bus'"),
        ('{"buses": 4, "columns": [{}]}', "bad 'buses'"),
    ],
)
def test_a_bad_description_is_one_clear_line(tmp_path: Path, content: str, part: str) -> None:
    path = tmp_path / "board.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(BoardError, match=part) as caught:
        read_plan(path)
    assert "\n" not in str(caught.value)


def test_a_missing_description_and_a_blocked_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match="cannot be read"):
        read_plan(tmp_path / "none.json")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(BoardError, match="cannot write"):
        write_drawings(BOARD, tmp_path / "file")


def test_the_command_draws_into_a_folder(tmp_path: Path) -> None:
    from fakes.program import undertray

    done = undertray("board", "draw", BOARD, "--out", tmp_path / "drawn")
    assert done.returncode == 0, done.stderr
    names = ["harness.svg", "pins.md", "schematic.svg"]
    assert sorted(path.name for path in (tmp_path / "drawn").iterdir()) == names
    assert sorted(Path(line).name for line in done.stdout.splitlines()) == names
    assert undertray("board", "draw", "no.json", "--out", tmp_path).returncode == 1
