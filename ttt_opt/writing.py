"""Writing results: all of them or none, and never a half-written file."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]  # told apart where it is used

from ttt_opt.errors import InputError
from ttt_opt.interrupts import interrupts_wait
from ttt_opt.terminal_names import printable


def prepare_folder(folder: Path) -> None:
    """Make the folder for results, with those above it, and make sure that files can be written there.

    Raises
    ------
    InputError
        The folder cannot be made, is no folder, or cannot be written.
    """
    probe = folder / f".writable-{os.getpid()}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            _write_synced(probe, b"")
        finally:
            probe.unlink(missing_ok=True)
    except (OSError, ValueError) as error:
        raise _cannot(folder, error) from error


def write_results(folder: Path, contents: Mapping[str, str]) -> None:
    """Write files into a folder so that each is either the old or the complete new one.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.
    contents : mapping of str to str
        Text of each file by its name; written as UTF-8 with line ends as they are.

    Raises
    ------
    InputError
        The folder or a file in it cannot be written. Older results are untouched; if the very last step failed
        half-way, the text names those that are already replaced.

    Notes
    -----
    All files are written in full under other names in the same folder and handed to the disk, only then do
    they take their names one after the other, each in one step. Meanwhile Ctrl-C waits, and so does another run
    that writes into the same folder: the files of a folder are those of one run. What is left of an attempt that
    failed is removed.
    """
    prepare_folder(folder)
    parts = {folder / name: folder / f".{name}-{os.getpid()}.part" for name in contents}
    try:
        for target in parts:
            if target.is_dir():
                raise InputError(
                    printable(str(target)), "", "is a folder; choose another --out or move it away"
                )
        for target, part in parts.items():
            _write_synced(part, contents[target.name].encode("utf-8"))
        with interrupts_wait(), _alone_in(folder):
            _take_names(parts)
        _sync_folder(folder)
    except OSError as error:
        raise _cannot(folder, error) from error
    finally:
        for part in parts.values():
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)


def write_new_file(path: Path, content: str) -> None:
    """Write one file that must not be there yet, whole or not at all.

    Parameters
    ----------
    path : Path
        Its folder is made where it does not exist.
    content : str
        Written as UTF-8.

    Raises
    ------
    InputError
        The file exists already, or it cannot be written.
    """
    if os.path.lexists(path):
        raise InputError(printable(str(path)), "", "is there already; choose another --out or move it away")
    write_results(path.parent, {path.name: content})


def _write_synced(path: Path, content: bytes) -> None:
    """Write a new file and wait until the disk has it; what an old attempt left is removed, not followed."""
    path.unlink(missing_ok=True)
    with path.open("xb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _take_names(parts: Mapping[Path, Path]) -> None:
    """Give each complete file its name."""
    done: list[str] = []
    for target, part in parts.items():
        try:
            part.replace(target)
        except OSError as error:
            if not done:
                raise
            replaced = f"{', '.join(done)} are those of this run already, the others are not"
            raise InputError(
                printable(str(target)), "", f"cannot be replaced: {error.strerror}; {replaced}; use another --out"
            ) from error
        done.append(target.name)


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Keep other runs from giving names in this folder, where the system and the disk can."""
    if fcntl is None:
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # disks that know no locks
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _sync_folder(folder: Path) -> None:
    """Wait until the disk has the new names, where the system can open folders."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _cannot(folder: Path, error: OSError | ValueError) -> InputError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return InputError(
        printable(str(folder)), "", f"cannot be written: {reason}; choose another folder with --out"
    )
