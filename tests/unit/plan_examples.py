"""Plans made from another one, for tests of what is written of them."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
from ride_examples import rotating_pulls, schedule_at

from ttt_opt.course import Course, read_course
from ttt_opt.fall_backs import FallBack, has_result_without_one, race_without
from ttt_opt.pattern_plan import RideablePlan, rideable_from
from ttt_opt.pattern_ride import pattern_road
from ttt_opt.plan import Plan, plan_of
from ttt_opt.race import Race, read_race
from ttt_opt.rotation_problem import pull_bounds, road_of, segments_of
from ttt_opt.stretch_search import Stretch

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
        rideable=None if plan.rideable is None else _renamed_patterns(plan.rideable, new),
        fall_backs=tuple(
            replace(
                one,
                without=None if one.without is None else new[one.without],
                plan=None if one.plan is None else _renamed_patterns(one.plan, new),
            )
            for one in plan.fall_backs
        ),
    )


def _renamed_patterns(rideable: RideablePlan, new: dict[str, str]) -> RideablePlan:
    stretches = tuple(
        replace(
            stretch,
            line=tuple(new[name] for name in stretch.line),
            riders=tuple(replace(rider, rider=new[rider.rider]) for rider in stretch.riders),
        )
        for stretch in rideable.stretches
    )
    return replace(rideable, stretches=stretches)


def without_patterns(plan: Plan) -> Plan:
    """The plan as it is where no rideable plan was found."""
    return replace(plan, rideable=None, fall_backs=())


def in_eight_stretches(plan: Plan) -> Plan:
    """The plan with a rideable plan of eight stretches, made without a search, and a fall-back without each rider."""
    course, road, race, schedule = plan.course, plan.road, plan.race, plan.optimum.schedule
    fine = pattern_road(course, road, race, pull_bounds(road.segments, race), schedule.speed_mps)
    nodes = [fine.node_at(share * course.length_m) for share in np.linspace(0.0, 1.0, 9)]

    def patterns(for_race: Race) -> RideablePlan:
        m = len(for_race.team.riders)
        watts = tuple((w,) * m for w in (305, 330, 345, 150, 400, 0))
        stretches = [Stretch(a, b, 0, (45,) * m, 15, watts) for a, b in itertools.pairwise(nodes)]
        return rideable_from(course, road, for_race, schedule, tuple(range(m)), (), stretches)

    others = []
    for rider in race.team.riders:
        smaller = race_without(race, rider.name)
        other = None if smaller is None else patterns(smaller)
        others.append(FallBack(rider.name, has_result_without_one(race), other))
    return replace(plan, rideable=patterns(race), fall_backs=(*others, FallBack(None, True, None)))


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
