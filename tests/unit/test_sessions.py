"""A folder of runs: listed, sorted, and reduced again only when something changed."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from fakes.board import ScriptedBoard, log_of
from fakes.reductions import invented_event, invented_reduction, with_parts
from undertray.acquire.runfolder import find_runs
from undertray.errors import ReductionError, RunLogError
from undertray.report.runlist import (
    Memory,
    Session,
    cache_folder,
    fingerprint,
    headline,
    list_sessions,
    sort_sessions,
)
from undertray.report.words import losses_told

FACTS = {"started_utc": "2026-05-02T10:15:00Z", "skirt": "brush", "notes": {"gap": 0.5, "x": {"deep": 1}}}


class _Reducer:
    """Counts what it is asked for."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __call__(self, path: Path) -> Mapping[str, Any]:
        self.asked.append(path.name)
        if "broken" in path.name:
            raise RunLogError("a row of another length", where=str(path))
        return headline(invented_reduction(seconds=6.0, fold_at_s=None), FACTS)


def _folder(tmp_path: Path, count: int = 3) -> Path:
    folder = tmp_path / "runs"
    (folder / "deep").mkdir(parents=True)
    for place in range(count):
        home = folder / "deep" if place % 2 else folder
        (home / f"run{place}.csv").write_text(f"#undertray-run 1\n{place}\n", encoding="utf-8")
    (folder / "column.csv").write_text("height_mm,direction\n", encoding="utf-8")
    (folder / "readme.txt").write_text("#undertray-run 1\n", encoding="utf-8")
    return folder


def _list(folder: Path, cache: Path | None, depends: str = "a") -> tuple[list[Session], list[str]]:
    reducer = _Reducer()
    memory = Memory(folder, depends, cache)
    found = list(list_sessions(folder, reducer, memory))
    memory.save()
    return found, reducer.asked


def test_run_logs_are_listed_and_other_files_passed_over(tmp_path: Path) -> None:
    found, asked = _list(_folder(tmp_path), None)
    assert [one.file for one in found] == ["run0.csv", "run2.csv", "deep/run1.csv"]
    assert len(asked) == 3
    assert found[0].facts == {"skirt": "brush", "gap": "0.5"}
    assert found[0].verdict == "held"
    assert (found[0].losses, found[0].duration_s) == (0, 5.995)  # from the first row to the last


def test_what_reduce_reads_is_listed_and_the_rest_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "runs"
    folder.mkdir()
    log = log_of(ScriptedBoard(2), 40)
    capture = b"".join(line.partition(b",")[2] + b"\n" for line in log.splitlines() if line[:1].isdigit())
    files = {
        "bom": b"\xef\xbb\xbf" + log,
        "capture": capture,
        "utf16": log.decode().encode("utf-16"),
        "empty": b"",
        "random": bytes(range(256)) * 20,
        "column": b"height_mm,direction\n1,up\n",
    }
    for name, content in files.items():
        (folder / f"{name}.csv").write_bytes(content)
    passed_over: list[str] = []
    found = list(list_sessions(folder, _Reducer(), Memory(folder, "a", None), passed_over))
    assert [one.file for one in found] == ["bom.csv", "capture.csv", "utf16.csv"]
    assert passed_over == ["column.csv", "empty.csv", "random.csv"]


