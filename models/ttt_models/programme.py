"""Linear programmes in blocks of rows and columns, for models that are too large to be written term by term."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Terms:
    """Linear expressions, one per row: sums of columns times coefficients.

    Attributes
    ----------
    n_rows : int
    row, column : ndarray of int (n_terms,)
    coefficient : ndarray (n_terms,)
    """

    n_rows: int
    row: IntArray
    column: IntArray
    coefficient: FloatArray

    @classmethod
    def of(cls, columns: IntArray) -> Terms:
        """Each row is one column."""
        return cls(len(columns), np.arange(len(columns)), columns, np.ones(len(columns)))

    @classmethod
    def stacked(cls, parts: Sequence[Terms]) -> Terms:
        """The rows of all parts, one part after the other."""
        offsets = np.cumsum([0, *(part.n_rows for part in parts)])
        return cls(
            int(offsets[-1]),
            np.concatenate([part.row + offset for part, offset in zip(parts, offsets, strict=False)]),
            np.concatenate([part.column for part in parts]),
            np.concatenate([part.coefficient for part in parts]),
        )

    def __add__(self, other: Terms) -> Terms:
        if self.n_rows != other.n_rows:
            raise ValueError(f"{self.n_rows} rows and {other.n_rows} rows cannot be added")
        return Terms(
            self.n_rows,
            np.concatenate([self.row, other.row]),
            np.concatenate([self.column, other.column]),
            np.concatenate([self.coefficient, other.coefficient]),
        )

    def __mul__(self, factor: FloatArray | float) -> Terms:
        """Each row times its factor."""
        factors = np.broadcast_to(np.asarray(factor, dtype=np.float64), self.n_rows)
        return Terms(self.n_rows, self.row, self.column, self.coefficient * factors[self.row])

    def __sub__(self, other: Terms) -> Terms:
        return self + other * -1.0

    def take(self, rows: IntArray) -> Terms:
        """Some of the rows, in this order, as often as they are named."""
        by_row = np.argsort(self.row, kind="stable")
        n_terms = np.bincount(self.row, minlength=self.n_rows)
        begin, number = (np.cumsum(n_terms) - n_terms)[rows], n_terms[rows]
        taken_row = np.repeat(np.arange(len(rows)), number)
        within = np.arange(len(taken_row)) - np.repeat(np.cumsum(number) - number, number)
        taken = by_row[np.repeat(begin, number) + within]
        return Terms(len(rows), taken_row, self.column[taken], self.coefficient[taken])

    def onto(self, rows: IntArray, n_rows: int) -> Terms:
        """Row j is added to row ``rows[j]`` of ``n_rows``."""
        return Terms(n_rows, rows[self.row], self.column, self.coefficient)


@dataclass(frozen=True)
class Block:
    """Columns or rows of one name: the first of them, how many, and what each is for.

    Attributes
    ----------
    first, size : int
    index : ndarray of int (size, n_indices)
    """

    first: int
    size: int
    index: IntArray

    @classmethod
    def of(cls, first: int, size: int, index: IntArray | None) -> Block:
        """With the numbers 0, 1, … as index where none is given; a single one has none."""
        if index is None:
            index = np.arange(size)[:, None] if size != 1 else np.empty((1, 0), dtype=np.int64)
        if len(index) != size:
            raise ValueError(f"{len(index)} indices of {size} columns or rows")
        return cls(first, size, index)

    @property
    def numbers(self) -> IntArray:
        """Numbers of the columns or rows."""
        return np.arange(self.first, self.first + self.size)


@dataclass
class Programme:
    """A linear programme that is being written: minimise the cost of its columns.

    Attributes
    ----------
    columns, rows : dict
        Blocks by name.
    lower, upper, cost : list of ndarray
        Bounds and cost of the columns, block by block.
    integer : list of ndarray of bool
        Columns that must be whole.
    implied_lower, implied_upper : list of ndarray of bool
        Bounds that the rows imply, or no optimum needs.
    row_lower, row_upper : list of ndarray
    terms : list of (ndarray, ndarray, ndarray)
        Rows, columns and coefficients.
    """

    columns: dict[str, Block] = field(default_factory=dict)
    rows: dict[str, Block] = field(default_factory=dict)
    lower: list[FloatArray] = field(default_factory=list)
    upper: list[FloatArray] = field(default_factory=list)
    cost: list[FloatArray] = field(default_factory=list)
    integer: list[BoolArray] = field(default_factory=list)
    implied_lower: list[BoolArray] = field(default_factory=list)
    implied_upper: list[BoolArray] = field(default_factory=list)
    row_lower: list[FloatArray] = field(default_factory=list)
    row_upper: list[FloatArray] = field(default_factory=list)
    terms: list[tuple[IntArray, IntArray, FloatArray]] = field(default_factory=list)

    @property
    def n_columns(self) -> int:
        """Number of columns so far."""
        return sum(block.size for block in self.columns.values())

    @property
    def n_rows(self) -> int:
        """Number of rows so far."""
        return sum(block.size for block in self.rows.values())

    def add_columns(
        self,
        name: str,
        size: int,
        lower: FloatArray | float,
        upper: FloatArray | float,
        *,
        implied: str = "",
        integer: bool = False,
        index: IntArray | None = None,
    ) -> IntArray:
        """A block of columns between bounds, of which ``lower``, ``upper`` or ``both`` are implied; their numbers."""
        if name in self.columns:
            raise ValueError(f"there is a block of columns {name} already")
        block = Block.of(self.n_columns, size, index)
        self.columns[name] = block
        for values, bound in ((self.lower, lower), (self.upper, upper), (self.cost, 0.0)):
            values.append(np.array(np.broadcast_to(np.asarray(bound, dtype=np.float64), size)))
        self.integer.append(np.full(size, integer))
        self.implied_lower.append(np.full(size, implied in ("lower", "both")))
        self.implied_upper.append(np.full(size, implied in ("upper", "both")))
        return block.numbers

    def add_cost(self, terms: Terms) -> None:
        """Add expressions to the objective."""
        total = np.zeros(self.n_columns)
        np.add.at(total, terms.column, terms.coefficient)
        for block, cost in zip(self.columns.values(), self.cost, strict=True):
            cost += total[block.first : block.first + block.size]

    def add_rows(
        self,
        name: str,
        terms: Terms,
        lower: FloatArray | float = -np.inf,
        upper: FloatArray | float = np.inf,
        *,
        index: IntArray | None = None,
    ) -> None:
        """A block of rows between bounds."""
        if name in self.rows:
            raise ValueError(f"there is a block of rows {name} already")
        first = self.n_rows
        self.rows[name] = Block.of(first, terms.n_rows, index)
        for values, bound in ((self.row_lower, lower), (self.row_upper, upper)):
            values.append(np.array(np.broadcast_to(np.asarray(bound, dtype=np.float64), terms.n_rows)))
        self.terms.append((terms.row + first, terms.column, terms.coefficient))
