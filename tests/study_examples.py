"""Cases that are quick to solve, and small races, for tests of the studies."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from conftest import RACE, TEAM, write_race

from ttt_opt.course import Course, read_course
from ttt_opt.race import Race, read_race
from ttt_opt.study_case import Outcome

DAN = """
[[riders]]
name = "Dan"
mass_kg = 74
cp_w = 300
w_prime_j = 18000
cda_m2 = 0.245
"""


@dataclass(frozen=True)
class Doubling:
    """Doubles a number after a while, and notes in a folder that it was solved."""

    number: int
    noted_in: Path
    seconds: float = 0.0

    def inputs(self) -> dict[str, Any]:
        return {"doubling": self.number}

    def solve(self) -> Outcome:
        time.sleep(self.seconds)
        with (self.noted_in / f"{self.number}.txt").open("a", encoding="utf-8") as stream:
            stream.write("solved\n")
        return {"double": 2 * self.number}


@dataclass(frozen=True)
class Failing:
    """Fails."""

    def inputs(self) -> dict[str, Any]:
        return {"failing": True}

    def solve(self) -> Outcome:
        raise ValueError("cannot be solved")


def times_solved(folder: Path) -> dict[str, int]:
    return {path.stem: path.read_text(encoding="utf-8").count("solved") for path in sorted(folder.glob("*.txt"))}


def four_riders(folder: Path, rules: str = "[rules]\nteam_size = 4\n") -> Path:
    """A race file of four riders over three flat kilometres."""
    return write_race(folder, f"{RACE}\n{rules}", TEAM + DAN)


def small(race_file: Path) -> tuple[Race, Course]:
    race = read_race(race_file, larger_team=True)
    return race, read_course(race.course_file, flat=race.flat)


def without_wind(race: Race) -> Race:
    return replace(race, weather=replace(race.weather, wind_speed_mps=0.0))
