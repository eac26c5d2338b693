"""The page about board.json says what the firmware takes: every key, range and default read from the code."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from firmware.runs import FIRMWARE
from undertray.board.check import check_board
from undertray.board.rehearsal import Weight
from undertray.wiring import drawings, read_plan

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "wiring" / "board.md").read_text(encoding="utf-8")
SENSORS = FIRMWARE / "undertray" / "sensors"
NEEDED = "**needed**"
SECTIONS = {
    "The whole": "_TOP",
    "Each of `buses`": "_BUS",
    "Each of `muxes`": "_MUX",
    "Each of `columns`": "_COLUMN",
    "Each of `links`": "_LINK",
    "`throttle`": "_THROTTLE",
    "`throttle2`": "_THROTTLE2",
    "`alarm`": "_ALARM",
    "`pack`": "_PACK",
    "`pack2`": "_PACK",
    "`accelerometer`": "_ACCELEROMETER",
    "`store`": "_STORE",
}
_ASK = """
import json, sys
sys.path.insert(0, sys.argv[1])
from undertray import boardfile, sensors
tables = {name: getattr(boardfile, name) for name in sys.argv[2:]}
print(json.dumps({"tables": tables, "families": sensors._FAMILIES, "units": sensors._UNITS_PA}))
"""


@pytest.fixture(scope="module")
def code() -> Any:
    """The tables of the firmware, asked in a process in which ``undertray`` is the firmware's package."""
    command = [sys.executable, "-I", "-c", _ASK, str(FIRMWARE), *SECTIONS.values()]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def tables(heading: str) -> list[list[list[str]]]:
    """The tables below a heading as rows of cells, without their heads."""
    text = re.split(rf"^## {re.escape(heading)}$", PAGE, flags=re.M)[1].split("\n## ")[0]
    blocks = re.findall(r"(?:^\|.*\n)+", text, flags=re.M)
    return [[[c.strip() for c in r.strip("|").split(" |")] for r in b.splitlines()[2:]] for b in blocks]


def plain(cell: str) -> str:
    return cell.replace("`", "").strip()


def allowed(kind: str, low: Any, high: Any) -> str:
    return {
        "number": f"{low} to {high}",
        "ratio": f"{low} to {high}",
        "list": f"{low} to {high} entries",
        "flag": "true or false",
        "choice": f"{low} or {high}",
        "one of": ", ".join(map(str, low)) if isinstance(low, list) else "",
        "address": f'"0x{low:02x}" to "0x{high:02x}"' if kind == "address" else "",
        "channel": f'["0x{low:02x}", 0] to ["0x{high:02x}", 7]' if kind == "channel" else "",
        "section": "a {...}",
        "text": "up to 60 plain characters",
        "secret": f"{low} to {high} plain characters",
    }[kind]


def left_out(default: Any) -> str:
    if default == "required":
        return NEEDED
    if default in (None, "", []):
        return "none"
    return json.dumps(default).strip('"')


@pytest.mark.parametrize("heading", SECTIONS)
def test_every_key_stands_there_with_its_range_and_what_holds_when_it_is_left_out(
    heading: str, code: Any
) -> None:
    told = {plain(row[0]): (plain(row[2]), row[3]) for row in tables(heading)[0]}
    taken = code["tables"][SECTIONS[heading]]
    # a note is said once, for all
    expected = {k: (allowed(v[0], *v[2:]), left_out(v[1])) for k, v in taken.items() if k != "note"}
    assert told == expected


def test_every_key_has_its_unit_where_its_name_has_one() -> None:
    units = {"_hz": "second", "_khz": "kHz", "_us": "µs", "_ms": "ms", "_pa": "Pa", "pin": "GP number"}
    rows = [row for heading in SECTIONS for row in tables(heading)[0]]
    assert len(rows) > 40
    for key, unit, *_ in rows:
        for ending, word in units.items():
            if plain(key).endswith(ending) and not (ending == "_hz" and "khz" in key):
                assert word in unit, key


def board() -> dict[str, Any]:
    data: dict[str, Any] = json.loads((FIRMWARE / "board.json").read_text(encoding="utf-8"))
    return data


def refused(folder: Path, data: Any) -> list[str]:
    path = folder / "board.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return [finding.what for finding in check_board(path) if finding.weight is Weight.FAULT]


