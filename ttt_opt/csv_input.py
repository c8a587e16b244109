"""CSV files from outside: decoded, cut into cells and read column by column, trusting nothing.

Everything that can be wrong with such a file ends in one :class:`~ttt_opt.errors.InputError` that names the
file, the line and column, the value found and what is allowed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ttt_opt.errors import InputError
from ttt_opt.terminal_names import printable, shortened
from ttt_opt.text_input import read_text
from ttt_opt.toml_input import Bounds

FloatArray = NDArray[np.float64]

LARGEST_FILE_BYTES = 60_000_000
MOST_ROWS, MOST_COLUMNS = 400_000, 200
LONGEST_LINE = 5000
DELIMITERS = ",;\t"

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)


@dataclass(frozen=True)
class Quantity:
    """What a column may hold.

    Attributes
    ----------
    names : mapping of str to float
        Headings that a column of this quantity may have, each with the factor that turns its unit into the
        unit of the bounds.
    bounds : Bounds
        What is allowed, after the factor.
    """

    names: Mapping[str, float]
    bounds: Bounds

    @property
    def headings(self) -> str:
        """The headings in words, e.g. ``seconds, time_s or t_s``."""
        *others, last = self.names
        return f"{', '.join(others)} or {last}" if others else last


@dataclass(frozen=True)
class CsvTable:
    """The cells of a CSV file with a header.

    Attributes
    ----------
    file : str
        The file as error messages name it.
    header : tuple of str
        Headings in small letters, without spaces around them; no two alike.
    rows : tuple of tuple of str
        One cell for each heading, without spaces around them.
    lines : tuple of int
        Number of the line in the file at which each row ends, counted from 1.
    comma_decimals : bool
        Columns are not separated by commas, so a comma in a number is its decimal point.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    comma_decimals: bool

    def error(self, row: int, heading: str, problem: str) -> InputError:
        """An error about one cell, to be raised by the caller."""
        return InputError(self.file, f"line {self.lines[row]}, {printable(heading)}", problem)

    def find(self, quantity: Quantity) -> str | None:
        """Heading of the column that holds a quantity; ``None`` where there is none.

        Raises
        ------
        InputError
            Several columns hold it.
        """
        found = [heading for heading in self.header if heading in quantity.names]
        if len(found) > 1:
            raise InputError(
                self.file, "header", f"{' and '.join(found)} say the same; allowed: one of the two"
            )
        return found[0] if found else None

    def require(self, quantity: Quantity) -> str:
        """Heading of the column that holds a quantity.

        Raises
        ------
        InputError
            There is none, or several.
        """
        heading = self.find(quantity)
        if heading is None:
            columns = shortened(", ".join(self.header), 200)
            raise InputError(
                self.file, "header", f"no column {quantity.headings}; the columns there are: {columns}"
            )
        return heading

    def numbers(self, heading: str, quantity: Quantity, *, may_be_empty: bool = False) -> FloatArray:
        """The numbers of a column, in the unit of the quantity's bounds.

        Parameters
        ----------
        heading : str
        quantity : Quantity
        may_be_empty : bool
            An empty cell is a value that was not recorded, and becomes nan.

        Returns
        -------
        ndarray (n_rows,)

        Raises
        ------
        InputError
            A cell is empty, no plain decimal number or out of bounds.
        """
        column = self.header.index(heading)
        factor, bounds = quantity.names[heading], quantity.bounds
        values = np.empty(len(self.rows))
        for row, cells in enumerate(self.rows):
            cell = cells[column]
            if not cell and may_be_empty:
                values[row] = np.nan
                continue
            text = cell.replace(",", ".") if self.comma_decimals and _DECIMAL_COMMA.fullmatch(cell) else cell
            if _NUMBER.fullmatch(text) is None:
                what = f'"{shortened(cell)}" is not a number' if cell else "is empty"
                raise self.error(row, heading, f"{what}; allowed: {bounds.allowed}")
            value = float(text) * factor
            if not bounds.low <= value <= bounds.high:
                raise self.error(
                    row, heading, f"{shortened(cell)} is not within the allowed {bounds.allowed}"
                )
            values[row] = value
        return values

    def texts(self, heading: str) -> tuple[str, ...]:
        """The cells of a column as they stand."""
        column = self.header.index(heading)
        return tuple(cells[column] for cells in self.rows)


def read_csv(path: Path) -> CsvTable:
    """Read a CSV file from outside.

    Parameters
    ----------
    path : Path
        UTF-8 text with a header; columns separated by commas, semicolons or tabs, whichever the header has
        most of. Empty lines are skipped.

    Returns
    -------
    CsvTable
        At least one row.

    Raises
    ------
    InputError
        The file cannot be read, is no regular file, too large, not UTF-8, not a table with a header, or was
        cut off within a row.
    """
    file = printable(str(path))
    text = read_text(path, file, "a CSV file", LARGEST_FILE_BYTES)
    if "\0" in text:
        raise InputError(file, f"line {text.count(chr(10), 0, text.index(chr(0))) + 1}", "is not text")
    if not text.strip():
        raise InputError(file, "", "is empty; allowed: a header line and at least one row")
    if text.lstrip().startswith(("<", "{")):
        raise InputError(file, "", "is not a CSV file; export the figures as comma-separated text")
    too_long = next((n for n, line in enumerate(text.split("\n"), 1) if len(line) > LONGEST_LINE), None)
    if too_long is not None:
        raise InputError(file, f"line {too_long}", f"has more than the allowed {LONGEST_LINE} characters")
    first = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(DELIMITERS, key=first.count)
    records, lines = _records(file, text, delimiter)
    if not records:
        raise InputError(file, "", "holds only empty cells; allowed: a header line and at least one row")
    header = tuple(cell.casefold() for cell in records[0])
    repeated = [heading for number, heading in enumerate(header) if heading and heading in header[:number]]
    if repeated:
        raise InputError(
            file, "header", f'"{shortened(repeated[0])}" is there twice; allowed: headings of their own'
        )
    if all(_NUMBER.fullmatch(cell) for cell in header):
        raise InputError(file, "header", "the first line holds numbers; allowed: the headings of the columns")
    if len(records) == 1:
        raise InputError(file, "", "holds a header and no rows; allowed: at least one row")
    for cells, line in zip(records, lines, strict=True):
        if len(cells) != len(header):
            cut = "; the file was cut off, export it again" if line == lines[-1] else ""
            raise InputError(
                file, f"line {line}", f"has {len(cells)} cells where the header has {len(header)}{cut}"
            )
    return CsvTable(file, header, tuple(records[1:]), tuple(lines[1:]), delimiter != ",")


def _records(file: str, text: str, delimiter: str) -> tuple[list[tuple[str, ...]], list[int]]:
    """Rows that are not empty, the header first, and the lines at which they end."""
    records: list[tuple[str, ...]] = []
    lines: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            if len(cells) > MOST_COLUMNS:
                raise InputError(
                    file, f"line {reader.line_num}", f"has {len(cells)} cells; allowed: {MOST_COLUMNS}"
                )
            if any(cell.strip() for cell in cells):
                records.append(tuple(cell.strip() for cell in cells))
                lines.append(reader.line_num)
                if len(records) > MOST_ROWS + 1:
                    raise InputError(file, "", f"has more than the allowed {MOST_ROWS:,} rows")
    except csv.Error as error:
        raise InputError(
            file, f"line {reader.line_num}", f"is not valid CSV: {shortened(str(error), 120)}"
        ) from error
    return records, lines
