"""The quick bound of a team: closed forms, what it must grow with, and never above a plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import straight_road_gpx
from numpy.typing import NDArray
from scipy.optimize import brentq

from ttt_opt.course import Course, read_course
from ttt_opt.drafting import draft_shares
from ttt_opt.physics import DRIVETRAIN_EFFICIENCY, FloatLike, air_density_at, kinetic_mass, road_load_power
from ttt_opt.plan import Plan
from ttt_opt.race import Limits, Race, Rules
from ttt_opt.race_changes import scaled, with_riders, with_team_of, with_wind
from ttt_opt.rotation_problem import road_of, segments_of
from ttt_opt.team import Rider, Team
from ttt_opt.team_bound import team_bound

FloatArray = NDArray[np.float64]
EQUAL = Rider("A", mass_kg=72.0, cp_w=310.0, w_prime_j=18000.0, cda_m2=0.24)


def equal_team(n_riders: int) -> Team:
    return Team("Equal", tuple(replace(EQUAL, name=f"Rider {number}") for number in range(n_riders)))


def level_road(folder: Path) -> Course:
    path = folder / "course.gpx"
    path.write_text(straight_road_gpx(8000.0), encoding="utf-8")
    return read_course(path)


def steady_climb(folder: Path, grade: float) -> Course:
    course = level_road(folder)
    return replace(course, elevation_m=grade * np.asarray(course.distance_m))


def bound_of(race: Race, folder: Path, grade: float = 0.0) -> float:
    course = steady_climb(folder, grade)
    return team_bound(road_of(segments_of(course, race), race, float(course.elevation_m[0])), race)


def equal_race(n_riders: int, **other: object) -> Race:
    limits = Limits(sustainable_share_of_cp=1.0)
    return Race("Equal", equal_team(n_riders), Path("course.gpx"), limits=limits, **other)  # type: ignore[arg-type]


@pytest.mark.parametrize(("n_riders", "grade"), [(2, 0.0), (3, 0.0), (4, 0.0), (3, 0.03), (3, 0.08), (3, 0.15)])
def test_equal_riders_with_full_recovery(n_riders: int, grade: float, tmp_path: Path) -> None:
    """Where W' comes back one to one, only the sum of work counts: equal riders share the lead equally, and their mean
    power, over the places of the line, is critical power plus W' over the time. Closed form from the conservation of
    energy, with our physics of one rider (Martin et al. 1998): not below the time without a start, not above that of
    rides that accelerate evenly and go on at one speed.
    """
    race = equal_race(n_riders, recovery="constant", recovery_share=1.0)
    shares = draft_shares(race.drafting, n_riders, race.wheel_gap_m)
    weather, length_m = race.weather, level_road(tmp_path).length_m
    rise_m = 0.5 * grade * length_m
    density = float(air_density_at(weather.temperature_c, weather.pressure_hpa * 100.0, weather.humidity, rise_m))

    def power(speed_mps: FloatLike) -> FloatArray:
        """Mean over the places of the line."""
        return road_load_power(
            speed_mps, mass_kg=EQUAL.total_mass_kg, drag_area_m2=EQUAL.cda_m2 * float(np.mean(shares)), grade=grade,
            headwind_mps=0.0, air_density=density, crr=race.crr,
        )  # fmt: skip

    spare_j = EQUAL.w_prime_j - race.limits.w_prime_reserve_j

    def missing_j(speed_mps: float, acceleration_mps2: float) -> float:
        """What riders lack who accelerate evenly from standstill, and ride at one speed from there on (J)."""
        up_s = speed_mps / acceleration_mps2
        slow = speed_mps * (np.arange(200) + 0.5) / 200
        kinetic_j = 0.5 * float(kinetic_mass(EQUAL.total_mass_kg)) * speed_mps**2 / DRIVETRAIN_EFFICIENCY
        on_s = (length_m - 0.5 * speed_mps * up_s) / speed_mps
        work_j = float(np.mean(power(slow))) * up_s + kinetic_j + float(power(speed_mps)) * on_s
        return work_j - EQUAL.cp_w * (up_s + on_s) - spare_j

    rides_s = []
    for acceleration in (0.5, 1.0, 1.5, 2.0):
        speed = brentq(missing_j, 1.5, 25.0, args=(acceleration,))
        rides_s.append(length_m / speed + 0.5 * speed / acceleration)
    steady = brentq(lambda speed: float((power(speed) - EQUAL.cp_w) * length_m / speed - spare_j), 1.5, 25.0)
    bound_s = bound_of(race, tmp_path, grade)
    assert 0.997 * length_m / steady < bound_s < min(rides_s)


def test_never_above_a_plan(small_plan: Plan) -> None:
    for recovery in ("differential", "constant"):
        race = replace(small_plan.race, recovery=recovery)
        bound_s = team_bound(small_plan.road, race)
        if recovery == race.recovery == small_plan.race.recovery:
            assert 0.9 * small_plan.finish_time_s < bound_s < small_plan.finish_time_s


def test_grows_with_what_makes_a_team_slower(small_plan: Plan) -> None:
    road, race = small_plan.road, small_plan.race
    base_s = team_bound(road, race)
    weaker = with_riders(race, lambda rider: scaled(rider, cp=0.95))
    emptier = with_riders(race, lambda rider: scaled(rider, w_prime=0.8))
    broader = with_riders(race, lambda rider: replace(rider, cda_m2=1.05 * rider.cda_m2))
    for slower in (weaker, emptier, broader):
        assert team_bound(road, slower) > base_s * 1.001
    windy = with_wind(race, 8.0, 0.0)  # the road runs north: a head wind
    assert team_bound(road_of(road.segments, windy, 0.0), windy) > 1.05 * base_s


def test_size_of_the_rider_ahead(small_plan: Plan) -> None:
    """Each of the three leads a third of the time behind whom the others follow: it evens out, to 1.5 % at least."""
    road, race = small_plan.road, small_plan.race
    base_s = team_bound(road, race)
    assert len({rider.mass_kg for rider in race.team.riders}) > 1
    assert 0.985 * base_s < team_bound(road, replace(race, drafting_per_kg=0.003)) < base_s
    alike = with_riders(race, lambda rider: replace(rider, mass_kg=70.0))
    assert team_bound(road, replace(alike, drafting_per_kg=0.003)) == team_bound(road, alike)


def test_dropping_and_sitting_on(small_plan: Plan) -> None:
    """More freedom, never a higher bound; a rider who may not pull, never a lower one."""
    road, race = small_plan.road, small_plan.race
    base_s = team_bound(road, race)
    assert team_bound(road, replace(race, rules=Rules(counting_rider=2))) <= base_s + 0.05
    strongest = max(race.team.riders, key=lambda rider: rider.cp_w).name
    sitting = with_riders(race, lambda rider: replace(rider, pulls=rider.name != strongest))
    assert team_bound(road, sitting) >= base_s - 0.05


def test_large_teams_take_the_best_place_for_all_who_follow(tmp_path: Path) -> None:
    """Eight equal riders, each of whom gets the best share of a line of eight while he follows."""
    race = equal_race(8, recovery="constant", recovery_share=1.0)
    few = with_team_of(race, {rider.name for rider in race.team.riders[:4]})
    assert 0.85 * bound_of(few, tmp_path) < bound_of(race, tmp_path) < bound_of(few, tmp_path)
