"""Run facts: given, asked once, remembered; names that stay in their folder."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import pytest

from undertray.acquire.runfacts import ASKED, gather, log_paths, recall, remember

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
    assert person.asked == ["mounting", "gap", "springs", "pack", "surface"]
    assert first == {"skirt": "soft", **dict.fromkeys(person.asked, "as built")}
    again = Person("2nd")
    # which time a skirt was put on says nothing of another one
    assert gather({"skirt": "hard"}, again, memory) == first | {"skirt": "hard", "mounting": "2nd"}
    assert again.asked == ["mounting"]
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
    "text",
    [
        *(b"", b"[]", b"\xff", b"[" * 5000, b"{", b'{"format": 3, "cars": {"": {"gap": "1 mm"}}}'),
        *(b'{"format": 2, "cars": []}', b'{"format": 2, "cars": {"": []}}', b'{"gap": "2 mm"}'),
        b'{"format": 2, "cars": {"": {"skirt": 5, "gap": "1 mm", "x": "y"}}}',
    ],
)
def test_a_damaged_memory_does_no_harm(tmp_path: Path, text: bytes) -> None:
    memory = tmp_path / "facts.json"
    memory.write_bytes(text)
    assert recall(memory) in ({}, {"gap": "1 mm"})
    assert set(recall(memory)) <= set(ASKED)


def test_each_car_has_answers_of_its_own(tmp_path: Path) -> None:
    memory = tmp_path / "facts.json"
    gather({}, Person("a"), memory, car="A")
    gather({}, Person("b"), memory, car="B")
    assert gather({}, Person("?"), memory, car="A") == dict.fromkeys(ASKED, "a")
    for number in range(200):
        remember({"gap": "1 mm"}, memory, f"{number}")
    assert recall(memory, "A") == {}
    assert recall(memory, "199") == {"gap": "1 mm"}
    assert memory.stat().st_size < 10_000


@pytest.mark.parametrize(("what", "gap"), [("take", "old"), ("none", None), ("new", "asked")])
def test_what_was_answered_is_shown_and_may_be_left_out(tmp_path: Path, what: str, gap: str | None) -> None:
    memory, shown = tmp_path / "facts.json", []
    remember(dict.fromkeys(ASKED, "old"), memory, "car")

    def take_over(old: Mapping[str, str]) -> str:
        shown.append(dict(old))
        return what

    facts = gather({"pack": "B"}, Person("asked"), memory, car="car", take_over=take_over)
    assert shown == [dict.fromkeys([key for key in ASKED if key != "pack"], "old")]
    assert (facts.get("gap"), facts["pack"]) == (gap, "B")
    assert recall(memory, "car")["gap"] == ("asked" if what == "new" else "old")


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
    path = next(log_paths(tmp_path, skirt, NOW))
    assert path == tmp_path / name
    assert path.resolve().parent == tmp_path.resolve()


def test_names_to_try_go_on_by_number(tmp_path: Path) -> None:
    names = [path.name for path in islice(log_paths(tmp_path, None, NOW), 3)]
    assert names == ["2026-05-02_101500.csv", "2026-05-02_101500_2.csv", "2026-05-02_101500_3.csv"]
    assert list(log_paths(tmp_path / "run.csv", "soft")) == [tmp_path / "run.csv"]


def test_who_has_no_home_is_asked_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    # as an account that a container makes up: Python then finds no home (pathlib, Path.home: RuntimeError)
    for name in ("XDG_CONFIG_HOME", "APPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("os.path.expanduser", lambda path: path)
    with pytest.raises(RuntimeError):
        Path.home()
    for _ in range(2):
        person = Person()
        assert gather({"skirt": "soft"}, person)["gap"] == "as built"
        assert "gap" in person.asked
