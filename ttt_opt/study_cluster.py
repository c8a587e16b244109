"""The same study on a Dask cluster: the one module that knows it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import Executor

from ttt_opt import __version__
from ttt_opt.errors import InputError, SolverFailureError
from ttt_opt.terminal_names import printable

CONNECTING_S = 10.0
CASES_PER_THREAD = 2
"""Cases that the scheduler holds for each thread, so that no worker waits for this program."""


@contextlib.contextmanager
def cluster_executor(address: str) -> Iterator[tuple[Executor, int]]:
    """Something that solves cases on the workers of a scheduler, and how many it gets at once.

    Parameters
    ----------
    address : str
        Of the scheduler, as ``tcp://host:8786``.

    Raises
    ------
    InputError
        The extra ``cluster`` is not installed, nobody answers at the address, or the scheduler has no workers.
    SolverFailureError
        A worker has another version of this program, or none.

    Notes
    -----
    The scheduler gives what a lost worker had to another one; each answer is taken once.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError("--scheduler", "", "needs the extra cluster: pip install 'ttt-opt[cluster]'") from error
    shown = printable(address)
    try:
        client = Client(address, timeout=CONNECTING_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            "--scheduler", "", f"{shown} does not answer; allowed: the address of a Dask scheduler, tcp://host:8786"
        ) from error
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise InputError("--scheduler", "", f"{shown} has no workers; start some: dask worker {shown}")
        try:
            versions = client.run(_version)
        except ImportError as error:
            raise SolverFailureError(f"workers of {shown} lack ttt-opt {__version__}") from error
        other = sorted({found for found in versions.values() if found != __version__})
        if other:
            raise SolverFailureError(f"workers of {shown} have ttt-opt {', '.join(other)}, this is {__version__}")
        yield client.get_executor(pure=False), CASES_PER_THREAD * threads


def _version() -> str:
    """On a worker: its version of this program."""
    return __version__
