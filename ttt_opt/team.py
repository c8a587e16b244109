"""Riders and teams, and reading them from a team file (TOML)."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass, fields, replace
from pathlib import Path

from ttt_opt.toml_input import Bounds, Table, read_toml

FEWEST_RIDERS, MOST_RIDERS = 2, 12
LONGEST_NAME = 80

RIDER_BOUNDS = {
    "mass_kg": Bounds(35.0, 150.0, "kg", "rider in race clothing, without the bicycle"),
    "bicycle_mass_kg": Bounds(5.0, 25.0, "kg", "bicycle with bottles"),
    "cp_w": Bounds(80.0, 600.0, "W", "critical power, not W/kg"),
    "w_prime_j": Bounds(2000.0, 60000.0, "J", "work above critical power, in joules, not kJ"),
    "cda_m2": Bounds(0.12, 0.60, "m2", "drag area of the rider alone in the time-trial position"),
    "height_m": Bounds(1.2, 2.3, "m", "metres, not centimetres"),
    "peak_power_w": Bounds(150.0, 2500.0, "W", "highest power used in starts and out of bends"),
    "shortest_pull_s": Bounds(3.0, 600.0, "s"),
    "longest_pull_s": Bounds(5.0, 3600.0, "s"),
    "cp_se_w": Bounds(0.0, 100.0, "W", "standard error of cp_w"),
    "w_prime_se_j": Bounds(0.0, 30000.0, "J", "standard error of w_prime_j, in joules"),
}
"""What a team file may say: wide enough for juniors and champions, narrow enough to catch a wrong unit."""

_MAY_BE_ZERO = frozenset({"bicycle_mass_kg", "w_prime_j", "shortest_pull_s", "cp_se_w", "w_prime_se_j"})

WATT_PER_KG_BOUNDS = Bounds(1.0, 8.0, "W/kg", "critical power over body mass")


@dataclass(frozen=True)
class Rider:
    """One rider, as a coach knows him or her.

    Attributes
    ----------
    name : str
    mass_kg, bicycle_mass_kg : float
        Body mass with clothing; bicycle with bottles (kg).
    cp_w : float
        Critical power (W).
    w_prime_j : float
        Work above critical power that the rider holds when fresh (J).
    cda_m2 : float
        Drag area alone, in the time-trial position (m2).
    height_m : float or None
    peak_power_w : float or None
        Highest power used in starts and out of bends (W); ``None``: critical power plus W' over 60 s.
    pulls : bool
        ``False``: the rider sits on for the whole race, on the last wheels.
    may_sit_on : bool
        The rider may sit on from the start, or share no pulls any more after one of his own and sit on from there to
        the finish; the plan says whether and where.
    shortest_pull_s, longest_pull_s : float or None
        Own bounds on a pull on the flat (s); ``None``: those of the race file.
    cp_se_w, w_prime_se_j : float or None
        Standard errors of critical power (W) and W' (J), as a fit of efforts has them; ``None``: not known. No plan
        uses them; they are for studies of how sure a plan is.

    Raises
    ------
    ValueError
        A value that no rider can have, such as a mass that is not positive. The narrower bounds of a team
        file are :data:`RIDER_BOUNDS`. The text begins with the field.
    """

    name: str
    mass_kg: float
    cp_w: float
    w_prime_j: float
    cda_m2: float
    bicycle_mass_kg: float = 8.5
    height_m: float | None = None
    peak_power_w: float | None = None
    pulls: bool = True
    may_sit_on: bool = False
    shortest_pull_s: float | None = None
    longest_pull_s: float | None = None
    cp_se_w: float | None = None
    w_prime_se_j: float | None = None

    def __post_init__(self) -> None:
        for field in RIDER_BOUNDS:
            value = getattr(self, field)
            if value is None or (value == 0.0 and field in _MAY_BE_ZERO):
                continue
            if not 0.0 < value < math.inf:
                raise ValueError(f"{field}: {value} is not finite and positive")
        if self.may_sit_on and not self.pulls:
            raise ValueError("may_sit_on: true, but pulls is false: the rider sits on from the start; leave one out")
        if self.peak_power_w is not None and self.peak_power_w < self.cp_w:
            raise ValueError(
                f"peak_power_w: {self.peak_power_w:g} W is below the rider's cp_w of {self.cp_w:g} W"
            )
        if (
            self.shortest_pull_s is not None
            and self.longest_pull_s is not None
            and self.shortest_pull_s > self.longest_pull_s
        ):
            raise ValueError(
                f"shortest_pull_s: {self.shortest_pull_s:g} s is more than the rider's "
                f"longest_pull_s of {self.longest_pull_s:g} s"
            )

    @property
    def total_mass_kg(self) -> float:
        """Rider and bicycle (kg)."""
        return self.mass_kg + self.bicycle_mass_kg

    @property
    def peak_w(self) -> float:
        """Highest power used (W), by default critical power plus W' spent in 60 s."""
        return self.peak_power_w if self.peak_power_w is not None else self.cp_w + self.w_prime_j / 60.0


