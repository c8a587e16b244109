"""TOML files from outside: read safely, then taken apart field by field.

Everything that can be wrong with such a file ends in one :class:`~ttt_opt.errors.InputError` that names the
file, the field, the value found and what is allowed.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from ttt_opt.errors import InputError
from ttt_opt.terminal_names import is_unsafe, printable, shortened
from ttt_opt.text_input import read_text

LARGEST_FILE_BYTES = 1_000_000
LONGEST_LINE = 2000
MOST_DOTS_IN_LINE = 20
"""The parser needs time in the square of the parts of a dotted key: 1 MB of them would take it minutes."""

T = TypeVar("T")


@dataclass(frozen=True)
class Bounds:
    """Smallest and largest value of a number, its unit and what it is, as an error message says them."""

    low: float
    high: float
    unit: str = ""
    meaning: str = ""

    @property
    def allowed(self) -> str:
        """The range in words, e.g. ``35 to 150 kg (rider in race clothing)``."""
        unit = f" {self.unit}" if self.unit else ""
        meaning = f" ({self.meaning})" if self.meaning else ""
        return f"{self.low:.10g} to {self.high:.10g}{unit}{meaning}"


@dataclass(frozen=True)
class Table:
    """One section of a TOML file, and where it stands.

    Attributes
    ----------
    file : str
        The file as error messages name it.
    section : str
        Dotted name of the section, e.g. ``limits.pulls.flat`` or ``riders[2]`` (counted from 1); empty at the
        top.
    values : mapping of str to object
        What the section holds.
    about : str
        Added in brackets to the fields that error messages name, e.g. a rider's name.
    """

    file: str
    section: str
    values: Mapping[str, object]
    about: str = ""

    def error(self, key: str, problem: str) -> InputError:
        """An error about one field (or, with an empty key, about the section), to be raised by the caller."""
        field = ".".join(part for part in (self.section, printable(key)) if part)
        return InputError(self.file, f"{field} ({self.about})" if self.about else field, problem)

    def rephrased(self, error: ValueError) -> InputError:
        """The complaint of a data class, written as ``field: problem``, as an error about this section."""
        if isinstance(error, InputError):
            return error
        field, _, problem = str(error).partition(": ")
        return self.error(field, problem)

    def refuse_unknown(self, known: Sequence[str]) -> None:
        """Refuse keys that nobody reads, which are slips of the pen or belong elsewhere.

        Parameters
        ----------
        known : sequence of str
            All keys that this section may have.

        Raises
        ------
        InputError
            For the first unknown key; the text names the nearest known one.
        """
        for key in self.values:
            if key not in known:
                near = difflib.get_close_matches(key[:80].lower(), known, n=1, cutoff=0.55)
                hint = f"did you mean {near[0]}? " if near else ""
                raise self.error(shortened(key), f"is not known here; {hint}allowed: {', '.join(known)}")

    def has(self, key: str) -> bool:
        """Tell whether the section has this key."""
        return key in self.values

    def number(self, key: str, bounds: Bounds) -> float:
        """A finite number within bounds.

        Parameters
        ----------
        key : str
            Name of the field.
        bounds : Bounds
            Smallest and largest value, both allowed.

        Returns
        -------
        float
            The value, in the unit of the field.

        Raises
        ------
        InputError
            The field is missing, no number (true and false are none), not finite or out of bounds.
        """
        value = self._required(key, bounds.allowed)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, f"{describe(value)} is not a number; allowed: {bounds.allowed}")
        if not bounds.low <= value <= bounds.high:
            raise self.error(key, f"{describe(value)} is not within the allowed {bounds.allowed}")
        return float(value)

    def number_or(self, key: str, bounds: Bounds, otherwise: T) -> float | T:
        """The number as :meth:`number` reads it, or ``otherwise`` where the field is absent."""
        return self.number(key, bounds) if key in self.values else otherwise

    def whole_number(self, key: str, bounds: Bounds) -> int:
        """A whole number within bounds, written without a decimal point; errors as for :meth:`number`."""
        value = self._required(key, bounds.allowed)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(key, f"{describe(value)} is not a whole number; allowed: {bounds.allowed}")
        return int(self.number(key, bounds))

    def whole_number_or(self, key: str, bounds: Bounds, otherwise: T) -> int | T:
        """The whole number, or ``otherwise`` where the field is absent."""
        return self.whole_number(key, bounds) if key in self.values else otherwise

    def text(self, key: str, longest: int) -> str:
        """Text on one line, without control, hidden or direction-changing characters, outer spaces dropped.

        Parameters
        ----------
        key : str
            Name of the field.
        longest : int
            Largest number of characters.

        Returns
        -------
        str
            The text, at least one character long.

        Raises
        ------
        InputError
            The field is missing, no text, empty, too long or holds such a character.
        """
        allowed = f"text in quotes, 1 to {longest} characters"
        value = self._required(key, allowed)
        if not isinstance(value, str):
            raise self.error(key, f"{describe(value)} is not text; allowed: {allowed}")
        text = value.strip(" ")
        if not 1 <= len(text) <= longest:
            raise self.error(key, f"{describe(value)} has {len(text)} characters; allowed: {allowed}")
        if any(is_unsafe(character) for character in text):
            raise self.error(
                key,
                f"{describe(value)} holds a control, hidden or direction-changing character; allowed: text",
            )
        return text

    def choice_or(self, key: str, choices: Sequence[str], otherwise: T) -> str | T:
        """One of a few words, or ``otherwise`` where the field is absent."""
        if key not in self.values:
            return otherwise
        value = self.values[key]
        allowed = ", ".join(f'"{choice}"' for choice in choices)
        if not isinstance(value, str) or value not in choices:
            raise self.error(key, f"{describe(value)} is not one of the allowed {allowed}")
        return value

    def truth_or(self, key: str, otherwise: T) -> bool | T:
        """``true`` or ``false``, or ``otherwise`` where the field is absent."""
        if key not in self.values:
            return otherwise
        value = self.values[key]
        if not isinstance(value, bool):
            raise self.error(key, f"{describe(value)} is neither true nor false, written without quotes")
        return value

    def words_or(self, key: str, longest: int, otherwise: T) -> tuple[str, ...] | T:
        """A list of texts, each read as :meth:`text` does, or ``otherwise`` where the field is absent."""
        if key not in self.values:
            return otherwise
        value = self.values[key]
        if not isinstance(value, list):
            raise self.error(key, f'{describe(value)} is not a list of texts, e.g. ["Ann", "Ben"]')
        items = Table(self.file, self.section, {f"{key}[{n}]": item for n, item in enumerate(value, 1)})
        return tuple(items.text(item, longest) for item in items.values)

    def numbers_or(self, key: str, bounds: Bounds, otherwise: T) -> tuple[float, ...] | T:
        """A list of numbers, each read as :meth:`number` does, or ``otherwise`` where the field is absent."""
        if key not in self.values:
            return otherwise
        value = self.values[key]
        if not isinstance(value, list):
            raise self.error(key, f"{describe(value)} is not a list of numbers, e.g. [1.0, 0.7]")
        items = Table(self.file, self.section, {f"{key}[{n}]": item for n, item in enumerate(value, 1)})
        return tuple(items.number(item, bounds) for item in items.values)

    def subtable(self, key: str) -> Table:
        """A section inside this one; an absent one is empty, so that every field takes its default."""
        section = f"{self.section}.{key}" if self.section else key
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            raise self.error(key, f"{describe(value)} is not a section; write [{section}] above its fields")
        return Table(self.file, section, value)

    def subtables(self, key: str) -> tuple[Table, ...]:
        """The sections of a list of sections, written as ``[[key]]``; none where the key is absent."""
        section = f"{self.section}.{key}" if self.section else key
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(
                key, f"{describe(value)} is not a list of sections; write [[{section}]] above each"
            )
        return tuple(Table(self.file, f"{section}[{n}]", item) for n, item in enumerate(value, 1))

    def _required(self, key: str, allowed: str) -> object:
        if key not in self.values:
            raise self.error(key, f"is missing; allowed: {allowed}")
        return self.values[key]


def describe(value: object) -> str:
    """A value from a file in a few printable words, whatever it is."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value.bit_length() > 64:
        return f"a whole number of {value.bit_length()} bits"
    if isinstance(value, int | float):
        return f"{value}"
    if isinstance(value, str):
        return f'"{shortened(value)}"'
    if isinstance(value, Mapping):
        return "a section"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    return shortened(str(value))


