"""Generated rides debriefed: what was put in comes out.

The rides are those of :mod:`ttt_opt.ride` with receivers that are 3 m off and power meters with 1 % of noise. Bounds
are those that the work set itself: the leader right in 95 % of the seconds, changes of leader within 5 s in the median,
drag areas within 3 %, drag shares within 0.05.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from recorded_examples import TEAM_NOISE, Noise, Recorder, team_recordings

from ttt_opt.debrief import Debrief, debrief
from ttt_opt.errors import InputError
from ttt_opt.plan import Plan, plan_of
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.ride import Ride, ride

FloatArray = NDArray[np.float64]


@pytest.fixture(scope="module")
def plan(demo_road_plan: Plan) -> Plan:
    """The race of the demo at 300 W in front, planned as it is ridden."""
    made = demo_road_plan
    for _ in range(3):  # a ride hurries where it is behind the schedule's clock
        schedule = made.optimum.schedule
        seconds = np.diff(made.ride.boundary_time_s)
        schedule = replace(schedule, speed_mps=np.diff(schedule.boundary_m) / seconds)
        optimum = replace(made.optimum, schedule=schedule, finish_time_s=schedule.finish_time_s)
        made = plan_of(made.race, made.course, made.road, optimum)
    return made


def as_ride(frame: pd.DataFrame, *, speed: bool = False, utc: bool = True) -> RecordedRide:
    """A recording as a reader gives it; without speed, which a line does not need."""
    column = {name: frame[name].to_numpy(dtype=np.float64) for name in frame.columns}
    return RecordedRide(
        time_s=column["seconds"],
        power_w=column["watts"],
        speed_mps=column["speed_mps"] if speed else np.full(len(frame), np.nan),
        elevation_m=column["elevation_m"],
        latitude_deg=column["latitude"],
        longitude_deg=column["longitude"],
        utc=utc,
    )


def debriefed(plan: Plan, frames: dict[str, pd.DataFrame], *, utc: bool = True) -> Debrief:
    rides = {name: as_ride(frame, utc=utc) for name, frame in frames.items()}
    return debrief(plan, rides, {name: f"{name}.gpx" for name in rides})


def right_share(found: Debrief, ridden: Ride) -> float:
    """Share of the seconds with the right leader, somebody without a recording counted as nobody."""
    assert found.leaders is not None
    racing = found.line.racing
    step = np.minimum(np.searchsorted(ridden.time_s, found.line.time_s[racing]), len(ridden.time_s) - 1)
    column = {rider: number for number, rider in enumerate(found.columns)}
    true = np.array([column.get(int(leader), -1) for leader in ridden.leader[step]])
    return float((true == found.leaders.leader[racing]).mean())


def change_misses(found: Debrief, ridden: Ride) -> FloatArray:
    """How far each true change of leader is from the nearest found (s)."""
    assert found.leaders is not None
    racing = found.line.racing
    true = ridden.time_s[np.flatnonzero(np.diff(ridden.leader))]
    seen = found.line.time_s[racing][1:][np.diff(found.leaders.leader[racing]) != 0]
    return np.array([np.abs(seen - moment).min() for moment in true])


NOISES = {
    "as receivers are": TEAM_NOISE,
    "white": replace(TEAM_NOISE, white_share=1.0),
    "drifting": replace(TEAM_NOISE, white_share=0.0, place_alike_s=120.0),
}


@pytest.mark.parametrize("noise", NOISES.values(), ids=NOISES.keys())
@pytest.mark.parametrize("seed", range(2))
def test_leaders_changes_drag_and_shelter_come_back(noise: Noise, seed: int, plan: Plan) -> None:
    found = debriefed(plan, team_recordings(plan, seed, noise=noise))
    assert right_share(found, plan.ride) >= 0.95
    assert np.median(change_misses(found, plan.ride)) <= 5.0
    assert found.calibration is not None
    for area, rider in zip(found.calibration.cda_m2, plan.race.team.riders, strict=True):
        assert area.value == pytest.approx(rider.cda_m2, rel=0.03)
    expected = plan.race.draft_shares(4)[1:]
    np.testing.assert_allclose([share.value for share in found.calibration.shares], expected, atol=0.05)
    assert found.calibration.wind_speed_mps == pytest.approx(plan.race.weather.wind_speed_mps, abs=0.5)
    assert found.calibration.wind_from_deg == pytest.approx(plan.race.weather.wind_from_deg, abs=5.0)
    assert found.line.finish_s == pytest.approx(plan.ride.finish_time_s, abs=2.0)
    assert found.gaps == ()


@pytest.fixture(scope="module")
def another_day(plan: Plan) -> tuple[Plan, Ride]:
    """The plan's schedule ridden in another wind by riders who are not what the team file says."""
    race = plan.race
    weather = replace(race.weather, wind_speed_mps=8.0, wind_from_deg=290.0)
    riders = tuple(
        replace(rider, cda_m2=rider.cda_m2 * factor)
        for rider, factor in zip(race.team.riders, (1.05, 0.97, 1.02, 1.1), strict=True)
    )
    truth = replace(
        race, weather=weather, drafting_shares=(1.0, 0.75, 0.62, 0.58), team=replace(race.team, riders=riders)
    )
    return replace(plan, race=truth), ride(plan.course, truth.team, truth, plan.optimum.schedule)


