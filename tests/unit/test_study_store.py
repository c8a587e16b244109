"""What a study has finished: kept whole, found again, and not believed when damaged."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ttt_opt.study_store import FOLDER, Store

OUTCOME = {"state": "planned", "finish_time_s": 2164.529827639869, "names": ["Zoë"], "none": None}


def test_what_is_kept_comes_back_to_the_last_digit(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.kept("a" * 32) is None
    store.keep("a" * 32, OUTCOME)
    assert store.kept("a" * 32) == OUTCOME
    assert store.kept("b" * 32) is None
    assert [path.name for path in (tmp_path / FOLDER).iterdir()] == ["a" * 32 + ".json"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[: len(text) // 2],
        lambda text: "",
        lambda text: text.replace("2164", "2163"),
        lambda text: text.replace("a" * 32, "c" * 32),
        lambda text: json.dumps([1, 2]),
        lambda text: "[" * 100_000,
    ],
    ids=["half", "empty", "another time", "another case", "a list", "deep"],
)
def test_damaged_ones_count_as_missing(tmp_path: Path, damage) -> None:  # type: ignore[no-untyped-def]
    store = Store(tmp_path)
    store.keep("a" * 32, OUTCOME)
    path = tmp_path / FOLDER / ("a" * 32 + ".json")
    path.write_text(damage(path.read_text(encoding="utf-8")), encoding="utf-8")
    assert store.kept("a" * 32) is None


def test_a_file_that_is_not_utf8_counts_as_missing(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.keep("a" * 32, OUTCOME)
    (tmp_path / FOLDER / ("a" * 32 + ".json")).write_bytes(b"\xff\xfe\x00")
    assert store.kept("a" * 32) is None
