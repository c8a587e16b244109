"""Writing results: all or nothing."""

from __future__ import annotations

import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from ttt_opt import writing
from ttt_opt.errors import InputError
from ttt_opt.writing import prepare_folder, write_new_file, write_results

OLD = {"plan.json": "old plan\n", "plan.txt": "old text\n"}
NEW = {"plan.json": "new plan ä\n", "plan.txt": "new text\r\n"}


def contents(folder: Path) -> dict[str, str]:
    return {path.name: path.read_bytes().decode("utf-8") for path in folder.iterdir()}


def test_files_are_written_as_given(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    write_results(folder, NEW)
    assert contents(folder) == NEW


def test_files_can_be_read_by_whom_the_user_lets(tmp_path: Path) -> None:
    mask = os.umask(0o027)
    try:
        write_results(tmp_path, NEW)
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "plan.json").stat().st_mode) == 0o640


def test_older_results_are_replaced_and_other_files_stay(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    write_results(tmp_path, OLD)
    write_results(tmp_path, NEW)
    assert contents(tmp_path) == {**NEW, "notes.txt": "mine"}


def test_failure_while_writing_leaves_the_older_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_results(tmp_path, OLD)
    calls = []

    def full(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 3:  # the probe of the folder, the first file, the second file
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    with pytest.raises(InputError, match="cannot be written: No space left on device; choose another folder"):
        write_results(tmp_path, NEW)
    assert contents(tmp_path) == OLD


def test_interruption_leaves_the_older_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_results(tmp_path, OLD)

    def interrupt(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_results(tmp_path, NEW)
    assert contents(tmp_path) == OLD


def test_new_files_take_their_names_only_when_all_are_complete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_results(tmp_path, OLD)
    replace = Path.replace

    def look_first(self: Path, target: Path) -> Path:
        parts = sorted(path.read_bytes().decode("utf-8") for path in tmp_path.glob(".*.part"))
        seen.append(parts)
        return replace(self, target)

    seen: list[list[str]] = []
    monkeypatch.setattr(Path, "replace", look_first)
    write_results(tmp_path, NEW)
    assert seen[0] == sorted(NEW.values())


def test_links_are_replaced_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "precious.txt"
    elsewhere.write_text("precious")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "plan.json").symlink_to(elsewhere)
    (folder / f".plan.json-{os.getpid()}.part").symlink_to(elsewhere)
    write_results(folder, NEW)
    assert elsewhere.read_text() == "precious"
    assert contents(folder) == NEW


def test_folder_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    for folder in (tmp_path / "out", tmp_path / "out" / "below"):
        with pytest.raises(InputError, match=r"out.*cannot be written"):
            prepare_folder(folder)
    assert (tmp_path / "out").read_text() == "mine"


def test_result_is_a_folder(tmp_path: Path) -> None:
    (tmp_path / "plan.txt").mkdir()
    (tmp_path / "plan.json").write_text("old")
    with pytest.raises(InputError, match=r"plan\.txt: is a folder"):
        write_results(tmp_path, NEW)
    assert (tmp_path / "plan.json").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.json", "plan.txt"]


@pytest.mark.parametrize("name", ["a\0b", "x" * 300, "a\x1b[2Jb\0"])
def test_impossible_folder_names(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written") as caught:
        prepare_folder(tmp_path / name)
    assert "\x1b" not in str(caught.value)


def test_preparing_leaves_nothing_behind(tmp_path: Path) -> None:
    prepare_folder(tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_new_file_takes_the_place_of_none(tmp_path: Path) -> None:
    path = tmp_path / "new" / "lines.toml"
    write_new_file(path, "first ä\n")
    assert contents(path.parent) == {"lines.toml": "first ä\n"}
    (path.parent / "dangling").symlink_to("nowhere")
    for there in (path, path.parent, path.parent / "dangling"):
        with pytest.raises(InputError, match="is there already; choose another --out or move it away"):
            write_new_file(there, "second\n")
    assert path.read_text(encoding="utf-8") == "first ä\n"
    with pytest.raises(InputError, match="cannot be written"):
        write_new_file(path / "below.toml", "second\n")


def test_failure_while_files_take_their_names_says_which_are_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_results(tmp_path, OLD)
    replace = Path.replace

    def refuse_second(self: Path, target: Path) -> Path:
        if target.name == "plan.txt":
            raise OSError(1, "Operation not permitted")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", refuse_second)
    with pytest.raises(InputError) as caught:
        write_results(tmp_path, NEW)
    assert str(caught.value) == (
        f"{tmp_path / 'plan.txt'}: cannot be replaced: Operation not permitted; plan.json are those of this run "
        "already, the others are not; use another --out"
    )
    assert contents(tmp_path) == {**OLD, "plan.json": NEW["plan.json"]}


def test_results_can_be_written_from_another_thread_and_without_locks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "fcntl", None)
    with ThreadPoolExecutor(1) as pool:
        pool.submit(write_results, tmp_path, NEW).result()
    assert contents(tmp_path) == NEW
