"""What a ride says after a race: the main flow of ``ttt-opt debrief``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ttt_opt.calibration import Calibration, calibrate
from ttt_opt.errors import InputError
from ttt_opt.leaders_ridden import NOBODY, Leaders, find_leaders
from ttt_opt.line_ridden import LineRidden, on_one_clock, settled
from ttt_opt.plan import Plan
from ttt_opt.recorded_ride import SPEED_NOTES, RecordedRide
from ttt_opt.ride_compared import (
    Gap,
    RiddenPull,
    RiddenStretch,
    RiderRidden,
    compare_stretches,
    describe_riders_ridden,
    find_gaps,
    ridden_pulls,
    w_prime_ridden,
)
from ttt_opt.ride_on_course import OnCourse, ride_on_course
from ttt_opt.road_balance import balance_of

FloatArray = NDArray[np.float64]

ROUNDS = 2
"""Who led settles clocks and drag, which settle who led."""
WHOLE_SHARE = 0.98
NOTABLE_CLOCK_S = 1.5


@dataclass(frozen=True)
class Debrief:
    """A ride beside its plan.

    Attributes
    ----------
    plan : Plan
    columns : tuple of int
        Rider of the team in each column of the arrays.
    line : LineRidden
    leaders : Leaders or None
        ``None`` where fewer than two riders have power: nothing tells who led.
    stretches : tuple of RiddenStretch
    pulls : tuple of RiddenPull
    riders : tuple of RiderRidden
    gaps : tuple of Gap
        Found only where all riders of the line are recorded.
    w_prime_j : ndarray (n_seconds, n_riders)
        W' left as ridden (J).
    calibration : Calibration or None
        ``None`` where too little of the ride can be used.
    notes : tuple of str
        What was left out or assumed.
    """

    plan: Plan
    columns: tuple[int, ...]
    line: LineRidden
    leaders: Leaders | None
    stretches: tuple[RiddenStretch, ...]
    pulls: tuple[RiddenPull, ...]
    riders: tuple[RiderRidden, ...]
    gaps: tuple[Gap, ...]
    w_prime_j: FloatArray
    calibration: Calibration | None
    notes: tuple[str, ...]

    @property
    def lost_s(self) -> float | None:
        """Finish time as ridden less as planned (s); ``None`` where the recordings lack start or finish."""
        whole = self.line.finished and self.stretches[0].ridden_s is not None
        return self.line.finish_s - self.plan.finish_time_s if whole else None

    @property
    def all_recorded(self) -> bool:
        """Every rider of the team is recorded, so that places in the line are known."""
        return len(self.columns) == len(self.plan.race.team.riders)


def debrief(plan: Plan, rides: Mapping[str, RecordedRide], files: Mapping[str, str]) -> Debrief:
    """Align recorded rides, find who led when, compare with the plan, and re-estimate drag, shelter and wind.

    Parameters
    ----------
    plan : Plan
    rides : mapping of str to RecordedRide
        By rider, names as in the team.
    files : mapping of str to str
        The file of each, for messages.

    Raises
    ------
    InputError
        A ride has no places or is not on the plan's course, or the rides have nothing in common.
    """
    race, course, team = plan.race, plan.course, plan.race.team
    columns = tuple(number for number, rider in enumerate(team.riders) if rider.name in rides)
    riders = [team.riders[number] for number in columns]
    recordings, places = [], []
    for rider in riders:
        try:
            places.append(ride_on_course(course, rides[rider.name]))
        except ValueError as error:
            raise InputError(files[rider.name], "", str(error)) from error
        recordings.append(rides[rider.name])
    n_line = len(team.riders)
    try:
        line = on_one_clock(course, recordings, places, n_line, race.wheel_gap_m)
    except ValueError as error:
        raise InputError(" and ".join(files[rider.name] for rider in riders), "", str(error)) from error
    table = race.draft_shares(n_line)
    leaders, calibration = None, None
    if sum(ride.has_power for ride in recordings) > 1:
        mean_pull_s = max(plan.finish_time_s / max(len(plan.pulls), 1), 10.0)
        cda, shares, weather = np.array([rider.cda_m2 for rider in riders]), table, race.weather
        for number in range(ROUNDS):
            balance = balance_of(course, weather, race.crr, riders, line)
            leads = [rider.pulls for rider in riders]
            leaders = find_leaders(line, balance, cda, shares, leads, race.wheel_gap_m, mean_pull_s)
            if number == 0 and n_line == len(riders):
                place, moving = leaders.place, leaders.moving_back
                line = settled(course, recordings, places, line, place, moving, race.wheel_gap_m)
                leaders = find_leaders(
                    line,
                    balance_of(course, weather, race.crr, riders, line),
                    cda,
                    shares,
                    leads,
                    race.wheel_gap_m,
                    mean_pull_s,
                )
            as_planned = balance_of(course, race.weather, race.crr, riders, line)
            expected = table if n_line == len(riders) else np.array([table[0], table[1:].mean()])
            calibration = calibrate(line, as_planned, leaders, riders, expected, race.weather)
            if calibration is None:
                break
            cda = np.array([found.value for found in calibration.cda_m2])
            if n_line == len(riders):
                shares = np.append(table[0], [found.value for found in calibration.shares])
            weather = replace(
                race.weather, wind_speed_mps=calibration.wind_speed_mps, wind_from_deg=calibration.wind_from_deg
            )
    as_planned = balance_of(course, race.weather, race.crr, riders, line)
    if leaders is None:
        calibration = calibrate(line, as_planned, _alone(line), riders, np.ones(1), race.weather)
    w_prime = w_prime_ridden(plan, line, leaders, columns)
    return Debrief(
        plan=plan,
        columns=columns,
        line=line,
        leaders=leaders,
        stretches=compare_stretches(plan, line, as_planned, leaders, columns),
        pulls=() if leaders is None else ridden_pulls(plan, line, as_planned, leaders, columns),
        riders=describe_riders_ridden(plan, line, leaders, w_prime, columns),
        gaps=find_gaps(plan, line, leaders, columns) if leaders is not None and n_line == len(riders) else (),
        w_prime_j=w_prime,
        calibration=calibration,
        notes=_notes(plan, [rider.name for rider in riders], recordings, places, line),
    )


def _alone(line: LineRidden) -> Leaders:
    """Nobody is known to lead, everybody rides in one place."""
    shape = line.along_m.shape
    return Leaders(
        leader=np.full(shape[0], NOBODY, dtype=np.int64),
        place=np.zeros(shape, dtype=np.int64),
        moving_back=np.zeros(shape, dtype=np.bool_),
    )


def _notes(
    plan: Plan,
    names: Sequence[str],
    rides: Sequence[RecordedRide],
    places: Sequence[OnCourse],
    line: LineRidden,
) -> tuple[str, ...]:
    notes = []
    missing = [rider.name for rider in plan.race.team.riders if rider.name not in names]
    if len(names) == 1:
        notes.append(
            "One ride alone does not tell who led: front power, drafting and gaps are left out, and the drag area is "
            "what the rider had on average, in front and on wheels."
        )
    elif sum(ride.has_power for ride in rides) < 2:
        notes.append(
            "Fewer than two riders have power, and places alone do not tell who led: front power, drafting and gaps "
            "are left out."
        )
    elif missing:
        notes.append(
            f"Not recorded: {', '.join(missing)}. Who rode between the others is not known: all wheels count as one "
            f"place, and gaps are not looked for."
        )
    for name, ride, place, clock_s in zip(names, rides, places, line.clock_s - line.clock_s[0], strict=True):
        notes.extend(f"{name}: {note}" for note in ride.notes if note not in SPEED_NOTES)
        if not ride.has_power and sum(other.has_power for other in rides) > 1:
            notes.append(f"{name}: no power was recorded; only places and the others' power tell when this rider led.")
        if place.covered_share < WHOLE_SHARE:
            notes.append(f"{name}: the recording covers {100 * place.covered_share:.0f} % of the course.")
        if place.passages > 1:
            notes.append(f"{name}: passes the course {place.passages} times; the last whole one counts.")
        if abs(clock_s) >= NOTABLE_CLOCK_S:
            notes.append(
                f"{name}: the clock was set right by {clock_s:+.1f} s against {names[0]}'s, since both passed most "
                f"places so far apart; if they did not ride together, debrief them one by one."
            )
    if not line.from_standstill:
        notes.append("The recordings do not hold the start from standstill; time counts from the start line.")
    if not line.finished:
        notes.append("The recordings end before the end of the course.")
    return tuple(notes)
