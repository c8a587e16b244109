"""One rider alone: the whole search against the continuous optimum that a general tool for optimal control finds.

The outside examiner is Ipopt (interior point for smooth programmes), fed by casadi: every ten metres it chooses power
freely, under the equation of motion of Martin et al. 1998 (J Appl Biomech 14, 276-291), written anew here, and the
two-parameter model of critical power (Monod & Scherrer 1965) with a constant share of recovery. It knows neither
segments nor a grid of speeds nor integers. Our side is the search for teams, with a team of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
import pytest

from ttt_opt.course import Course
from ttt_opt.physics import air_density_at
from ttt_opt.plan import Plan, plan_of, ride_and_check
from ttt_opt.race import Limits, Race, Weather
from ttt_opt.ride import LARGEST_ACCELERATION_MPS2
from ttt_opt.rotation_optimum import optimise
from ttt_opt.rotation_problem import road_of, segments_of
from ttt_opt.search_control import Settings
from ttt_opt.team import Rider, Team

RIDER = Rider("Arne", mass_kg=72.0, cp_w=320.0, w_prime_j=20000.0, cda_m2=0.24, peak_power_w=900.0)
EFFICIENCY, WHEELS_M2, WHEEL_KG, GRAVITY = 0.976, 0.0044, 0.14 / 0.311**2, 9.80665
"""Martin et al. 1998: drivetrain, drag area of rotating wheels, their inertia as mass; standard gravity."""
RECOVERY, RESERVE_J, CRR = 0.5, 3000.0, 0.004
LENGTH_M, STEP_M = 8_000.0, 10.0


@dataclass(frozen=True)
class Example:
    """A road: its hills, its turning and the wind at 10 m."""

    hills_m: float
    turns_deg: float
    wind_mps: float

    def course(self) -> Course:
        """No bends: the heading turns slowly all the way."""
        distance = np.linspace(0.0, LENGTH_M, round(LENGTH_M / STEP_M) + 1)
        zero = np.zeros_like(distance)
        elevation = 100.0 + self.hills_m * (1.0 - np.cos(2.0 * np.pi * distance / 2_000.0))
        return Course(
            name="Example",
            distance_m=distance,
            elevation_m=elevation,
            latitude_deg=zero,
            longitude_deg=zero,
            heading_deg=self.turns_deg * distance / LENGTH_M,
            bend_radius_m=np.full_like(distance, np.inf),
            repairs=(),
            total_climb_m=float(np.maximum(np.diff(elevation), 0.0).sum()),
        )

    def race(self) -> Race:
        """Limits that mean something only for teams are as loose as they go."""
        return Race(
            "Example",
            Team("Alone", (RIDER,)),
            Path("none.gpx"),
            weather=Weather(wind_speed_mps=self.wind_mps, wind_from_deg=0.0, shelter=1.0),
            limits=Limits(
                surge_w=300.0,
                surge_kmh=20.0,
                top_speed_kmh=110.0,
                on_wheel_share_of_cp=2.0,
                w_prime_reserve_j=RESERVE_J,
                sustainable_share_of_cp=1.0,
            ),
            crr=CRR,
            recovery="constant",
            recovery_share=RECOVERY,
        )


EXAMPLES = {
    "flat, calm": Example(0.0, 0.0, 0.0),
    "hills": Example(12.0, 0.0, 0.0),
    "wind that turns from head to tail": Example(0.0, 180.0, 6.0),
    "hills and wind": Example(12.0, 180.0, 6.0),
}


@cache
def our_plan(name: str) -> Plan:
    example = EXAMPLES[name]
    course, race = example.course(), example.race()
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    settings = Settings(time_limit_s=200.0, gap=0.0, processes=1)
    return plan_of(race, course, road, optimise(road, race, partial(ride_and_check, race, course, road), settings))


def continuous_optimum(example: Example, step_m: float) -> float:
    """Least time (s).

    Between two places the acceleration is constant, so that v² is linear and the time is 2 s / (v₀ + v₁).
    """
    casadi = pytest.importorskip("casadi", reason="the general tool for optimal control")
    course, weather = example.course(), example.race().weather
    start = np.array([0.0, 0.5, 1.0, 2.0, 3.5, 5.5, 8.0, 11.0, 15.0, 20.0, 26.0, 33.0, 41.0])
    place = np.concatenate([start, np.arange(50.0, LENGTH_M + 1e-6, step_m)])
    gap, middle = np.diff(place), (place[:-1] + place[1:]) / 2.0
    elevation = np.interp(place, course.distance_m, course.elevation_m)
    slope = np.arctan(np.diff(elevation) / gap)
    density = air_density_at(
        weather.temperature_c,
        weather.pressure_hpa * 100.0,
        weather.humidity,
        np.interp(middle, course.distance_m, course.elevation_m) - course.elevation_m[0],
    )
    heading = np.radians(np.interp(middle, course.distance_m, course.heading_deg))
    wind = weather.wind_speed_mps * np.log(1.0 / 0.03) / np.log(10.0 / 0.03) * np.cos(heading)
    mass, n = RIDER.total_mass_kg, len(gap)
    problem = casadi.Opti()
    speed, left, power, used = (problem.variable(k) for k in (n + 1, n + 1, n, n))
    mean_square = (speed[:-1] ** 2 + speed[1:] ** 2) / 2.0
    mean = casadi.sqrt(mean_square + 1e-6)
    seconds = 2.0 * gap / (speed[:-1] + speed[1:])
    air = 0.5 * density * (RIDER.cda_m2 + WHEELS_M2) * (mean + wind) * casadi.fabs(mean + wind)
    force = air + 0.091 + 0.0087 * mean + mass * GRAVITY * (CRR * np.cos(slope) + np.sin(slope))
    kinetic = 0.5 * (mass + WHEEL_KG) * (speed[1:] ** 2 - speed[:-1] ** 2)
    pushed = EFFICIENCY * power * seconds
    # energies in kJ, so that numbers stay near unity
    problem.subject_to((kinetic - pushed + force * gap) / 1000.0 == 0.0)
    problem.subject_to(used >= (power - RIDER.cp_w) * seconds / 1000.0)
    problem.subject_to(used >= RECOVERY * (power - RIDER.cp_w) * seconds / 1000.0)
    problem.subject_to(left[1:] <= left[:-1] - used)
    problem.subject_to(left[0] == RIDER.w_prime_j / 1000.0)
    problem.subject_to(problem.bounded(RESERVE_J / 1000.0, left, RIDER.w_prime_j / 1000.0))
    problem.subject_to(problem.bounded(0.0, power, RIDER.peak_power_w))
    problem.subject_to(pushed / gap <= LARGEST_ACCELERATION_MPS2 * mass)
    problem.subject_to(speed[0] == 0.0)
    problem.subject_to(problem.bounded(0.3, speed[1:], 40.0))
    problem.minimize(casadi.sum1(seconds))
    problem.set_initial(speed, np.minimum(12.0, np.sqrt(4.0 * place + 0.09)))
    problem.set_initial(power, 320.0)
    problem.set_initial(left, 10.0)
    problem.solver("ipopt", {"print_time": False}, {"print_level": 0, "sb": "yes", "max_iter": 1000})
    return float(problem.solve().value(problem.f))


@pytest.mark.parametrize("name", EXAMPLES)
def test_one_rider_is_within_a_thousandth_of_the_continuous_optimum(name: str) -> None:
    best_s = continuous_optimum(EXAMPLES[name], STEP_M)
    plan = our_plan(name)
    assert plan.check.passed
    assert plan.finish_time_s == pytest.approx(best_s, rel=1e-3)
    assert plan.check.finish_time_s == pytest.approx(best_s, rel=1e-3)


def test_the_examiner_is_exact_enough() -> None:
    """Half the step moves the continuous optimum by less than a hundredth of what it is to judge."""
    example = EXAMPLES["hills and wind"]
    coarse, fine = continuous_optimum(example, STEP_M), continuous_optimum(example, STEP_M / 2.0)
    assert coarse == pytest.approx(fine, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "hard", "easy"),
    [
        ("hills", (500.0, 900.0), (1_200.0, 1_800.0)),
        ("wind that turns from head to tail", (1_000.0, 3_000.0), (5_000.0, 7_000.0)),
    ],
)
def test_harder_uphill_and_into_the_wind(name: str, hard: tuple[float, float], easy: tuple[float, float]) -> None:
    """More power where the road is slow, less where it is fast.

    Swain 1997, Med Sci Sports Exerc 29(8), 1104-1108; Atkinson & Brunskill 2000, Ergonomics 43(10), 1449-1460: both
    from memory.
    """
    ridden = our_plan(name).ride

    def mean_w(stretch: tuple[float, float]) -> float:
        there = (ridden.distance_m >= stretch[0]) & (ridden.distance_m < stretch[1])
        return float(np.average(ridden.power_w[there, 0], weights=ridden.step_s[there]))

    assert mean_w(hard) > mean_w(easy) + 20.0
