"""Run facts: given, asked once, remembered; names that stay in their folder."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from undertray.acquire.facts import ASKED, free_path, gather, recall, remember

NOW = datetime(2026, 5, 2, 10, 15, tzinfo=UTC)


class Person:
    def __init__(self, answer: str = "as built") -> None:
        self.asked: list[str] = []
        self.answer = answer

    def __call__(self, key: str, default: str) -> str:
        self.asked.append(key)
        return self.answer


def test_asked_once_and_remembered(tmp_path: Path) -> None:
    memory, person = tmp_path / "deep" / "facts.json", Person()
    first = gather({"skirt": "soft", "gap": None}, person, memory)
    assert person.asked == ["gap", "springs", "pack", "surface"]
    assert first == {"skirt": "soft", **dict.fromkeys(("gap", "springs", "pack", "surface"), "as built")}
    again = Person()
    assert gather({"skirt": "hard"}, again, memory) == first | {"skirt": "hard"}
    assert again.asked == []
    assert recall(memory)["skirt"] == "hard"


def test_a_blank_answer_is_an_answer(tmp_path: Path) -> None:
    memory = tmp_path / "facts.json"
    assert gather({}, Person("  "), memory) == {}
    again = Person()
    gather({}, again, memory)
    assert again.asked == []


def test_nobody_there_means_only_what_was_given(tmp_path: Path) -> None:
    memory = tmp_path / "facts.json"
    remember({"skirt": "of last week"}, memory)
    assert gather({"gap": "2 mm", "skirt": None}, None, memory) == {"gap": "2 mm"}


@pytest.mark.parametrize(
    "text", [b"", b"[]", b"\xff", b'{"skirt": 5, "gap": "1 mm", "x": "y"}', b"[" * 5000, b"{"]
)
def test_a_damaged_memory_does_no_harm(tmp_path: Path, text: bytes) -> None:
    memory = tmp_path / "facts.json"
    memory.write_bytes(text)
    assert recall(memory) in ({}, {"gap": "1 mm"})
    assert set(recall(memory)) <= set(ASKED)


def test_a_memory_that_cannot_be_kept_is_no_reason_to_stop(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert gather({}, Person("x"), tmp_path / "file" / "facts.json")["gap"] == "x"


@pytest.mark.parametrize(
    ("skirt", "name"),
    [
        (None, "2026-05-02_101500.csv"),
        ("soft", "2026-05-02_101500_soft.csv"),
        ("../../etc/passwd", "2026-05-02_101500_etc-passwd.csv"),
        ("\x1b[2J<b>", "2026-05-02_101500_2J-b.csv"),
        ("..", "2026-05-02_101500.csv"),
        ("a" * 300, f"2026-05-02_101500_{'a' * 40}.csv"),
        ("CON:\\x", "2026-05-02_101500_CON-x.csv"),
    ],
)
def test_a_name_stays_in_its_folder(tmp_path: Path, skirt: str | None, name: str) -> None:
    path = free_path(tmp_path, skirt, NOW)
    assert path == tmp_path / name
    assert path.resolve().parent == tmp_path.resolve()


def test_a_name_that_is_taken_is_not_taken_again(tmp_path: Path) -> None:
    for name in ("2026-05-02_101500.csv", "2026-05-02_101500_2.csv", "2026-05-02_101500_3.csv"):
        path = free_path(tmp_path, None, NOW)
        assert path.name == name
        path.touch()
    assert free_path(tmp_path / "run.csv", "soft") == tmp_path / "run.csv"
