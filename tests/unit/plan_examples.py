"""Plans made from another one, for tests of what is written of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from ride_examples import rotating_pulls, schedule_at

from ttt_opt.course import Course, read_course
from ttt_opt.plan import Plan, plan_of
from ttt_opt.race import Race, read_race
from ttt_opt.rotation_problem import road_of, segments_of

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "race.toml"


def renamed(plan: Plan, names: tuple[str, ...]) -> Plan:
    """The plan for riders of other names."""
    riders = tuple(replace(rider, name=name) for rider, name in zip(plan.race.team.riders, names, strict=True))
    new = {rider.name: name for rider, name in zip(plan.race.team.riders, names, strict=True)}
    checks = []
    for check in plan.check.checks:
        name, detail = check.name, check.detail
        for before, after in new.items():
            name, detail = name.replace(before, after), detail.replace(before, after)
        checks.append(replace(check, name=name, detail=detail, met=False))
    return replace(
        plan,
        race=replace(plan.race, name=names[0], team=replace(plan.race.team, name=names[1], riders=riders)),
        start_order=tuple(new[name] for name in plan.start_order),
        pulls=tuple(replace(pull, rider=new[pull.rider]) for pull in plan.pulls),
        riders=tuple(replace(rider, name=new[rider.name]) for rider in plan.riders),
        check=replace(plan.check, checks=tuple(checks), passed=False, notes=(f"{names[2]} loses the wheel.",)),
        course=replace(plan.course, repairs=(f"{names[0]}: repaired.",)),
    )


def with_many_pulls(plan: Plan, count: int) -> Plan:
    """The plan with so many pulls of equal length, its riders in turn."""
    length_m, finish_s = plan.course.length_m / count, plan.finish_time_s / count
    pulls = tuple(
        replace(
            plan.pulls[turn % len(plan.pulls)],
            rider=plan.start_order[turn % len(plan.start_order)],
            start_m=turn * length_m,
            end_m=(turn + 1) * length_m,
            start_s=turn * finish_s,
            duration_s=finish_s,
        )
        for turn in range(count)
    )
    return replace(plan, pulls=pulls)


def on_the_demo_road(plan: Plan) -> Plan:
    """The race of the demo, with its bends and climbs, ridden without a search: 300 W in front, pulls in turn."""
    race = read_race(DEMO)
    return on_a_road(plan, race, read_course(race.course_file))


def on_a_road(plan: Plan, race: Race, course: Course) -> Plan:
    """A race ridden without a search: 300 W in front, four riders in turn, in pulls of 5, 4, 3 and 2 segments."""
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    n_segments, full_j = road.n_segments, [rider.w_prime_j for rider in race.team.riders]
    schedule = schedule_at(
        road.segments.boundary_m,
        np.full(n_segments, 11.0),
        np.full(n_segments, 300.0),
        rotating_pulls(n_segments, [5, 4, 3, 2], (0, 1, 2, 3)),
    )
    optimum = replace(
        plan.optimum,
        schedule=schedule,
        w_prime_j=np.tile(full_j, (n_segments + 1, 1)),
        finish_time_s=schedule.finish_time_s,
    )
    return plan_of(race, course, road, optimum)