def test_a_plan_that_was_wrong_is_set_right(plan: Plan, another_day: tuple[Plan, Ride]) -> None:
    truth, ridden = another_day
    found = debriefed(plan, team_recordings(plan, 5, ridden=ridden))
    assert right_share(found, ridden) >= 0.95
    calibration = found.calibration
    assert calibration is not None and not calibration.wind_given
    for area, rider in zip(calibration.cda_m2, truth.race.team.riders, strict=True):
        assert area.value == pytest.approx(rider.cda_m2, rel=0.03)
        assert area.told
    shares = [share.value for share in calibration.shares]
    np.testing.assert_allclose(shares, truth.race.drafting_shares[1:], atol=0.05)
    assert calibration.wind_speed_mps == pytest.approx(8.0, abs=0.5)
    assert calibration.wind_from_deg == pytest.approx(290.0, abs=4.0)


def test_time_lost_to_the_air_is_told_as_such(plan: Plan, another_day: tuple[Plan, Ride]) -> None:
    """The front rode as planned; on roads that end without braking the air explains what was lost."""
    _, ridden = another_day
    found = debriefed(plan, team_recordings(plan, 6, ridden=ridden))
    for stretch in found.stretches[:4]:
        assert stretch.lost_s is not None and stretch.by_air_s is not None and stretch.by_power_s is not None
        assert stretch.lost_s > 5.0
        assert stretch.by_air_s == pytest.approx(stretch.lost_s, abs=3.0)
        assert abs(stretch.by_power_s) < 3.0
        assert stretch.by_stops_s == 0.0


def test_time_lost_to_front_power_is_told_as_such(plan: Plan) -> None:
    weaker = replace(plan.optimum.schedule, front_power_w=0.93 * plan.optimum.schedule.front_power_w)
    ridden = ride(plan.course, plan.race.team, plan.race, weaker)
    found = debriefed(plan, team_recordings(plan, 7, ridden=ridden))
    lost_s = ridden.finish_time_s - plan.ride.finish_time_s
    assert lost_s > 30.0
    assert found.lost_s == pytest.approx(lost_s, abs=3.0)
    for stretch in found.stretches[:5]:  # up to the climb nobody brakes
        assert stretch.lost_s is not None and stretch.by_air_s is not None
        assert stretch.lost_s > 3.0
        assert stretch.by_power_s == pytest.approx(stretch.lost_s, abs=1.5)
        assert abs(stretch.by_air_s) < 1.5


def stopped(frame: pd.DataFrame, at_s: float, for_s: float) -> pd.DataFrame:
    """The same ride, with a wait of the whole team."""
    return frame.assign(seconds=frame["seconds"].where(frame["seconds"] <= at_s, frame["seconds"] + for_s))


def test_a_stop_costs_its_own_seconds(plan: Plan) -> None:
    frames = {name: stopped(frame, 700.0, 40.0) for name, frame in team_recordings(plan, 8).items()}
    without = debriefed(plan, team_recordings(plan, 8))
    found = debriefed(plan, frames)
    assert found.line.finish_s - without.line.finish_s == pytest.approx(40.0, abs=2.0)
    by_stops = [stretch.by_stops_s or 0.0 for stretch in found.stretches]
    assert 30.0 < sum(by_stops) < 42.0
    assert sum(value > 0.0 for value in by_stops) == 1