def test_what_is_known_is_not_reduced_again_until_its_content_changes(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    first, _ = _list(folder, cache)
    again, asked = _list(folder, cache)
    assert (again, asked) == (first, [])
    (folder / "run0.csv").write_text("#undertray-run 1\nx\n", encoding="utf-8")
    assert _list(folder, cache)[1] == ["run0.csv"]
    assert _list(folder, cache)[1] == []


def test_a_change_that_keeps_size_and_time_is_seen(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    _list(folder, cache)
    path = folder / "run0.csv"
    before = path.stat()
    path.write_text("#undertray-run 1\n9\n", encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size
    assert _list(folder, cache)[1] == ["run0.csv"]


def test_a_copy_and_a_new_name_need_no_new_reduction(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    _list(folder, cache)
    (folder / "run0.csv").rename(folder / "renamed.csv")
    (folder / "copy.csv").write_bytes((folder / "renamed.csv").read_bytes())
    found, asked = _list(folder, cache)
    assert asked == []
    assert {"renamed.csv", "copy.csv"} <= {one.file for one in found}


def test_another_car_or_program_is_another_memory(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    _list(folder, cache, "a")
    assert len(_list(folder, cache, "b")[1]) == 3
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    one.write_text("mass = 1", encoding="utf-8")
    two.write_text("mass = 2", encoding="utf-8")
    assert fingerprint([one]) == fingerprint([one])
    assert fingerprint([one]) != fingerprint([two])


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: "[" * 100000,
        lambda data: "",
        lambda data: json.dumps({**data, "format": 999}),
        lambda data: json.dumps({**data, "found": []}),
        lambda data: json.dumps(
            {**data, "found": {k: {**v, "losses": "many"} for k, v in data["found"].items()}}
        ),
        lambda data: json.dumps({**data, "found": {k: {**v, "extra": 1} for k, v in data["found"].items()}}),
        lambda data: json.dumps(
            {**data, "found": {k: {**v, "facts": {"skirt": ["x"]}} for k, v in data["found"].items()}}
        ),
        lambda data: json.dumps({**data, "places": {k: ["x"] for k in data["places"]}, "found": {}}),
        lambda data: json.dumps(
            {**data, "found": {k: {**v, "verdict": "x" * 1000} for k, v in data["found"].items()}}
        ),
    ],
)
def test_a_spoiled_memory_is_made_again(tmp_path: Path, spoil: Any) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    first, _ = _list(folder, cache)
    (file,) = cache.glob("*.json")
    file.write_text(spoil(json.loads(file.read_text(encoding="ascii"))), encoding="utf-8")
    again, asked = _list(folder, cache)
    assert again == first
    assert len(asked) == 3


def test_a_run_that_cannot_be_reduced_is_listed_with_the_reason(tmp_path: Path) -> None:
    folder = _folder(tmp_path, 1)
    (folder / "broken.csv").write_text("#undertray-run 1\n", encoding="utf-8")
    found, _ = _list(folder, tmp_path / "cache")
    assert found[0].verdict == "not reduced: a row of another length"
    assert _list(folder, tmp_path / "cache")[1] == []
    assert sort_sessions(found, "margin")[-1].file == "broken.csv"
    assert sort_sessions(found, "margin", reverse=True)[-1].file == "broken.csv"


def test_runs_that_are_gone_are_forgotten_and_old_memories_thinned_out(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path), tmp_path / "cache"
    _list(folder, cache)
    (file,) = cache.glob("*.json")
    size = file.stat().st_size
    (folder / "run0.csv").unlink()
    _list(folder, cache)
    assert file.stat().st_size < size
    for place in range(60):
        _list(folder, cache, str(place))
    assert len(list(cache.glob("*"))) == 40


def test_a_cache_that_cannot_be_written_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    found, _ = _list(_folder(tmp_path), tmp_path / "file" / "cache")
    assert len(found) == 3


def test_sorting_by_numbers_texts_and_facts(tmp_path: Path) -> None:
    def one(file: str, margin: float | None, **facts: str) -> Session:
        fields = headline(invented_reduction(seconds=6.0, fold_at_s=None), FACTS)
        return Session(file=file, **{**fields, "least_margin_n": margin, "facts": facts})

    runs = [one("a", 2.0, skirt="foam"), one("b", None, skirt="brush"), one("c", -1.0)]
    assert [s.file for s in sort_sessions(runs, "margin")] == ["c", "a", "b"]
    assert [s.file for s in sort_sessions(runs, "margin", reverse=True)] == ["a", "c", "b"]
    assert [s.file for s in sort_sessions(runs, "skirt")] == ["b", "a", "c"]
    assert [s.file for s in sort_sessions(runs, "file", reverse=True)] == ["c", "b", "a"]
    with pytest.raises(ReductionError, match="no run has such a fact"):
        sort_sessions(runs, "tyre")


def test_no_folder_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(ReductionError, match="no such folder"):
        find_runs(tmp_path / "none")


def test_where_the_cache_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("UNDERTRAY_CACHE", str(tmp_path))
    assert cache_folder() == tmp_path / "undertray"
    monkeypatch.delenv("UNDERTRAY_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "x"))
    assert cache_folder() == tmp_path / "x" / "undertray"


def test_a_thousand_known_runs_are_read_from_memory_alone(tmp_path: Path) -> None:
    folder, cache = _folder(tmp_path, 1000), tmp_path / "cache"
    fields = headline(invented_reduction(seconds=6.0, fold_at_s=None), FACTS)
    memory = Memory(folder, "a", cache)
    assert len(list(list_sessions(folder, lambda path: fields, memory))) == 1000
    memory.save()
    opened: list[str] = []
    again = Memory(folder, "a", cache)
    real = Path.open

    def counting(self: Path, *arguments: Any, **named: Any) -> Any:
        opened.append(self.name)
        return real(self, *arguments, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "open", counting)
        found = list(list_sessions(folder, lambda path: pytest.fail("reduced again"), again))
    assert len(found) == 1000
    # not one log is opened, only the file that is not a log is looked into
    assert set(opened) == {"column.csv"}


def test_brief_losses_are_named_as_the_others() -> None:
    run = invented_reduction(seconds=12.0)
    lost = [event for event in run.events if event.kind == "seal-loss"]
    assert lost
    assert headline(run, FACTS)["brief_losses"] == 0
    run = with_parts(run, events=(invented_event(brief=True, end_s=8.2), *run.events))
    fields = headline(run, FACTS)
    assert (fields["losses"], fields["brief_losses"]) == (len(lost) + 1, 1)
    assert losses_told(fields["losses"], fields["brief_losses"]) == f"{len(lost) + 1}, 1 brief"
    assert losses_told(2, 0) == "2"