@pytest.mark.parametrize("heading", SECTIONS)
def test_every_example_is_taken(heading: str, tmp_path: Path) -> None:
    examples = {plain(row[0]): json.loads(plain(row[4])) for row in tables(heading)[0] if row[4].strip()}
    whole, section = board(), heading.rpartition(" ")[2].strip("`")
    if heading == "The whole":
        whole |= examples
    elif section in ("buses", "links"):
        whole[section] = [*whole.get(section, []), examples]
    elif section == "columns":
        whole["muxes"] = [{"bus": 0, "address": "0x70"}]
        place = {key: value for key, value in examples.items() if key != "adc_pin"}
        whole["columns"] = [place, {"part": "MPXV7002DP", "adc_pin": examples["adc_pin"], "divider": 1.5}]
    elif section == "muxes":
        whole["muxes"].append(examples)
    else:
        whole[section] = examples
    assert refused(tmp_path, whole) == []


def test_every_part_stands_there_and_its_example_is_taken(code: Any, tmp_path: Path) -> None:
    rows, _ = tables("Parts and ranges")
    assert sorted(plain(row[0]) for row in rows) == sorted(code["families"])
    for part, _, example in rows:
        column = json.loads(plain(example))
        assert column["part"] == plain(part)
        assert refused(tmp_path, board() | {"columns": [column], "alarm": None}) == [], part


def test_the_letters_of_the_units_are_those_of_the_firmware(code: Any) -> None:
    told = {plain(letter): float(pa) for letter, _, pa in tables("Parts and ranges")[1]}
    assert told == code["units"]


def own_keys(code: Any) -> dict[tuple[str, str], str]:
    """Part and key to its default: what each driver hands to ``known``, ``choice`` and ``_number``."""
    found = {}
    for part, module in code["families"].items():
        tree = ast.parse((SENSORS / f"{module}.py").read_text(encoding="utf-8"))
        calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
        named = {
            name: [call.args for call in calls if getattr(call.func, "id", "") == name]
            for name in ("known", "choice", "_number")
        }
        (known,) = named["known"]
        defaults = {
            ast.literal_eval(args[1]): ast.literal_eval(args[2])
            for args in named["choice"] + named["_number"]
        }
        found |= {(part, key): str(defaults[key]) for key in ast.literal_eval(known[1])}
    return found


def test_the_keys_of_the_parts_stand_there_with_the_firmwares_own_ranges(code: Any, tmp_path: Path) -> None:
    rows = tables("Each of `columns`")[1]
    told = {(part, plain(row[1])): row[3] for row in rows for part in row[0].split(", ")}
    assert told == own_keys(code)
    examples = {c["part"]: c for c in (json.loads(plain(r[2])) for r in tables("Parts and ranges")[0])}
    for parts, key, span, *_ in rows:
        for part in parts.split(", "):
            (why,) = refused(tmp_path, board() | {"columns": [examples[part] | {plain(key): "zz"}]})
            assert re.search(r"must be (?:one of|a number from) (.*)", why)[1] == span  # type: ignore[index]


@pytest.mark.parametrize("part", ["SDP3x", "SDP8xx", "MS5525DSO", "MPXV7002DP"])
def test_the_named_ranges_are_those_of_the_firmware(part: str, tmp_path: Path) -> None:
    row = next(row for row in tables("Parts and ranges")[0] if plain(row[0]) == part)
    column = json.loads(plain(row[2])) | {"range": "zz"}
    (why,) = refused(tmp_path, board() | {"columns": [column]})
    names = [name for name in why.rpartition("one of ")[2].split(", ") if name]
    assert re.findall(r"`(\w+)`", row[1]) == names


def test_the_whole_example_works_and_can_be_drawn(tmp_path: Path) -> None:
    example = PAGE.partition("```json\n")[2].partition("```")[0]
    assert refused(tmp_path, json.loads(example)) == []
    assert "multiplexer" in drawings(read_plan(tmp_path / "board.json"))["pins.md"]


def test_every_word_of_the_console_stands_there() -> None:
    words = set()
    for name, method in (("commands.py", "all"), ("runs.py", "commands")):
        tree = ast.parse((FIRMWARE / "undertray" / name).read_text(encoding="utf-8"))
        (function,) = (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name == method)
        words |= {n.value for n in ast.walk(function) if isinstance(n, ast.Constant)}
    assert len(words) > 10
    listed = " ".join(row[0] for row in tables("The board's console")[0])
    assert {word for word in words if f"`{word}" not in listed} == set()
    assert "115200 baud, 8 data bits, no parity, 1 stop bit" in PAGE
    assert "serial.tools.miniterm" in PAGE


def test_the_page_is_linked_where_a_builder_looks() -> None:
    guide = (ROOT / "wiring" / "README.md").read_text(encoding="utf-8")
    assert "- [board.md](board.md)" in guide
    assert "`rate`" not in guide  # the key is rate_hz