def test_clocks_sampling_and_dropouts(plan: Plan) -> None:
    recorders = {
        "Arne": Recorder(dropouts=3),
        "Bela": Recorder(clock_s=3600.0, phase_s=0.4, smart=True),
        "Carl": Recorder(clock_s=-20.3, dropouts=2),
        "Dirk": Recorder(smart=True, dropouts=2),
    }
    for utc in (True, False):
        found = debriefed(plan, team_recordings(plan, 9, recorders=recorders), utc=utc)
        assert right_share(found, plan.ride) >= 0.95
        clock = found.line.clock_s - found.line.clock_s[0]
        np.testing.assert_allclose(clock, [0.0, -3600.0, 20.3, 0.0], atol=0.6)
        assert found.line.finish_s == pytest.approx(plan.ride.finish_time_s, abs=2.0)
    assert any("Bela: the clock was set right by -36" in note for note in found.notes)


def test_a_rider_who_loses_the_line(plan: Plan) -> None:
    frames = team_recordings(plan, 10)
    frame, begin_s = frames["Dirk"], 1300.0
    late = frame["seconds"] > begin_s
    slower = frame["seconds"].where(~late, begin_s + 1.25 * (frame["seconds"] - begin_s))
    frames["Dirk"] = frame.assign(seconds=slower, watts=frame["watts"].where(~late, 0.6 * frame["watts"]))
    found = debriefed(plan, frames)
    assert found.line.finish_s == pytest.approx(plan.ride.finish_time_s, abs=3.0)
    [gap] = found.gaps
    assert gap.rider == "Dirk" and not gap.closed and gap.largest_m > 1000.0
    assert gap.start_s == pytest.approx(begin_s, abs=30.0)
    assert found.leaders is not None
    assert not (found.leaders.leader[found.line.time_s > begin_s + 60.0] == 3).any()


