from __future__ import annotations

import os
from pathlib import Path

import pytest

from ttt_opt.errors import InputError
from ttt_opt.toml_input import LARGEST_FILE_BYTES, Bounds, Table, describe, read_toml

MASS = Bounds(35.0, 150.0, "kg", "rider")


def written(folder: Path, content: bytes) -> Path:
    path = folder / "input.toml"
    path.write_bytes(content)
    return path


def refusal(folder: Path, content: bytes) -> str:
    with pytest.raises(InputError) as caught:
        read_toml(written(folder, content))
    text = str(caught.value)
    assert "input.toml" in text
    assert "\n" not in text
    assert len(text) < 500 + len(str(folder))
    return text


def table(**values: object) -> Table:
    return Table("team.toml", "riders[2]", values, about="Bela")


def test_reads_tables_numbers_and_text(tmp_path: Path) -> None:
    top = read_toml(written(tmp_path, b'name = "a"\n[part]\nx = 1.5\n'))
    assert top.text("name", 10) == "a"
    assert top.subtable("part").number("x", Bounds(0.0, 2.0)) == 1.5


def test_a_byte_order_mark_before_utf8_is_skipped(tmp_path: Path) -> None:
    top = read_toml(written(tmp_path, b"\xef\xbb\xbf" + 'name = "Zoë"\r\n'.encode()))
    assert top.text("name", 10) == "Zoë"


@pytest.mark.parametrize(
    "encoding", ["utf-16", "utf-16-le-mark", "utf-16-be-mark", "utf-32", "utf-32-be-mark"]
)
def test_other_encodings_with_a_mark_are_named(tmp_path: Path, encoding: str) -> None:
    base = encoding.removesuffix("-mark")
    content = ("\ufeff" if base != encoding else "") + 'name = "a"\n'
    assert "save it as UTF-8" in refusal(tmp_path, content.encode(base))


def test_latin1_is_named_with_its_line(tmp_path: Path) -> None:
    assert "line 2: byte 0xeb is not UTF-8" in refusal(tmp_path, 'a = 1\nname = "Zoë"\n'.encode("latin-1"))


@pytest.mark.parametrize(
    "content",
    [
        b"a = 1\na = 2\n",
        b"[a]\nx = 1\n[a]\ny = 2\n",
        b"p = {b = 1, b = 2}\n",
        b"a = 1\n[a.b]\n",
        b"a = {b = 1}\n[a.c]\n",
    ],
)
def test_a_key_or_section_that_appears_twice(tmp_path: Path, content: bytes) -> None:
    assert "appears twice (at " in refusal(tmp_path, content)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"a = 1 2\n", "line 1, column 7"),
        (b'a = "open\n', "is not valid TOML"),
        (b"a = 05\n", "is not valid TOML"),
        (b'a = "\x00"\n', r"\x00"),
        (b'a = "\x1b[2J"\n', r"\x1b"),
        (b"<html></html>\n", "is not valid TOML"),
        (b"a = 2030-02-30\n", "is not valid TOML"),
    ],
)
def test_what_is_not_toml_is_one_printable_sentence(tmp_path: Path, content: bytes, told: str) -> None:
    text = refusal(tmp_path, content)
    assert told in text
    assert text.isprintable()


@pytest.mark.parametrize("number", [b"9" * 1900, b"0x" + b"f" * 1900])
def test_endless_whole_numbers_are_refused_where_they_are_used(tmp_path: Path, number: bytes) -> None:
    with pytest.raises(InputError, match=r"a: a whole number of \d{4} bits is not within"):
        read_toml(written(tmp_path, b"a = " + number)).number("a", MASS)


@pytest.mark.parametrize(
    "content", [b"a = " + b"[\n" * 100_000, b"a = " + b"{b = " * 390, b"a = " + b"[{b = " * 300]
)
def test_deep_nesting_is_refused(tmp_path: Path, content: bytes) -> None:
    text = refusal(tmp_path, content)
    assert "nested too deeply" in text or "is not valid TOML" in text


def test_the_deepest_lists_are_refused_for_their_depth(tmp_path: Path) -> None:
    assert "nested too deeply; two levels" in refusal(tmp_path, b"a = " + b"[\n" * 5000 + b"]\n" * 5000)


def test_too_large_a_file_is_refused(tmp_path: Path) -> None:
    comment = b"#\n" * (LARGEST_FILE_BYTES // 2)
    assert read_toml(written(tmp_path, comment)).values == {}
    assert "larger than the allowed 1,000,000 bytes" in refusal(tmp_path, comment + b"\n")


def test_keys_of_many_parts_which_would_stall_the_parser_are_refused(tmp_path: Path) -> None:
    assert "line 1: has 400 dots" in refusal(tmp_path, b".".join([b"a"] * 401) + b" = 1\n")
    assert "line 1: has 5001 characters" in refusal(tmp_path, b"#" * 5001)
    assert read_toml(written(tmp_path, b"  # " + b"." * 100 + b"\n")).values == {}


def test_what_is_no_regular_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is not a regular file"):
        read_toml(tmp_path)
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_toml(tmp_path / "absent.toml")
    with pytest.raises(InputError, match="is not a file name"):
        read_toml(tmp_path / "a\0b")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_that_nobody_writes_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(InputError, match="is not a regular file"):
        read_toml(tmp_path / "pipe.toml")


def test_the_file_name_in_an_error_is_printable(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "\x1b[2J\u202e.toml")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (float("nan"), "nan is not within the allowed 35 to 150 kg (rider)"),
        (float("inf"), "inf is not within"),
        (float("-inf"), "-inf is not within"),
        (0.7, "0.7 is not within"),
        (150.001, "150.001 is not within"),
        (True, "true is not a number"),
        ("70", '"70" is not a number'),
        ([70], "a list of 1 is not a number"),
        ({}, "a section is not a number"),
        (10**400, "a whole number of 1329 bits is not within"),
    ],
)
def test_a_number_must_be_a_finite_number_within_bounds(value: object, told: str) -> None:
    with pytest.raises(InputError) as caught:
        table(mass_kg=value).number("mass_kg", MASS)
    assert str(caught.value).startswith("team.toml: riders[2].mass_kg (Bela): ")
    assert told in str(caught.value)
    assert "35 to 150 kg (rider)" in str(caught.value)


