"""The few ways in which a run can fail, each with its exit code (see the command line)."""

from __future__ import annotations

from collections.abc import Mapping


class InputError(ValueError):
    """A file from outside holds something we cannot use.

    Parameters
    ----------
    file : str
        Name of the file as the user gave it.
    field : str
        What in the file is wrong, e.g. ``riders[2].cp_w`` or ``track point 17``; may be empty.
    problem : str
        What is wrong with it, with the value found, and what is allowed, as the rest of one sentence.
    """

    def __init__(self, file: str, field: str, problem: str) -> None:
        self.file, self.field, self.problem = file, field, problem
        where = f"{file}: {field}" if field else file
        super().__init__(f"{where}: {problem}")


class NoFeasiblePlanError(RuntimeError):
    """No schedule satisfies every limit; the text names the limit that binds and the change that helps.

    Parameters
    ----------
    problem : str
        One sentence.
    missed : mapping of str to str
        Limits that the nearest schedule misses, as the files name them, and by whom and where it misses each most.
    """

    def __init__(self, problem: str, missed: Mapping[str, str] | None = None) -> None:
        self.missed = dict(missed or {})
        super().__init__(problem)


class SolverFailureError(RuntimeError):
    """The solver stopped without a plan for another reason than infeasibility."""