def test_a_rider_who_sits_on_from_a_point(plan: Plan) -> None:
    """He is seen on the last wheel, not in front of those who still turn."""
    pulls = list(plan.optimum.schedule.pulls)
    stops = next(number for number, pull in enumerate(pulls) if number > len(pulls) // 2)
    stopper, (a, b, c) = pulls[stops].leader, pulls[stops].line[1:]
    lines = ((a, b, c, stopper), (b, c, a, stopper), (c, a, b, stopper))
    for number in range(stops + 1, len(pulls)):
        pulls[number] = replace(pulls[number], line=lines[(number - stops - 1) % 3], n_sitting=1)
    schedule = replace(plan.optimum.schedule, pulls=tuple(pulls))
    ridden = ride(plan.course, plan.race.team, plan.race, schedule)
    found = debriefed(plan, team_recordings(plan, 4, ridden=ridden))
    assert found.leaders is not None
    assert right_share(found, ridden) >= 0.9
    racing = found.line.racing
    step = np.minimum(np.searchsorted(ridden.time_s, found.line.time_s[racing]), len(ridden.time_s) - 1)
    later = found.line.time_s[racing] > ridden.boundary_time_s[pulls[stops + 4].first_segment]
    seen, true = found.leaders.place[racing][later, stopper], ridden.place[step][later, stopper]
    assert (true == 3).all()
    assert (seen == 3).mean() >= 0.95


def test_some_of_the_team(plan: Plan) -> None:
    frames = team_recordings(plan, 11)
    found = debriefed(plan, {name: frames[name] for name in ("Arne", "Bela", "Dirk")})
    assert right_share(found, plan.ride) >= 0.85
    assert found.gaps == () and not found.all_recorded
    assert found.calibration is not None and len(found.calibration.shares) == 1
    assert found.notes[0].startswith("Not recorded: Carl.")


def test_one_rider_alone(plan: Plan) -> None:
    found = debriefed(plan, {"Carl": team_recordings(plan, 12)["Carl"]})
    assert found.leaders is None and found.pulls == () and found.gaps == ()
    assert found.lost_s == pytest.approx(plan.ride.finish_time_s - plan.finish_time_s, abs=3.0)
    [rider] = found.riders
    assert rider.n_pulls is None and rider.front_power_w is None
    planned = plan.riders[2]
    assert rider.mean_power_w == pytest.approx(planned.mean_power_w, rel=0.02)
    assert rider.w_prime_end_j == pytest.approx(planned.w_prime_end_j, abs=1500.0)
    assert found.calibration is not None
    shares = plan.race.draft_shares(4)
    assert shares.min() < found.calibration.cda_m2[0].value / plan.race.team.riders[2].cda_m2 < 1.0
    assert all(stretch.by_power_s is None and stretch.by_stops_s == 0.0 for stretch in found.stretches)


def test_a_rider_without_power(plan: Plan) -> None:
    frames = team_recordings(plan, 13)
    frames["Bela"] = frames["Bela"].assign(watts=np.nan)
    found = debriefed(plan, frames)
    assert right_share(found, plan.ride) >= 0.9
    bela = found.riders[1]
    assert bela.mean_power_w is bela.w_prime_min_j is bela.front_power_w is None
    assert found.calibration is not None and not found.calibration.cda_m2[1].told
    assert any(note.startswith("Bela: no power was recorded") for note in found.notes)


@pytest.mark.parametrize("watts", [np.nan, 0.0])
def test_a_team_without_power(watts: float, plan: Plan) -> None:
    """Places alone, 3 m off, do not tell who led: better to say so."""
    found = debriefed(plan, {name: frame.assign(watts=watts) for name, frame in team_recordings(plan, 1).items()})
    assert found.leaders is None and found.calibration is None and found.pulls == ()
    assert found.line.finish_s == pytest.approx(plan.ride.finish_time_s, abs=2.0)
    assert "Fewer than two riders have power" in found.notes[0]


def test_recordings_that_have_nothing_in_common(plan: Plan) -> None:
    frames = team_recordings(plan, 1)
    first = frames["Arne"][frames["Arne"]["seconds"] < 900.0].reset_index(drop=True)
    last = frames["Bela"][frames["Bela"]["seconds"] > 1200.0].reset_index(drop=True)
    with pytest.raises(InputError, match=r"Arne\.gpx and Bela\.gpx: have no stretch of the course in common"):
        debriefed(plan, {"Arne": first, "Bela": last})


def test_places_too_far_apart(plan: Plan) -> None:
    frame = team_recordings(plan, 1)["Arne"][::30].reset_index(drop=True)
    with pytest.raises(InputError, match=r"Arne\.gpx: has places 30 s apart; allowed: 8 s"):
        debriefed(plan, {"Arne": frame})


def test_a_recording_that_begins_late_and_ends_early(plan: Plan) -> None:
    frames = {
        name: frame[(frame["seconds"] > 400.0) & (frame["seconds"] < 1800.0)].reset_index(drop=True)
        for name, frame in team_recordings(plan, 14).items()
    }
    found = debriefed(plan, frames)
    assert found.lost_s is None
    assert found.stretches[0].ridden_s is None and found.stretches[-1].ridden_s is None
    assert sum(stretch.ridden_s is not None for stretch in found.stretches) >= 5
    assert any("end before the end of the course" in note for note in found.notes)


def test_w_prime_as_ridden_is_that_of_the_ride(plan: Plan) -> None:
    found = debriefed(plan, team_recordings(plan, 15))
    for rider, planned in zip(found.riders, plan.riders, strict=True):
        assert rider.w_prime_min_j == pytest.approx(planned.w_prime_min_j, abs=1000.0)
        assert rider.w_prime_end_j == pytest.approx(planned.w_prime_end_j, abs=1000.0)


def test_surges_above_the_limit_are_seen(plan: Plan) -> None:
    """One rider who pulls 80 W harder than the others on the flat, as a fresh leader may."""
    schedule = plan.optimum.schedule
    power = schedule.front_power_w.copy()
    flat = [
        pull
        for pull in schedule.pulls
        if pull.leader == 1 and set(plan.road.segments.terrain[pull.first_segment : pull.end_segment]) == {"flat"}
    ]
    for pull in flat:
        power[pull.first_segment : pull.end_segment] += 80.0
    ridden = ride(plan.course, plan.race.team, plan.race, replace(schedule, front_power_w=power))
    found = debriefed(plan, team_recordings(plan, 16, ridden=ridden))
    surges = [pull.rider for pull in found.pulls if pull.too_much]
    assert surges.count("Bela") >= 3
    assert surges.count("Bela") >= 0.8 * len(surges)


def test_another_course_is_refused(plan: Plan) -> None:
    frames = team_recordings(plan, 0)
    away = frames["Arne"].assign(latitude=frames["Arne"]["latitude"] + 1.0)
    with pytest.raises(InputError, match=r"Arne\.gpx: is not a ride on the course"):
        debriefed(plan, {"Arne": away})