@pytest.mark.parametrize("value", [35, 35.0, 150, 72.5])
def test_bounds_belong_to_the_range(value: float) -> None:
    number = table(mass_kg=value).number("mass_kg", MASS)
    assert number == value
    assert isinstance(number, float)


def test_a_missing_number_is_refused_or_takes_its_default() -> None:
    with pytest.raises(InputError, match=r"mass_kg .* is missing; allowed: 35 to 150 kg"):
        table().number("mass_kg", MASS)
    assert table().number_or("mass_kg", MASS, None) is None


@pytest.mark.parametrize("value", [3.0, True, "3"])
def test_a_whole_number_is_written_as_one(value: object) -> None:
    with pytest.raises(InputError, match="is not a whole number"):
        table(k=value).whole_number("k", Bounds(0, 9))
    assert table(k=3).whole_number("k", Bounds(0, 9)) == 3
    with pytest.raises(InputError, match="10 is not within"):
        table(k=10).whole_number_or("k", Bounds(0, 9), None)


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("", "has 0 characters"),
        ("   ", "has 0 characters"),
        ("x" * 81, "has 81 characters"),
        (7, "7 is not text"),
        (False, "false is not text"),
        ("a\u202eb", r'"a\u202eb" holds a control, hidden or direction-changing character'),
        ("a\nb", r'"a\x0ab" holds'),
        ("\x1b]0;title\x07", "holds a control"),
    ],
)
def test_text_is_one_visible_line(value: object, told: str) -> None:
    with pytest.raises(InputError) as caught:
        table(name=value).text("name", 80)
    assert told in str(caught.value)
    assert str(caught.value).isprintable()


def test_outer_spaces_of_text_are_dropped() -> None:
    assert table(name="  Jo Ann ").text("name", 6) == "Jo Ann"


def test_truth_choice_and_lists_of_words() -> None:
    assert table(wet=True).truth_or("wet", False) is True
    assert table().truth_or("wet", False) is False
    with pytest.raises(InputError, match="1 is neither true nor false"):
        table(wet=1).truth_or("wet", False)
    with pytest.raises(InputError, match='"true" is neither true nor false'):
        table(wet="true").truth_or("wet", False)
    assert table(kind="b").choice_or("kind", ("a", "b"), "a") == "b"
    with pytest.raises(InputError, match='"c" is not one of the allowed "a", "b"'):
        table(kind="c").choice_or("kind", ("a", "b"), "a")
    with pytest.raises(InputError, match="a list of 0 is not one of"):
        table(kind=[]).choice_or("kind", ("a", "b"), "a")
    assert table(order=["x", "y"]).words_or("order", 80, ()) == ("x", "y")
    assert table().words_or("order", 80, ()) == ()
    with pytest.raises(InputError, match=r"order\[2\]: 3 is not text"):
        table(order=["x", 3]).words_or("order", 80, ())
    with pytest.raises(InputError, match='"x" is not a list of texts'):
        table(order="x").words_or("order", 80, ())


def test_sections_must_be_sections() -> None:
    assert table().subtable("weather").values == {}
    with pytest.raises(InputError, match=r"3 is not a section; write \[riders\[2\].weather\] above"):
        table(weather=3).subtable("weather")
    with pytest.raises(InputError, match="a list of 1 is not a section"):
        table(weather=[{}]).subtable("weather")
    with pytest.raises(InputError, match=r"a section is not a list of sections; write \[\["):
        table(riders={}).subtables("riders")
    with pytest.raises(InputError, match="a list of 2 is not a list of sections"):
        table(riders=[{}, 1]).subtables("riders")


def test_unknown_keys_are_refused_with_the_nearest_known_one() -> None:
    known = ("mass_kg", "w_prime_j", "cda_m2")
    with pytest.raises(InputError, match=r"w_prime_kj \(Bela\): is not known here; did you mean w_prime_j\?"):
        table(w_prime_kj=20).refuse_unknown(known)
    with pytest.raises(InputError, match="did you mean cda_m2"):
        table(CdA_m2=1).refuse_unknown(known)
    with pytest.raises(InputError, match="is not known here; allowed: mass_kg, w_prime_j, cda_m2"):
        table(colour=1).refuse_unknown(known)
    with pytest.raises(InputError) as caught:
        table(**{"\x1b[2J" + "k" * 5000: 1}).refuse_unknown(known)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 250
    table(mass_kg=1, cda_m2=2).refuse_unknown(known)


def test_complaints_of_data_classes_become_errors_about_the_section() -> None:
    error = table().rephrased(ValueError("cp_w: 3 is odd: very"))
    assert str(error) == "team.toml: riders[2].cp_w (Bela): 3 is odd: very"
    assert table().rephrased(error) is error


def test_any_value_is_described_in_few_words(tmp_path: Path) -> None:
    top = read_toml(
        written(tmp_path, b'd = 2030-05-12\nt = 14:30:00\ns = "' + b"x" * 1000 + b'"\nf = 1e400\n')
    )
    assert [describe(value) for value in top.values.values()] == [
        "2030-05-12",
        "14:30:00",
        f'"{"x" * 59}…"',
        "inf",
    ]