def read_toml(path: Path) -> Table:
    """Read a TOML file from outside.

    Parameters
    ----------
    path : Path
        The file; error messages name it as given.

    Returns
    -------
    Table
        The top of the file.

    Raises
    ------
    InputError
        The file cannot be read, is no regular file, is larger than 1 MB, is not UTF-8, or is not TOML: among
        others a key that appears twice and lists or sections nested too deeply.

    Notes
    -----
    A byte order mark before UTF-8, as some editors on Windows write it, is skipped. Lines are limited in
    length and in dots because the standard library's parser needs time in the square of the parts of a dotted
    key.
    """
    file = printable(str(path))
    text = read_text(path, file, "a TOML file", LARGEST_FILE_BYTES)
    _refuse_odd_lines(file, text)
    try:
        return Table(file, "", tomllib.loads(text))
    except RecursionError:
        raise InputError(file, "", "lists or sections are nested too deeply; two levels are enough") from None
    except ValueError as error:  # tomllib.TOMLDecodeError, and what Python's own parsing of values refuses
        raise InputError(file, "", _toml_problem(str(error))) from error


def _refuse_odd_lines(file: str, text: str) -> None:
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            raise InputError(file, f"line {number}", f"has {len(line)} characters; allowed: {LONGEST_LINE}")
        if line.count(".") > MOST_DOTS_IN_LINE and not line.lstrip(" \t").startswith("#"):
            raise InputError(
                file,
                f"line {number}",
                f"has {line.count('.')} dots; allowed: {MOST_DOTS_IN_LINE} outside comments",
            )


_DUPLICATE = re.compile(
    r"Cannot overwrite a value|Cannot declare .* twice|Duplicate inline table key|Cannot mutate"
)
_PLACE = re.compile(r" \(at ([^()]*)\)$")


def _toml_problem(message: str) -> str:
    """What the parser complains about, as the rest of our own sentence."""
    place = _PLACE.search(message)
    where = f" (at {place.group(1)})" if place else ""
    if _DUPLICATE.match(message):
        return f"a key or section appears twice{where}; keep one of the two"
    return f"is not valid TOML: {shortened(_PLACE.sub('', message), 120)}{where}"
