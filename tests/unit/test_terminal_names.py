from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ttt_opt.terminal_names import is_unsafe, printable, shortened

# Code points: Unicode Standard, chapter 23, "Special Areas and Format Characters" (bidirectional controls);
# ECMA-48 (control sequences begin with ESC 0x1b or the C1 control CSI 0x9b).


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Zoë Łukasz 山田 О'Нил", "Zoë Łukasz 山田 О'Нил"),
        ("\x1b[2Jgone", "\\x1b[2Jgone"),
        ("\x9b31mred", "\\x9b31mred"),
        ("line\nbreak\r\t\0", "line\\x0abreak\\x0d\\x09\\x00"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("\u2066isolate\u2069", "\\u2066isolate\\u2069"),
        ("two\u2028lines", "two\\u2028lines"),
        ("hid\u200bden\ufeff", "hid\\u200bden\\ufeff"),
        ("lone \ud800 surrogate", "lone \\ud800 surrogate"),
        ("tag \U000e0041", "tag \\U000e0041"),
    ],
)
def test_unsafe_characters_become_visible_and_letters_stay(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_joiners_that_scripts_need_stay() -> None:
    assert printable("می\u200cخواهم") == "می\u200cخواهم"
    assert not is_unsafe("\u200d")


@given(st.text())
def test_nothing_unsafe_is_left_and_twice_is_the_same_as_once(text: str) -> None:
    once = printable(text)
    assert printable(once) == once
    assert not any(
        unicodedata.category(character)[0] == "C" for character in once if character not in "\u200c\u200d"
    )
    once.encode("utf-8")


@given(st.text(max_size=300), st.integers(min_value=2, max_value=100))
def test_shortened_text_fits_and_short_safe_text_stays(text: str, longest: int) -> None:
    short = shortened(text, longest)
    assert len(short) <= longest
    if len(printable(text)) <= longest:
        assert short == printable(text)
    else:
        assert short.endswith("…")
