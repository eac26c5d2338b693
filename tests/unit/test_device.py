"""The board's description of itself: what a reader needs is demanded, what it only shows is not."""

from __future__ import annotations

from typing import Any

import pytest

from undertray.acquire.device import Device
from undertray.errors import RunLogError


def _note(**changes: object) -> dict[str, Any]:
    column = {
        "name": "p1",
        "part": "SDP",
        "range": "500PA",
        "bus": 0,
        "address": 37,
        "mux": None,
        "port": "high",
        "scale": {"zero": 0, "pa_per_count": 0.1, "min": -5000, "max": 5000},
    }
    return {
        "wire": 1,
        "firmware": "7",
        "board": "another",
        "uid": "e661ff",
        "boot": 305419896,
        "rate_hz": 200,
        "tick_hz": 1000000,
        "tick_bits": 30,
        "columns": [column],
        **changes,
    }


@pytest.mark.parametrize("boot", [305419896, 305419896.0, "12345678", "0x12345678"])
def test_the_id_of_the_power_up_may_be_a_number_or_hex_like_the_uid(boot: object) -> None:
    assert Device.from_note(_note(boot=boot)).boot == 0x12345678


@pytest.mark.parametrize("boot", ["", "123456789", "power-up", -1, 2**32, 0.5, float("nan"), None, True])
def test_no_other_id_is_taken(boot: object) -> None:
    with pytest.raises(RunLogError, match="bad 'boot'"):
        Device.from_note(_note(boot=boot))


def test_a_whole_number_may_be_written_as_json_likes() -> None:
    device = Device.from_note(_note(tick_hz=1e6, tick_bits=30.0))
    assert (device.tick_hz, device.tick_bits) == (1000000, 30)
    assert isinstance(device.tick_bits, int)


@pytest.mark.parametrize(("code", "shown"), [(None, ""), (500, "500"), (2.5, "2.5"), ("500PA", "500PA")])
def test_the_range_code_is_only_shown(code: object, shown: str) -> None:
    note = _note()
    note["columns"][0]["range"] = code
    assert Device.from_note(note).columns[0].range_code == shown


def test_keys_of_a_later_board_are_passed_over() -> None:
    assert Device.from_note(_note(colour="red", later={"a": [1]})).uid == "e661ff"


@pytest.mark.parametrize(
    ("clock", "word"),
    [
        ({"tick_hz": 1}, "tick_hz"),
        ({"tick_hz": 16}, "tick_hz"),
        ({"tick_hz": 10**9, "tick_bits": 30}, "wraps"),  # after 1.07 s
        ({"tick_hz": 1_000_000, "tick_bits": 16}, "wraps"),
    ],
)
def test_a_clock_that_tells_no_times_is_refused(clock: dict[str, int], word: str) -> None:
    with pytest.raises(RunLogError, match=word):
        Device.from_note(_note(**clock))
