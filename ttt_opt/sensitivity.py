"""What a plan is sensitive to: every input changed by what it is uncertain by, one at a time, and all at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from ttt_opt.course import Course
from ttt_opt.drafting import LARGEST_GAP_M, SMALLEST_GAP_M, TABLES
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.many_rides import ManyRides, Spread, many_rides, rides_cases
from ttt_opt.race import Race
from ttt_opt.race_changes import scaled, with_rider, with_riders, with_wind
from ttt_opt.schedule import Schedule
from ttt_opt.search_control import Settings
from ttt_opt.study_case import Outcome, PlanCase, SamePullsCase, schedule_from
from ttt_opt.study_pool import Tell, Workers, solve_all
from ttt_opt.study_store import Store

WIND_MPS, WIND_DEG, TEMPERATURE_C = 2.0, 30.0, 10.0
DRAG_SHARE, CRR, MASS_SHARE = 0.03, 0.001, 0.02
CP_SHARE, W_PRIME_SHARE = 0.045, 0.28
HEAT_SHARE = 0.06
GAP_M, SURGE_FACTOR, BY_SIZE = 0.2, 2.0, 0.003
RESERVES_J = (5000.0, 7000.0, 9000.0)
"""Reserves that ``robust`` tries besides the race's own (J)."""


@dataclass(frozen=True)
class Side:
    """One change of one input.

    Attributes
    ----------
    label : str
        The change: ``+2 m/s``.
    race : Race
        With the change.
    """

    label: str
    race: Race


@dataclass(frozen=True)
class Input:
    """One input and how it is changed.

    Attributes
    ----------
    name : str
    sides : tuple of Side
        Less and more; or one where there is no other side.
    ratio : float or None
        Larger over smaller value, for elasticities; ``None`` where there is none.
    source : str
        Where the size of the change comes from.
    """

    name: str
    sides: tuple[Side, ...]
    ratio: float | None
    source: str


@dataclass(frozen=True)
class Effect:
    """What changing an input does.

    Attributes
    ----------
    of : Input
    outcomes : tuple of Outcome
        One a side, with the same pulls.
    differences_s : tuple of float
        Finish time over that of the unchanged race (s), nan where the pulls have no pace that keeps the limits.
    elasticity : float or None
        Change of the finish time in percent for one percent of the input.
    """

    of: Input
    outcomes: tuple[Outcome, ...]
    differences_s: tuple[float, ...]
    elasticity: float | None

    @property
    def size_s(self) -> float:
        """The larger of the differences (s)."""
        return max((abs(value) for value in self.differences_s if math.isfinite(value)), default=0.0)


@dataclass(frozen=True)
class Anew:
    """A change for which the whole plan was searched again."""

    name: str
    label: str
    same_pulls_s: float
    difference_s: float
    outcome: Outcome


@dataclass(frozen=True)
class Candidate:
    """A plan and how it comes through many days."""

    name: str
    planned_s: float
    schedule: Schedule
    rides: ManyRides


@dataclass(frozen=True)
class Sensitivity:
    """All that the study found.

    Attributes
    ----------
    race : Race
    course : Course
    plan, same : Outcome
        The plan, and its pulls fitted again without a change: differences count from there.
    effects : tuple of Effect
        The largest first.
    anew : tuple of Anew
    spread : Spread
    candidates : tuple of Candidate
        The plan first; others only where asked for.
    """

    race: Race
    course: Course
    plan: Outcome
    same: Outcome
    effects: tuple[Effect, ...]
    anew: tuple[Anew, ...]
    spread: Spread
    candidates: tuple[Candidate, ...]


