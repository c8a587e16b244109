"""The ride check: a good plan passes, and each way of spoiling it fails the matching check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from ride_examples import Plan, make_course, make_plan, make_race, make_team, rotating_pulls

from ttt_opt.course import Course
from ttt_opt.race import Limits, PullBounds, Race, Rules
from ttt_opt.ride import ride
from ttt_opt.ride_check import Check, RideCheck, check_ride
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.segments import Segments
from ttt_opt.surge import power_asked_by_road_w, power_surge_applies, speed_surge_applies
from ttt_opt.team import Team

LENGTH_M = 10_000.0


def flat_segments(boundary_m: np.ndarray, terrain: str = "flat") -> Segments:
    n_segments = len(boundary_m) - 1
    no = np.zeros(n_segments, dtype=bool)
    return Segments(
        start_m=boundary_m[:-1],
        end_m=boundary_m[1:],
        grade=np.zeros(n_segments),
        heading_deg=np.zeros(n_segments),
        elevation_m=np.zeros(n_segments),
        speed_cap_mps=np.full(n_segments, np.inf),
        terrain=(terrain,) * n_segments,
        bend=no,
        accelerating=np.arange(n_segments) < 2,
    )


def pull_limits(**bounds: PullBounds) -> Limits:
    return Limits(pulls=Limits().pulls | bounds)


class Case:
    """A plan that passes, with everything that its check needs; tests spoil one thing."""

    def __init__(
        self,
        team: Team | None = None,
        sitters: tuple[int, ...] = (),
        limits: Limits | None = None,
        speed_mps: float = 12.5,
    ) -> None:
        self.course: Course = make_course(LENGTH_M)
        self.team = make_team() if team is None else team
        self.race: Race = make_race(self.team, limits=Limits() if limits is None else limits)
        boundary = np.concatenate(([0.0, 50.0], np.linspace(150.0, LENGTH_M, 51)))
        self.segments = flat_segments(boundary)
        speed, exit_speed = np.full((2, 52), speed_mps)
        exit_speed[0] = speed_mps / np.sqrt(3.0)  # constant acceleration over the first 150 m
        speed[:2] = 0.5 * exit_speed[0], 0.5 * (exit_speed[0] + speed_mps)
        order = tuple(index for index in range(len(self.team.riders)) if index not in sitters)
        pulls = rotating_pulls(52, [3] + [2] * 25, order, sitters)  # 40 s, 32 s each, the last 16 s
        self.plan: Plan = make_plan(
            self.course, self.team, self.race, boundary, speed, pulls, exit_speed_mps=exit_speed
        )
        self.schedule: Schedule = self.plan.schedule
        self.w_prime_j = self.plan.w_prime_j.copy()

    def check(self) -> RideCheck:
        ridden = ride(self.course, self.team, self.race, self.schedule)
        return check_ride(
            ridden, self.course, self.segments, self.team, self.race, self.schedule, self.w_prime_j
        )

    def failed(self) -> set[str]:
        return {check.name for check in self.check().failed}

    def spoil_pulls(self, change: Callable[[list[ScheduledPull]], None]) -> None:
        pulls = list(self.schedule.pulls)
        change(pulls)
        self.schedule = replace(self.schedule, pulls=tuple(pulls))


COVERS = "Pulls cover the course: length missing or too much"
LINE_ORDER = "Line order: pulls whose line does not follow from the one before"
SITTING = "Riders who sit on: pulls in which one leads or is not at the end of the line"
LONGEST = "Longest pull: time beyond its bound"
SHORTEST = "Shortest pull: time missing to its bound"
FINISH = "Finish time: ride against plan"
POWER_SURGE = "Surge in power between segments"
POWER_DROP = "Drop in power between segments"
SPEED_SURGE = "Surge in speed between segments"
TOP_SPEED = "Top speed"
ON_WHEEL = "Power on a wheel: mean over a segment as share of critical power"
PEAK = "Peak power: mean over a segment as share of the rider's peak power"
AT_FINISH = "Riders in the line at the finish"


def test_good_plan_passes_every_check() -> None:
    case = Case()
    result = case.check()
    assert result.failed == ()
    assert result.passed
    assert len(result.checks) == 13 + 3 * 4
    assert result.difference_s == pytest.approx(result.finish_time_s - case.schedule.finish_time_s)
    assert abs(result.difference_s) < 2.0


def test_good_plan_with_a_rider_who_sits_on_passes() -> None:
    team = make_team()
    team = replace(team, riders=(*team.riders[:3], replace(team.riders[3], pulls=False)))
    assert Case(team, sitters=(3,)).check().failed == ()


def test_schedule_that_ends_before_the_finish_fails() -> None:
    case = Case()
    boundary = case.schedule.boundary_m.copy()
    boundary[-1] -= 40.0
    case.schedule = replace(case.schedule, boundary_m=boundary)
    assert case.failed() == {COVERS}


def test_two_riders_swapped_in_the_line_fail() -> None:
    case = Case()

    def swap(pulls: list[ScheduledPull]) -> None:
        a, b, c, d = pulls[7].line
        pulls[7] = replace(pulls[7], line=(a, c, b, d))

    case.spoil_pulls(swap)
    assert case.failed() == {LINE_ORDER}


def test_wrong_rider_at_the_front_fails() -> None:
    case = Case()

    def jump_the_queue(pulls: list[ScheduledPull]) -> None:
        a, b, c, d = pulls[7].line
        pulls[7] = replace(pulls[7], line=(b, c, d, a))

    case.spoil_pulls(jump_the_queue)
    assert LINE_ORDER in case.failed()


def test_rider_missing_from_the_line_at_the_start_fails() -> None:
    case = Case()
    case.spoil_pulls(lambda pulls: pulls.__setitem__(0, replace(pulls[0], line=(0, 1, 2))))
    assert LINE_ORDER in case.failed()


def test_leader_who_is_gone_without_leaving_fails() -> None:
    case = Case()
    case.race = replace(case.race, rules=Rules(counting_rider=3))
    n_pulls = len(case.schedule.pulls)
    gone = case.schedule.pulls[n_pulls - 2].leader
    case.spoil_pulls(
        lambda pulls: pulls.__setitem__(
            -1, replace(pulls[-1], line=tuple(rider for rider in pulls[-1].line if rider != gone))
        )
    )
    assert case.failed() == {LINE_ORDER}
    case.spoil_pulls(lambda pulls: pulls.__setitem__(-2, replace(pulls[-2], leader_leaves=True)))
    assert case.failed() == set()


def test_rider_who_sits_on_but_leads_fails() -> None:
    case = Case()
    riders = case.team.riders
    case.team = replace(case.team, riders=(*riders[:3], replace(riders[3], pulls=False)))
    assert case.failed() == {SITTING}


def test_who_pulls_alone_ahead_of_one_who_sits_on_may_pull_on() -> None:
    team = make_team(2)
    team = replace(team, riders=(team.riders[0], replace(team.riders[1], pulls=False)))
    case = Case(team, sitters=(1,), limits=pull_limits(flat=PullBounds(15.0, 42.0)))
    assert len(case.schedule.pulls) > 1
    case.schedule = replace(case.schedule, pulls=(ScheduledPull((0, 1), 0, 52, n_sitting=1),))
    assert LONGEST not in case.failed()
    both = make_team(2)
    case.team = replace(both, riders=(both.riders[0], replace(both.riders[1], may_sit_on=True)))
    assert LONGEST not in case.failed()


def sits_on_after_fourth(case: Case) -> None:
    """Rider 3 leads the fourth pull and stays behind the others from then on, who turn without him."""

    def turn_without(pulls: list[ScheduledPull]) -> None:
        for number in range(4, len(pulls)):
            first = (number - 4) % 3
            line = ((0, 1, 2)[first:] + (0, 1, 2)[:first]) + (3,)
            pulls[number] = replace(pulls[number], line=line, n_sitting=1)

    case.spoil_pulls(turn_without)


def test_rider_who_may_sit_on_stops_pulling() -> None:
    team = make_team()
    case = Case(replace(team, riders=(*team.riders[:3], replace(team.riders[3], may_sit_on=True))))
    sits_on_after_fourth(case)
    assert {LINE_ORDER, SITTING}.isdisjoint(case.failed())


def test_rider_who_may_not_sit_on_but_stops_pulling_fails() -> None:
    case = Case()
    sits_on_after_fourth(case)
    assert LINE_ORDER in case.failed()


def test_rider_who_stops_pulling_without_having_led_fails() -> None:
    team = make_team()
    case = Case(replace(team, riders=tuple(replace(rider, may_sit_on=rider.name == "Ada") for rider in team.riders)))
    sits_on_after_fourth(case)
    assert LINE_ORDER in case.failed()


def test_rider_who_sits_on_but_not_at_the_end_of_the_line_fails() -> None:
    riders = make_team().riders
    team = Team("Example", (*riders[:3], replace(riders[3], pulls=False)))
    case = Case(team, sitters=(3,))
    case.spoil_pulls(lambda pulls: pulls.__setitem__(0, replace(pulls[0], line=(0, 1, 3, 2))))
    assert SITTING in case.failed()


def test_pull_that_is_too_long_fails() -> None:
    case = Case(limits=pull_limits(flat=PullBounds(15.0, 42.0)))
    assert case.failed() == set()

    def take_over_later(pulls: list[ScheduledPull]) -> None:
        pulls[5] = replace(pulls[5], end_segment=pulls[5].end_segment + 1)
        pulls[6] = replace(pulls[6], first_segment=pulls[5].end_segment)

    case.spoil_pulls(take_over_later)
    assert LONGEST in case.failed()
    assert SHORTEST not in case.failed()


def test_pull_that_is_too_short_fails() -> None:
    case = Case(limits=pull_limits(flat=PullBounds(25.0, 75.0)))
    assert case.failed() == set()

    def take_over_later(pulls: list[ScheduledPull]) -> None:
        pulls[5] = replace(pulls[5], end_segment=pulls[5].end_segment + 1)
        pulls[6] = replace(pulls[6], first_segment=pulls[5].end_segment)

    case.spoil_pulls(take_over_later)
    assert SHORTEST in case.failed()
    assert LONGEST not in case.failed()


def test_last_pull_may_be_short() -> None:
    case = Case(limits=pull_limits(flat=PullBounds(25.0, 75.0)))
    last = case.schedule.pulls[-1]
    assert case.schedule.duration_s[last.first_segment :].sum() < 20.0
    assert case.failed() == set()


def test_riders_own_bound_counts_on_the_flat_only() -> None:
    case = Case()
    riders = list(case.team.riders)
    riders[1] = replace(riders[1], longest_pull_s=20.0)
    case.team = replace(case.team, riders=tuple(riders))
    assert case.failed() == {LONGEST}
    (check,) = case.check().failed
    assert check.detail.startswith("Ben from ")
    case.segments = flat_segments(case.schedule.boundary_m, "climb")
    assert case.failed() == set()


def test_bounds_are_shared_out_over_mixed_terrain() -> None:
    limits = pull_limits(flat=PullBounds(10.0, 60.0), climb=PullBounds(10.0, 17.0))
    case = Case(limits=limits)
    mixed = tuple("climb" if index % 2 else "flat" for index in range(52))
    case.segments = replace(case.segments, terrain=mixed)
    # 16 s of 60 and 16 s of 17 are more than one pull's worth: 16/60 + 16/17 = 1.21
    (check,) = case.check().failed
    assert check.name == LONGEST
    assert 5.0 < check.value < 6.0  # 32 s less 32 s / 1.21


def test_front_power_that_does_not_belong_to_the_speed_fails_the_finish_time() -> None:
    case = Case()
    case.schedule = replace(case.schedule, front_power_w=0.85 * case.schedule.front_power_w)
    assert FINISH in case.failed()
    case = Case()
    case.schedule = replace(case.schedule, speed_mps=0.97 * case.schedule.speed_mps)
    assert FINISH in case.failed()


def test_plan_that_promises_more_w_prime_fails_at_the_end_or_at_its_lowest() -> None:
    case = Case()
    case.w_prime_j[-1, 2] += 2000.0
    assert case.failed() == {"W' at the end, Cleo: ride minus plan"}
    case = Case()
    case.w_prime_j[20, 0] -= 8000.0
    assert case.failed() == {"W' at its lowest, Ada: ride minus plan"}


def test_schedule_that_empties_a_rider_fails_his_reserve() -> None:
    case = Case(speed_mps=13.4)
    failed = case.failed()
    assert "W' reserve, Ben: lowest W'" in failed
    assert "W' at the end, Ben: ride minus plan" not in failed


def test_speed_that_jumps_fails_the_surge_in_speed() -> None:
    case = Case(limits=Limits(surge_w=500.0))
    speed = case.schedule.speed_mps.copy()
    speed[20] += 0.5
    case.schedule = replace(case.schedule, speed_mps=speed)
    assert case.failed() == {SPEED_SURGE}


@pytest.mark.parametrize(("change", "name"), [(9.5, POWER_SURGE), (-9.5, POWER_DROP)])
def test_front_power_that_jumps_fails_the_surge_or_the_drop_in_power(change: float, name: str) -> None:
    """The square of the speed changes at one rate over two segments: the first takes work and drag, the
    second drag alone, the one after gives work back and takes drag.
    """
    case = Case(limits=Limits(surge_kmh=20.0))
    square, exit_square = case.schedule.speed_mps**2, case.schedule.exit_speed_mps**2
    square[-3:] += 0.5 * change, 1.5 * change, 2.0 * change
    exit_square[-3:] += change, 2.0 * change, 2.0 * change
    case.schedule = replace(case.schedule, speed_mps=np.sqrt(square), exit_speed_mps=np.sqrt(exit_square))
    (check,) = case.check().failed
    assert check.name == name
    assert 30.0 < check.value < 45.0
    case.schedule = replace(case.schedule, exit_speed_mps=np.full(52, 12.5))
    assert case.failed() == set()  # drag alone changes by less


def test_braking_before_a_bend_that_the_segments_do_not_know_is_no_drop_in_power() -> None:
    """The front power stays, the brakes take the speed: 45 km/h down to 42 in a bend of 39 m at 3.5 m/s2."""
    case = Case(limits=Limits(surge_kmh=20.0))
    place_m = np.asarray(case.course.distance_m)
    bend = np.where(np.abs(place_m - 5100.0) < 15.0, 39.0, np.inf)
    winding = make_course(LENGTH_M, bend_radius=bend)
    ridden = ride(winding, case.team, case.race, case.schedule)
    length_m, time_s = np.diff(case.schedule.boundary_m), np.diff(ridden.boundary_time_s)
    exit_mps = np.interp(case.schedule.boundary_m[1:], ridden.distance_m, ridden.speed_mps)
    case.schedule = replace(
        case.schedule, speed_mps=length_m / (time_s - case.schedule.lost_s), exit_speed_mps=exit_mps
    )
    assert {POWER_SURGE, POWER_DROP} & case.failed()  # where there is no bend, riders slow down by themselves
    case.course = winding
    assert not {POWER_SURGE, POWER_DROP} & case.failed()


def test_power_that_the_road_asks_is_neither_surge_nor_drop() -> None:
    case = Case()
    grade = case.segments.grade.copy()
    grade[20] = 0.01
    case.segments = replace(case.segments, grade=grade)
    assert case.failed() == set()


def test_surge_is_allowed_where_riders_accelerate() -> None:
    case = Case()
    speed = case.schedule.speed_mps.copy()
    speed[20] += 0.5
    case.schedule = replace(case.schedule, speed_mps=speed)
    accelerating = case.segments.accelerating.copy()
    accelerating[20] = True
    case.segments = replace(case.segments, accelerating=accelerating)
    assert case.failed() == set()


def test_ride_faster_than_the_top_speed_fails() -> None:
    case = Case()
    ridden = ride(case.course, case.team, case.race, case.schedule)
    speed = ridden.speed_mps.copy()
    step = int(np.searchsorted(ridden.distance_m, 4_000.0))

    def failed(speed_kmh: float) -> tuple[Check, ...]:
        speed[step] = speed_kmh / 3.6
        faster = replace(ridden, speed_mps=speed)
        return check_ride(
            faster, case.course, case.segments, case.team, case.race, case.schedule, case.w_prime_j
        ).failed

    assert failed(70.9) == ()
    (check,) = failed(71.1)
    assert (check.name, check.limit, check.unit) == (TOP_SPEED, 70.0, "km/h")
    assert check.value == pytest.approx(71.1)
    assert check.detail == "4.00 km"


def test_schedule_faster_than_the_top_speed_fails() -> None:
    """Planned at 45 km/h; the ride keeps the limit, and so misses the plan's time."""
    assert TOP_SPEED not in Case(limits=Limits(top_speed_kmh=44.1)).failed()
    assert TOP_SPEED in Case(limits=Limits(top_speed_kmh=43.9)).failed()


