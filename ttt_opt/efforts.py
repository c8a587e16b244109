"""Maximal efforts: how long a rider held how much power, from a CSV file or from recorded rides."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ttt_opt.csv_input import CsvTable, Quantity, read_csv
from ttt_opt.errors import InputError
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.smoothing import on_seconds
from ttt_opt.team import LONGEST_NAME
from ttt_opt.terminal_names import is_unsafe, printable, shortened
from ttt_opt.toml_input import Bounds

DURATION = Quantity(
    {"seconds": 1.0, "duration_s": 1.0, "minutes": 60.0},
    Bounds(10.0, 14400.0, "s", "duration of a maximal effort"),
)
POWER = Quantity({"watts": 1.0, "power_w": 1.0}, Bounds(50.0, 2500.0, "W", "mean power of the effort"))
RIDER = "rider"

NAMELESS = "Rider"
"""Goes by this name where neither the file nor the command names the rider."""
MOST_EFFORTS = 200
BEST_OVER_S = (120.0, 180.0, 300.0, 480.0, 720.0, 900.0)
"""Durations over which the best efforts of recorded rides are taken (s): where critical power holds."""
WHOLE_SHARE = 0.98
LONGEST_GAP_S = 8.0
BEST_EFFORTS_CAUTION = (
    "These are the best efforts of recorded rides: not all of them were maximal, nor ridden fresh, so critical power "
    "may be higher, and W' is the less certain. Windows of one ride overlap, so the intervals are too narrow."
)


@dataclass(frozen=True)
class Effort:
    """A maximal effort.

    Attributes
    ----------
    duration_s : float
        (s).
    power_w : float
        Mean power (W).

    Raises
    ------
    ValueError
        A value is not finite and positive.
    """

    duration_s: float
    power_w: float

    def __post_init__(self) -> None:
        for value in (self.duration_s, self.power_w):
            if not 0.0 < value < math.inf:
                raise ValueError(f"an effort of {self.duration_s} s at {self.power_w} W is none")

    @property
    def work_j(self) -> float:
        """Work done (J)."""
        return self.power_w * self.duration_s


def read_efforts(path: Path, rider: str | None = None) -> dict[str, tuple[Effort, ...]]:
    """Read maximal efforts, of one rider or of several.

    Parameters
    ----------
    path : Path
        CSV file with the columns ``seconds`` and ``watts`` and, for several riders, ``rider``.
    rider : str, optional
        Only this one's efforts; in a file without a column ``rider``, the name of its rider.

    Returns
    -------
    dict of str to tuple of Effort
        By rider, in the order of the file; at most 200 efforts each.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing or unknown, a value is wrong, a name is none that a team
        file may have, or the file has no efforts of the rider asked for.
    """
    if rider is not None:
        rider = rider_name(rider, "--rider")
    table = read_csv(path)
    duration, power = table.require(DURATION), table.require(POWER)
    unknown = [heading for heading in table.header if heading not in (duration, power, RIDER)]
    if unknown:
        raise InputError(
            table.file,
            "header",
            f'"{shortened(unknown[0])}" is not known here; allowed: seconds, watts and rider',
        )
    efforts: dict[str, list[Effort]] = {}
    for name, duration_s, power_w in zip(
        _names(table, rider or NAMELESS),
        table.numbers(duration, DURATION),
        table.numbers(power, POWER),
        strict=True,
    ):
        own = efforts.setdefault(name, [])
        own.append(Effort(float(duration_s), float(power_w)))
        if len(own) > MOST_EFFORTS:
            raise InputError(table.file, "", f"has more than {MOST_EFFORTS} efforts of {printable(name)}")
    found = {name: tuple(own) for name, own in efforts.items()}
    if rider is None:
        return found
    if rider not in found:
        there = shortened(", ".join(found), 200)
        raise InputError(table.file, RIDER, f'"{shortened(rider)}" is not there; allowed: {there}')
    return {rider: found[rider]}


def best_efforts(rides: Sequence[RecordedRide]) -> tuple[Effort, ...]:
    """The highest mean powers in recorded rides, over durations of 2 to 15 min.

    Parameters
    ----------
    rides : sequence of RecordedRide
        Of one rider, with power.

    Returns
    -------
    tuple of Effort
        One for each duration of :data:`BEST_OVER_S` that a ride is long enough for.

    Raises
    ------
    ValueError
        No ride holds two of the durations without gaps in its power.

    Notes
    -----
    Power of a sample is the mean since the one before; a window counts where at most 2 % of it was not recorded, and
    what was not counts as 0.
    """
    best: dict[float, float] = {}
    for ride in rides:
        seconds = np.arange(ride.time_s[0], ride.time_s[-1] + 1.0)
        power = on_seconds(ride.time_s, ride.power_w, seconds, LONGEST_GAP_S)
        known = np.isfinite(power)
        work = np.append(0.0, np.cumsum(np.where(known, power, 0.0)))
        count = np.append(0, np.cumsum(known))
        for duration_s in BEST_OVER_S:
            width = int(duration_s)
            if width > len(power):
                continue
            whole = count[width:] - count[:-width] >= WHOLE_SHARE * width
            if whole.any():
                mean_w = float((work[width:] - work[:-width])[whole].max()) / width
                best[duration_s] = max(best.get(duration_s, 0.0), mean_w)
    found = tuple(Effort(duration_s, power_w) for duration_s, power_w in best.items() if power_w > 0.0)
    if len(found) < 2:
        raise ValueError("holds no 3 min of power without gaps; allowed: rides with efforts of 2 to 15 min")
    return found


def rider_name(text: str, where: str) -> str:
    """A rider's name as a team file may have it.

    Parameters
    ----------
    text : str
    where : str
        Where it stands, for the error message.

    Raises
    ------
    InputError
        It is empty, too long, or holds a control, hidden or direction-changing character.
    """
    name = unicodedata.normalize("NFC", text.strip(" "))
    if not 1 <= len(name) <= LONGEST_NAME or any(is_unsafe(character) for character in name):
        raise InputError(
            where,
            "",
            f'"{shortened(name)}" is not a name; allowed: text on one line, 1 to {LONGEST_NAME} characters',
        )
    return name


def _names(table: CsvTable, nameless: str) -> list[str]:
    if RIDER not in table.header:
        return [nameless] * len(table.rows)
    return [
        rider_name(text, f"{table.file}: line {line}, {RIDER}")
        for text, line in zip(table.texts(RIDER), table.lines, strict=True)
    ]