def inputs_of(race: Race) -> list[Input]:
    """Every input that is changed, with its changes."""
    weather, limits = race.weather, race.limits
    speed = weather.wind_speed_mps
    found = [
        Input(
            "wind speed",
            tuple(
                Side(f"{change:+g} m/s", with_wind(race, max(speed + change, 0.0)))
                for change in (-min(WIND_MPS, speed), WIND_MPS)
                if change
            ),
            None,
            "assumed",
        ),
        Input(
            "temperature (air density)",
            tuple(
                Side(f"{change:+g} °C", replace(race, weather=replace(weather, temperature_c=changed)))
                for change, changed in ((c, weather.temperature_c + c) for c in (-TEMPERATURE_C, TEMPERATURE_C))
            ),
            None,
            "assumed",
        ),
        Input(
            "heat: critical power",
            (Side(f"-{100 * HEAT_SHARE:g} %", with_riders(race, lambda rider: scaled(rider, 1.0 - HEAT_SHARE))),),
            None,
            "32 against 23 °C: power -6.5 % (Tatterson et al. 2000); 35 against 15 °C: -6.3 % (Tucker et al. "
            "2004); abstracts",
        ),
        _share(
            "drag area, all riders",
            DRAG_SHARE,
            lambda f: with_riders(race, lambda rider: replace(rider, cda_m2=rider.cda_m2 * f)),
            "a good field test; assumed",
        ),
        Input(
            "rolling resistance",
            tuple(Side(f"{change:+g}", replace(race, crr=race.crr + change)) for change in (-CRR, CRR)),
            (race.crr + CRR) / (race.crr - CRR) if race.crr > CRR else None,
            "0.004 ± 0.001, common range 0.0025 to 0.006",
        ),
        _share(
            "mass, all riders",
            MASS_SHARE,
            lambda f: with_riders(
                race, lambda rider: replace(rider, mass_kg=rider.mass_kg * f, bicycle_mass_kg=rider.bicycle_mass_kg * f)
            ),
            "assumed",
        ),
    ]
    if speed > 0.0:
        turned = tuple(
            Side(f"{change:+g}°", with_wind(race, speed, weather.wind_from_deg + change))
            for change in (-WIND_DEG, WIND_DEG)
        )
        found.insert(1, Input("wind direction", turned, None, "assumed"))
    for rider in race.team.riders:
        found.append(
            _share(
                f"critical power, {rider.name}",
                CP_SHARE,
                partial(_scaled_one, race, rider.name, "cp"),
                "error of a field test 4.5 % (Karsten et al. 2015)",
            )
        )
        found.append(
            _share(
                f"W', {rider.name}",
                W_PRIME_SHARE,
                partial(_scaled_one, race, rider.name, "w_prime"),
                "typical error of one short test 28 % (Johnson et al. 2011)",
            )
        )
    tables = tuple(Side(table, replace(race, drafting=table)) for table in TABLES if table != race.drafting)
    found.append(Input("drafting table", tables, None, "published tables"))
    per_kg = BY_SIZE if race.drafting_per_kg == 0.0 else 0.0
    found.append(
        Input(
            "size of the rider ahead",
            (Side(f"{100.0 * per_kg:g} % a kg", replace(race, drafting_per_kg=per_kg)),),
            None,
            "up to 6 % between reversed places (Fitton et al. 2018)",
        )
    )
    gaps = [max(race.wheel_gap_m - GAP_M, SMALLEST_GAP_M), min(race.wheel_gap_m + GAP_M, LARGEST_GAP_M)]
    found.append(
        Input(
            "wheel gap",
            tuple(Side(f"{gap:.2f} m", replace(race, wheel_gap_m=gap)) for gap in gaps if gap != race.wheel_gap_m),
            None,
            "one club's guidance is 0.3 to 0.6 m",
        )
    )
    surges = (limits.surge_w / SURGE_FACTOR, limits.surge_w * SURGE_FACTOR)
    found.append(
        Input(
            "surge limit",
            tuple(Side(f"{watts:g} W", replace(race, limits=replace(limits, surge_w=watts))) for watts in surges),
            None,
            "assumed",
        )
    )
    return found


def _scaled_one(race: Race, name: str, what: str, factor: float) -> Race:
    """The race with critical power or W' of one rider times a factor."""
    cp, w_prime = (factor, 1.0) if what == "cp" else (1.0, factor)
    return with_rider(race, name, partial(scaled, cp=cp, w_prime=w_prime))


def _share(name: str, share: float, changed: Callable[[float], Race], source: str) -> Input:
    """An input changed by a share of itself."""
    sides = tuple(Side(f"{sign}{100 * share:g} %", changed(1.0 + s)) for sign, s in (("-", -share), ("+", share)))
    return Input(name, sides, (1.0 + share) / (1.0 - share), source)