def test_schedule_too_hard_for_a_rider_on_a_wheel_fails() -> None:
    case = Case(speed_mps=14.5, limits=Limits(on_wheel_share_of_cp=1.0))
    assert ON_WHEEL in case.failed()
    case = Case(limits=Limits(on_wheel_share_of_cp=1.0))
    assert case.failed() == set()


def test_front_power_above_the_leaders_peak_fails() -> None:
    case = Case()
    power = case.schedule.front_power_w.copy()
    power[20] = 1.2 * case.team.riders[case.schedule.pulls[10].leader].peak_w
    case.schedule = replace(case.schedule, front_power_w=power)
    assert PEAK in case.failed()


def test_rider_too_few_at_the_finish_fails() -> None:
    case = Case()

    def drop_one(pulls: list[ScheduledPull]) -> None:
        pulls[-2] = replace(pulls[-2], leader_leaves=True)
        pulls[-1] = replace(pulls[-1], line=pulls[-2].line[1:])

    case.spoil_pulls(drop_one)
    assert case.failed() == {AT_FINISH}
    case.race = replace(case.race, rules=Rules(counting_rider=3))
    assert case.failed() == set()
    case.race = replace(case.race, rules=Rules(counting_rider=4))
    assert case.failed() == {AT_FINISH}