@dataclass(frozen=True)
class Team:
    """A team as it starts: a name and its riders in the order of the file.

    Raises
    ------
    ValueError
        No riders, or two of the same name.
    """

    name: str
    riders: tuple[Rider, ...]

    def __post_init__(self) -> None:
        if not self.riders:
            raise ValueError("a team needs riders")
        if len({_alike(rider.name) for rider in self.riders}) < len(self.riders):
            raise ValueError("two riders have the same name")

    def pulling_throughout(self) -> Team:
        """The same team, in which nobody stops pulling before the finish."""
        return replace(self, riders=tuple(replace(rider, may_sit_on=False) for rider in self.riders))


def read_team(path: Path) -> Team:
    """Read a team file.

    Parameters
    ----------
    path : Path
        TOML file with a section ``[team]`` (``name``) and one section ``[[riders]]`` for each rider, whose
        fields are those of :class:`Rider`. Left out: bicycle 8.5 kg, peak power as :attr:`Rider.peak_w`, the
        rider pulls.

    Returns
    -------
    Team
        With 2 to 12 riders.

    Raises
    ------
    InputError
        The file cannot be read or a field is wrong; the text names it, its value and what is allowed.
    """
    top = read_toml(path)
    top.refuse_unknown(("team", "riders"))
    team = top.subtable("team")
    team.refuse_unknown(("name",))
    name = team.text("name", LONGEST_NAME)
    sections = top.subtables("riders")
    if not FEWEST_RIDERS <= len(sections) <= MOST_RIDERS:
        raise top.error(
            "riders",
            f"there are {len(sections)}; allowed: {FEWEST_RIDERS} to {MOST_RIDERS} sections [[riders]]",
        )
    riders: list[Rider] = []
    for section in sections:
        rider = _rider(section)
        if _alike(rider.name) in {_alike(other.name) for other in riders}:
            raise section.error(
                "name", f'"{rider.name}" is there twice; allowed: a name of its own for every rider'
            )
        riders.append(rider)
    return Team(name, tuple(riders))


def _rider(section: Table) -> Rider:
    section.refuse_unknown([field.name for field in fields(Rider)])
    name = unicodedata.normalize("NFC", section.text("name", LONGEST_NAME))
    section = Table(section.file, section.section, section.values, about=name)

    def required(key: str) -> float:
        return section.number(key, RIDER_BOUNDS[key])

    def optional(key: str) -> float | None:
        return section.number_or(key, RIDER_BOUNDS[key], None)

    mass_kg, cp_w = required("mass_kg"), required("cp_w")
    if not WATT_PER_KG_BOUNDS.low <= cp_w / mass_kg <= WATT_PER_KG_BOUNDS.high:
        raise section.error(
            "cp_w",
            f"{cp_w:g} W at {mass_kg:g} kg is {cp_w / mass_kg:.2f} W/kg; "
            f"allowed: {WATT_PER_KG_BOUNDS.allowed}",
        )
    try:
        return Rider(
            name=name,
            mass_kg=mass_kg,
            cp_w=cp_w,
            w_prime_j=required("w_prime_j"),
            cda_m2=required("cda_m2"),
            bicycle_mass_kg=section.number_or(
                "bicycle_mass_kg", RIDER_BOUNDS["bicycle_mass_kg"], Rider.bicycle_mass_kg
            ),
            height_m=optional("height_m"),
            peak_power_w=optional("peak_power_w"),
            pulls=section.truth_or("pulls", Rider.pulls),
            may_sit_on=section.truth_or("may_sit_on", Rider.may_sit_on),
            shortest_pull_s=optional("shortest_pull_s"),
            longest_pull_s=optional("longest_pull_s"),
            cp_se_w=optional("cp_se_w"),
            w_prime_se_j=optional("w_prime_se_j"),
        )
    except ValueError as error:
        raise section.rephrased(error) from error


def _alike(name: str) -> str:
    """A name as a command line compares it: regardless of capitals and of how accents are stored."""
    return unicodedata.normalize("NFC", name).casefold()
