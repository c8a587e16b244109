"""What the commands of the command line share."""

from __future__ import annotations

import contextlib
import math
import os
import sys
from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import Annotated, ParamSpec

import typer

INTERRUPTED = 130

Parameters = ParamSpec("Parameters")


def interruptible(command: Callable[Parameters, None]) -> Callable[Parameters, None]:
    """A command that ends with one sentence and its own exit code on Ctrl-C."""

    @wraps(command)
    def interruptible(*args: Parameters.args, **kwargs: Parameters.kwargs) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            say("interrupted")
            raise typer.Exit(INTERRUPTED) from None

    return interruptible


RaceFile = Annotated[Path, typer.Argument(metavar="RACE", help="Race file (TOML).", show_default=False)]


def finite(value: float) -> float:
    """A number from the command line that is one."""
    if not math.isfinite(value):
        raise typer.BadParameter(f"{value} is not finite")
    return value


@contextlib.contextmanager
def silent_libraries() -> Iterator[None]:
    """Keep the solver's licence banner, which it prints past Python, out of the answer on standard output.

    Python's own standard output is not used meanwhile: progress goes to standard error.
    """
    sys.stdout.flush()
    kept = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def say(sentence: str) -> None:
    """One sentence on standard error."""
    print(f"ttt-opt: {sentence}", file=sys.stderr)