def test_surges_in_power_apply_where_nothing_else_explains_them() -> None:
    no, yes = False, True
    segments = flat_segments(np.linspace(0.0, 1800.0, 10))
    segments = replace(
        segments,
        accelerating=np.array([yes, no, no, no, no, no, yes, no, no]),
        bend=np.array([no, no, no, no, no, yes, no, no, no]),
        speed_cap_mps=np.where(np.arange(9) == 5, 9.0, np.inf),
    )
    # out of the start; before, in and out of the bend
    applies = [no, yes, yes, no, no, no, no, yes]
    steady = np.full(9, 12.0)
    np.testing.assert_array_equal(power_surge_applies(segments, steady), applies)
    downhill = replace(segments, terrain=(*("flat",) * 8, "descent"))
    np.testing.assert_array_equal(power_surge_applies(downhill, steady), [*applies[:-1], no])
    bank = np.array([12.0] * 3 + [9.0] * 6)
    np.testing.assert_array_equal(power_surge_applies(segments, bank), [no] * 7 + [yes])
    assert power_surge_applies(segments, bank, 1.4).tolist() == applies


@pytest.mark.parametrize(("rest_m", "free"), [(9.0, True), (29.0, True), (31.0, False)])
def test_what_a_landmark_cuts_off_before_a_bend_is_ridden_for_the_bend(rest_m: float, free: bool) -> None:
    """Riders ease for a bend whether or not the leader changes at its landmark, a few metres before it."""
    segments = flat_segments(np.array([0.0, 200.0, 400.0, 600.0, 800.0 - rest_m, 800.0, 900.0]))
    bend = np.arange(6) == 5
    segments = replace(segments, bend=bend, speed_cap_mps=np.where(bend, 9.0, np.inf))
    applies = power_surge_applies(segments, np.full(6, 12.0))
    assert applies.tolist() == [False, False, not free, False, False]


