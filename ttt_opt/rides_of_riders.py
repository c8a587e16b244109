"""Whose recorded ride is which: by what the command says, or by names in file names."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path

from ttt_opt.errors import InputError
from ttt_opt.team import Team
from ttt_opt.terminal_names import printable, shortened


def rides_of_riders(team: Team, files: Sequence[Path], named: Sequence[str]) -> dict[str, Path]:
    """The file of each rider's ride.

    Parameters
    ----------
    team : Team
    files : sequence of Path
        Rides whose file names hold the name of exactly one rider, as words of their own, in capitals or not; a first
        name will do where no other rider has it.
    named : sequence of str
        ``NAME=FILE``, which needs no such file name.

    Returns
    -------
    dict of str to Path
        By rider, in the order of the team.

    Raises
    ------
    InputError
        A file belongs to nobody, to several, or to a rider who has one already; a name is not in the team; or there is
        no ride at all.
    """
    found: dict[str, Path] = {}
    pairs = [_split(team, text) for text in named] + [(_owner(team, path), path) for path in files]
    for name, path in pairs:
        if name in found:
            raise InputError(
                printable(str(path)),
                "",
                f"is a second ride of {name}; allowed: one ride for each rider (--rider NAME=FILE)",
            )
        found[name] = path
    if not found:
        raise InputError("RIDE", "", "there is none; give one recorded ride for each rider, GPX or CSV")
    return {rider.name: found[rider.name] for rider in team.riders if rider.name in found}


def _split(team: Team, text: str) -> tuple[str, Path]:
    name, equals, file = text.partition("=")
    if not equals or not file:
        raise InputError("--rider", "", f'"{shortened(text)}" is not NAME=FILE')
    for rider in team.riders:
        if _plain(rider.name) == _plain(name.strip()):
            return rider.name, Path(file)
    raise InputError("--rider", "", f'"{shortened(name)}" is not in the team; allowed: {_names(team)}')


def _owner(team: Team, path: Path) -> str:
    words = _words(path.stem)
    whole = [rider.name for rider in team.riders if _holds(words, _words(rider.name))]
    longest = max((len(_words(name)) for name in whole), default=0)
    owners = [name for name in whole if len(_words(name)) == longest]
    if not owners:
        firsts = [_words(rider.name)[:1] for rider in team.riders]
        owners = [
            rider.name
            for rider, first in zip(team.riders, firsts, strict=True)
            if first and firsts.count(first) == 1 and _holds(words, first)
        ]
    if len(owners) == 1:
        return owners[0]
    what = "names nobody of the team" if not owners else f"names {' and '.join(owners)}"
    raise InputError(
        printable(str(path)),
        "",
        f"{what} in its file name; say whose ride it is with --rider NAME={printable(path.name)}; allowed: "
        f"{_names(team)}",
    )


def _names(team: Team) -> str:
    return shortened(", ".join(rider.name for rider in team.riders), 200)


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", _plain(text))


def _holds(words: Sequence[str], part: Sequence[str]) -> bool:
    """Words that follow one another somewhere among others."""
    starts = range(len(words) - len(part) + 1)
    return bool(part) and any(list(words[start : start + len(part)]) == list(part) for start in starts)
