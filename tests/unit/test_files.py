"""Files written whole or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from undertray.files import is_folder, is_present, whole_file, write_whole

POSIX = pytest.mark.skipif(os.name != "posix", reason="links, modes and pipes of POSIX")


def test_what_goes_wrong_on_the_way_leaves_all_as_it_was(tmp_path: Path) -> None:
    write_whole(tmp_path / "a", b"old")
    for name in ("a", "b"):
        with pytest.raises(TypeError), whole_file(tmp_path / name) as file:
            file.writelines([b"half", None])  # type: ignore[list-item]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a": b"old"}


def test_a_file_is_replaced_only_where_it_may_be(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 250)  # as long as a name may nearly be
    write_whole(path, b"one")
    write_whole(path, b"two")
    assert path.read_bytes() == b"two"
    with pytest.raises(FileExistsError), whole_file(path, replace=False):
        pytest.fail("the file is there")
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


@POSIX
def test_a_link_is_followed_and_the_mode_stays(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "real").chmod(0o640)
    (tmp_path / "link").symlink_to("real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new"
    assert (tmp_path / "real").stat().st_mode & 0o777 == 0o640


@POSIX
def test_a_new_file_has_the_mode_that_the_user_asked_the_system_for(tmp_path: Path) -> None:
    code = "import os, sys, undertray.files; os.umask(0o027); undertray.files.write_whole(sys.argv[1], b'')"
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "a")], check=True)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


@POSIX
@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="the superuser may write everywhere")
def test_what_is_write_protected_stays(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    path.write_bytes(b"mine")
    path.chmod(0o444)
    with pytest.raises(PermissionError):
        write_whole(path, b"other")
    assert path.read_bytes() == b"mine"


def test_a_folder_is_no_file_and_a_missing_one_is_told(tmp_path: Path) -> None:
    with pytest.raises(OSError, match=r"directory|denied"):
        write_whole(tmp_path, b"")
    with pytest.raises(FileNotFoundError):
        write_whole(tmp_path / "missing" / "a", b"")
    assert not list(tmp_path.iterdir())


def test_a_name_that_nothing_can_have_is_not_there(tmp_path: Path) -> None:
    assert (is_present(tmp_path), is_folder(tmp_path)) == (True, True)
    long = tmp_path / ("x" * 9999)
    assert (is_present(long), is_folder(long)) == (False, False)
