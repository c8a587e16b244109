"""Names and other words from files, made safe to print on a terminal."""

from __future__ import annotations

import unicodedata

_JOINERS = "\u200c\u200d"
"""Zero-width (non-)joiner: part of how some scripts are written, and harmless on a terminal."""

_UNSAFE_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def is_unsafe(character: str) -> bool:
    """Tell whether a character could move the cursor, reverse the text around it or hide.

    Parameters
    ----------
    character : str
        A single character.

    Returns
    -------
    bool
        ``True`` for control, format (among them all bidirectional marks), surrogate, private-use and
        unassigned characters and for line and paragraph separators, by the Unicode general category;
        ``False`` for the two zero-width joiners.
    """
    return character not in _JOINERS and unicodedata.category(character) in _UNSAFE_CATEGORIES


def printable(text: str) -> str:
    r"""Text with every unsafe character replaced by a visible escape.

    Parameters
    ----------
    text : str
        A name, a key or a file name, possibly written by somebody with bad intentions.

    Returns
    -------
    str
        The text on one line, with ``\x1b``, ``\u202e`` or the like in place of unsafe characters. Letters of
        any script stay as they are. Applying the function twice changes nothing more.
    """
    return "".join(_escape(character) if is_unsafe(character) else character for character in text)


def shortened(text: str, longest: int = 60) -> str:
    """Text safe to print, at most ``longest`` characters, with an ellipsis where it was cut."""
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    safe = printable(cut)
    return safe if len(safe) <= longest else safe[: longest - 1] + "…"


def _escape(character: str) -> str:
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