def study_sensitivity(
    race: Race,
    course: Course,
    settings: Settings,
    store: Store,
    workers: Workers,
    tell: Tell,
    *,
    n_anew: int,
    n_rides: int,
    spread: Spread,
    robust: bool,
) -> Sensitivity:
    """Plan, change, ride.

    Parameters
    ----------
    race : Race
    course : Course
    settings : Settings
        Of each search.
    store : Store
    workers : Workers
    tell : callable
    n_anew : int
        For so many of the largest changes the plan is searched anew.
    n_rides : int
        Rides of each plan.
    spread : Spread
    robust : bool
        Ride other plans too, which keep more W'.

    Raises
    ------
    NoFeasiblePlanError
        The race has no plan.
    """
    (plan,) = solve_all([PlanCase(race, course, settings)], store, workers, lambda t: tell(f"the plan: {t}"))
    if plan["state"] != "planned":
        raise NoFeasiblePlanError(plan["why"])
    schedule = schedule_from(plan["schedule"])
    changed = inputs_of(race)
    sides = [(item, side) for item in changed for side in item.sides]
    cases = [SamePullsCase(race, race, course, schedule)]
    cases += [SamePullsCase(side.race, race, course, schedule) for _, side in sides]
    same, *fitted = solve_all(cases, store, workers, lambda t: tell(f"the same pulls: {t}"))
    effects = _effects(changed, same, fitted)
    anew = _planned_anew(course, settings, store, workers, tell, plan, effects[:n_anew])
    plans = {"the plan": plan}
    if robust:
        reserves = [r for r in RESERVES_J if r > race.limits.w_prime_reserve_j]
        careful = [replace(race, limits=replace(race.limits, w_prime_reserve_j=reserve)) for reserve in reserves]
        outcomes = solve_all(
            [SamePullsCase(other, race, course, schedule) for other in careful],
            store,
            workers,
            lambda t: tell(f"plans that keep more: {t}"),
        )
        for reserve, outcome in zip(reserves, outcomes, strict=True):
            plans[f"same pulls, {reserve / 1000:g} kJ kept"] = outcome
    candidates = []
    for name, outcome in plans.items():
        if outcome["state"] == "planned" and n_rides:
            own = schedule_from(outcome["schedule"])
            rides = rides_cases(race, course, own, spread, settings.seed, n_rides)
            ridden = solve_all(rides, store, workers, partial(_told, tell, f"rides of {name}"))
            candidates.append(Candidate(name, outcome["finish_time_s"], own, many_rides(race, own, ridden)))
    return Sensitivity(race, course, plan, same, tuple(effects), tuple(anew), spread, tuple(candidates))


def _told(tell: Tell, what: str, text: str) -> None:
    tell(f"{what}: {text}")


def _effects(changed: Sequence[Input], same: Outcome, fitted: Sequence[Outcome]) -> list[Effect]:
    base_s = same["finish_time_s"]
    waiting = list(fitted)
    effects = []
    for item in changed:
        outcomes, waiting = waiting[: len(item.sides)], waiting[len(item.sides) :]
        differences = tuple(
            outcome["finish_time_s"] - base_s if outcome["state"] == "planned" else math.nan for outcome in outcomes
        )
        elasticity = None
        if item.ratio is not None and len(differences) == 2 and all(map(math.isfinite, differences)):
            elasticity = math.log((base_s + differences[1]) / (base_s + differences[0])) / math.log(item.ratio)
        effects.append(Effect(item, tuple(outcomes), differences, elasticity))
    return sorted(effects, key=lambda effect: -effect.size_s)


def _planned_anew(
    course: Course,
    settings: Settings,
    store: Store,
    workers: Workers,
    tell: Tell,
    plan: Outcome,
    effects: Sequence[Effect],
) -> list[Anew]:
    """The plan searched again for the worse side of each of some inputs."""
    chosen = []
    for effect in effects:
        known = [(d, side) for d, side in zip(effect.differences_s, effect.of.sides, strict=True) if math.isfinite(d)]
        if known:
            difference, side = max(known, key=lambda pair: pair[0])
            chosen.append((effect, side, difference))
    cases = [PlanCase(side.race, course, settings) for _, side, _ in chosen]
    outcomes = solve_all(cases, store, workers, lambda t: tell(f"planned anew: {t}"))
    return [
        Anew(
            effect.of.name,
            side.label,
            difference,
            outcome["finish_time_s"] - plan["finish_time_s"] if outcome["state"] == "planned" else math.nan,
            outcome,
        )
        for (effect, side, difference), outcome in zip(chosen, outcomes, strict=True)
    ]
