"""The careful reading of text files that come from outside."""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

from ttt_opt.errors import InputError


def read_text(path: Path, file: str, wanted: str, largest_bytes: int) -> str:
    """The text of a file, with what is no text, too large or no file refused.

    Parameters
    ----------
    path : Path
    file : str
        Its printable name, for messages.
    wanted : str
        What is wanted, for messages: ``a TOML file``.
    largest_bytes : int

    Returns
    -------
    str
        A byte order mark before UTF-8, as some editors on Windows write it, is skipped.

    Raises
    ------
    InputError
        The file cannot be read, is no regular file, is too large or is not UTF-8.
    """
    return _decoded(file, _content(path, file, wanted, largest_bytes))


def _content(path: Path, file: str, wanted: str, largest_bytes: int) -> bytes:
    if "\0" in str(path):
        raise InputError(file, "", "is not a file name")
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise InputError(file, "", f"is not a regular file; give the name of {wanted}")
        with path.open("rb") as stream:
            content = stream.read(largest_bytes + 1)
    except OSError as error:
        raise InputError(file, "", f"cannot be read: {error.strerror or error}") from error
    if len(content) > largest_bytes:
        raise InputError(file, "", f"is larger than the allowed {largest_bytes:,} bytes")
    return content


def _decoded(file: str, content: bytes) -> str:
    # UTF-32 (little endian) begins with the mark of UTF-16, so both are caught by the shorter marks.
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)):
        raise InputError(file, "", "is saved as UTF-16 or UTF-32; save it as UTF-8 text")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, byte = content.count(b"\n", 0, error.start) + 1, content[error.start]
        raise InputError(
            file, f"line {line}", f"byte 0x{byte:02x} is not UTF-8; save the file as UTF-8 text"
        ) from error
