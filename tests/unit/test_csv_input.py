from __future__ import annotations

import os
import string
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ttt_opt import csv_input
from ttt_opt.csv_input import Quantity, read_csv
from ttt_opt.errors import InputError
from ttt_opt.toml_input import Bounds

POWER = Quantity({"watts": 1.0, "power_kw": 1000.0}, Bounds(0.0, 3000.0, "W"))


def written(tmp_path: Path, content: str | bytes) -> Path:
    path = tmp_path / "table.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def complaint(path: Path) -> str:
    with pytest.raises(InputError) as refused:
        read_csv(path)
    text = str(refused.value)
    assert "\n" not in text
    assert text.startswith(str(path))
    return text


@pytest.mark.parametrize(
    "content",
    [
        "Seconds,Watts\n1,2\n3,4.5\n",
        "\ufeffseconds,watts\r\n1,2\r\n\r\n3,4.5",
        "seconds;watts\n1;2\n3;4,5\n",
        "seconds\twatts\n1\t2\n3\t4,5\n",
        'seconds,watts\n"1", 2 \n3,4.50\n,\n',
    ],
)
def test_a_table_as_recorders_and_spreadsheets_write_it(tmp_path: Path, content: str) -> None:
    table = read_csv(written(tmp_path, content))
    assert table.header == ("seconds", "watts")
    np.testing.assert_array_equal(table.numbers("watts", POWER), [2.0, 4.5])


def test_a_unit_in_the_heading_counts_and_empty_cells_are_told_apart(tmp_path: Path) -> None:
    table = read_csv(written(tmp_path, "t,power_kw\n1,0.3\n2,\n"))
    assert table.require(POWER) == "power_kw"
    np.testing.assert_array_equal(table.numbers("power_kw", POWER, may_be_empty=True), [300.0, np.nan])
    with pytest.raises(InputError, match=r"line 3, power_kw: is empty; allowed: 0 to 3000 W"):
        table.numbers("power_kw", POWER)


@pytest.mark.parametrize(
    "cell", ["nan", "NaN", "inf", "-inf", "1e999", "0x10", "1_000", "--", "１２", "1 2", "=1+1", "-1", "3001"]
)
def test_what_is_no_number_or_out_of_bounds_is_refused(tmp_path: Path, cell: str) -> None:
    table = read_csv(written(tmp_path, f"t,watts\n1,250\n2,{cell}\n"))
    with pytest.raises(InputError, match=r"line 3, watts: .*(allowed|not within)"):
        table.numbers("watts", POWER)


def test_a_comma_is_a_decimal_point_only_where_it_does_not_separate(tmp_path: Path) -> None:
    table = read_csv(written(tmp_path, 't,watts\n1,"4,5"\n'))
    with pytest.raises(InputError, match=r'line 2, watts: "4,5" is not a number'):
        table.numbers("watts", POWER)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        (b"seconds,watts\n", "no rows"),
        (b"1,2\n3,4\n", "first line holds numbers"),
        (b"watts,Watts\n1,2\n", '"watts" is there twice'),
        (b"seconds,watts\n1,2\n3", "line 3: has 1 cells where the header has 2; the file was cut off"),
        (b"seconds,watts\n1,2,3\n4,5\n", "line 2: has 3 cells where the header has 2"),
        (b'seconds,watts\n1,"2\n', "is not valid CSV"),
        ("rider,watts\nZoë,300\n".encode("latin-1"), "line 2: byte 0xeb is not UTF-8"),
        ("seconds,watts\n1,2\n".encode("utf-16"), "UTF-16"),
        (b"seconds,watts\n1,\x002\n", "line 2: is not text"),
        (b"<html></html>", "is not a CSV file"),
        (b"x" * 6000 + b"\n1\n", "line 1: has more than the allowed 5000 characters"),
        (b"," * 300 + b"\n", "line 1: has 301 cells; allowed: 200"),
    ],
)  # fmt: skip
def test_broken_files_are_refused_in_one_sentence(tmp_path: Path, content: bytes, words: str) -> None:
    assert words in complaint(written(tmp_path, content))


def test_files_that_are_none_or_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "No such file" in complaint(tmp_path / "missing.csv")
    assert "not a regular file" in complaint(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in complaint(tmp_path / "pipe")
    monkeypatch.setattr(csv_input, "MOST_ROWS", 2)
    assert "more than the allowed 2 rows" in complaint(written(tmp_path, "a,b\n" + "1,2\n" * 3))
    monkeypatch.setattr(csv_input, "LARGEST_FILE_BYTES", 5)
    assert "larger than the allowed 5 bytes" in complaint(written(tmp_path, "a,b\n1,2\n"))


def test_columns_are_found_once(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="watts and power_kw say the same"):
        read_csv(written(tmp_path, "watts,power_kw\n1,2\n")).require(POWER)
    with pytest.raises(InputError, match=r"no column watts or power_kw; the columns there are: seconds, w"):
        read_csv(written(tmp_path, "seconds,w\n1,2\n")).require(POWER)


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=300) | st.text(string.printable, max_size=300).map(str.encode))
def test_any_bytes_are_read_or_refused(tmp_path: Path, content: bytes) -> None:
    try:
        table = read_csv(written(tmp_path, content))
    except InputError as refused:
        assert "\n" not in str(refused)
    else:
        assert table.rows
        assert all(len(row) == len(table.header) for row in table.rows)