def test_surges_in_speed_apply_where_the_road_has_not_changed_for_500_m() -> None:
    no, yes = False, True
    segments = replace(flat_segments(np.linspace(0.0, 2000.0, 11)), accelerating=np.zeros(10, dtype=bool))
    wind, grade = np.zeros(10), np.zeros(10)
    np.testing.assert_array_equal(speed_surge_applies(segments, wind), [no] + [yes] * 8)
    grade[4:] = 0.004
    sloping = replace(segments, grade=grade)
    np.testing.assert_array_equal(speed_surge_applies(sloping, wind), [no, yes, yes, no, no, no] + [yes] * 3)
    sloping = replace(segments, grade=0.7 * grade)
    np.testing.assert_array_equal(speed_surge_applies(sloping, wind), [no] + [yes] * 8)
    wind[7:] = -0.4
    np.testing.assert_array_equal(speed_surge_applies(segments, wind), [no] + [yes] * 5 + [no] * 3)
    starting = replace(segments, accelerating=np.arange(10) == 0)
    np.testing.assert_array_equal(speed_surge_applies(starting, 0.0 * wind), [no, no, no] + [yes] * 6)


def test_power_asked_by_the_road_is_what_holding_the_speed_takes_more() -> None:
    before, after = np.array([300.0, 300.0, 300.0]), np.array([300.0, 450.0, 200.0])
    np.testing.assert_array_equal(power_asked_by_road_w(before, after), [0.0, 150.0, 0.0])  # up a climb
    np.testing.assert_array_equal(power_asked_by_road_w(after, before), [0.0, 0.0, 100.0])  # over the top


def test_notes_of_the_ride_are_kept() -> None:
    case = Case(speed_mps=14.2)
    assert any("cracked" in note for note in case.check().notes)


def test_parts_that_do_not_fit_together_are_refused() -> None:
    case = Case()
    ridden = ride(case.course, case.team, case.race, case.schedule)
    others = flat_segments(np.linspace(0.0, LENGTH_M, 11))
    with pytest.raises(ValueError, match="number of segments"):
        check_ride(ridden, case.course, others, case.team, case.race, case.schedule, case.w_prime_j)
    with pytest.raises(ValueError, match="planned_w_prime_j"):
        check_ride(
            ridden, case.course, case.segments, case.team, case.race, case.schedule, case.w_prime_j[:-1]
        )
