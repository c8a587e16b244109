"""Cases of a study: each is one run of the main flow, or of a part of it, on inputs that are plain data.

A case knows nothing of files: what it needs travels with it to whichever process or machine solves it. What comes back
is data that JSON can hold, so that it can be kept.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from ttt_opt import __version__
from ttt_opt.course import Course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.plan import Plan, plan_on, relaxed_bound_on
from ttt_opt.race import Race
from ttt_opt.rotation_problem import road_of, segments_of
from ttt_opt.same_pulls import plan_with_pulls
from ttt_opt.schedule import Schedule, ScheduledPull
from ttt_opt.search_control import Settings
from ttt_opt.team_bound import team_bound
from ttt_opt.worker_process import may_have_workers

Outcome = dict[str, Any]
"""What a case comes to: text, finite numbers, truth values, ``None``, lists and dictionaries of them."""

STUDY_FORMAT = 1
"""Changes when outcomes kept by an older version must not be used any more."""


LONGEST_RELAXATION_S = 600.0
"""After so long a race goes without a bound of its relaxations (s)."""


class Case(Protocol):
    """Something to solve."""

    def inputs(self) -> dict[str, Any]:
        """Everything that the outcome depends on, as data."""

    def solve(self) -> Outcome:
        """Solve it in this process."""


@dataclass(frozen=True)
class PlanCase:
    """The best plan of a race, as ``ttt-opt plan`` searches it.

    Attributes
    ----------
    race : Race
        The path of its course file is not used.
    course : Course
    settings : Settings
    on_all_cores : bool
        No other case is solved meanwhile.
    """

    race: Race
    course: Course
    settings: Settings
    on_all_cores: bool = False

    def inputs(self) -> dict[str, Any]:
        """See :class:`Case`."""
        settings = dataclasses.asdict(self.settings)
        del settings["processes"]  # the plan does not depend on it, as long as the time suffices
        inputs = {"plan": race_data(self.race), "course": dataclasses.asdict(self.course), "settings": settings}
        return inputs | ({"on all cores": True} if self.on_all_cores else {})

    def solve(self) -> Outcome:
        """See :class:`Case`."""
        processes = None if self.on_all_cores and may_have_workers() else 1
        try:
            return outcome_of(plan_on(self.course, self.race, dataclasses.replace(self.settings, processes=processes)))
        except NoFeasiblePlanError as error:
            return no_plan(str(error))


@dataclass(frozen=True)
class SamePullsCase:
    """A plan's pulls in a race that differs from the plan's: who leads where stays, the pace is optimised again.

    Attributes
    ----------
    race, planned_for : Race
        The race now, and the one for which the schedule was made: its segments are kept.
    course : Course
    schedule : Schedule
    """

    race: Race
    planned_for: Race
    course: Course
    schedule: Schedule

    def inputs(self) -> dict[str, Any]:
        """See :class:`Case`."""
        return {
            "same pulls": race_data(self.race),
            "planned for": race_data(self.planned_for),
            "course": dataclasses.asdict(self.course),
            "schedule": schedule_data(self.schedule),
        }

    def solve(self) -> Outcome:
        """See :class:`Case`."""
        segments = segments_of(self.course, self.planned_for)
        try:
            return outcome_of(plan_with_pulls(self.course, segments, self.race, self.schedule))
        except NoFeasiblePlanError as error:
            return no_plan(str(error))


@dataclass(frozen=True)
class BoundCase:
    """A time below which no plan of a race can be, see :mod:`ttt_opt.team_bound`."""

    race: Race
    course: Course

    def inputs(self) -> dict[str, Any]:
        """See :class:`Case`."""
        return {"bound": race_data(self.race), "course": dataclasses.asdict(self.course)}

    def solve(self) -> Outcome:
        """See :class:`Case`."""
        road = road_of(segments_of(self.course, self.race), self.race, float(self.course.elevation_m[0]))
        return {"bound_s": team_bound(road, self.race)}


@dataclass(frozen=True)
class RelaxedCase:
    """A time below which no plan of a race can be, see :func:`ttt_opt.rotation_optimum.relaxed_bound`: sharper, slower.

    Attributes
    ----------
    race : Race
        The path of its course file is not used.
    course : Course
    seed : int
    """

    race: Race
    course: Course
    seed: int

    def inputs(self) -> dict[str, Any]:
        """See :class:`Case`."""
        return {"relaxed": race_data(self.race), "course": dataclasses.asdict(self.course), "seed": self.seed}

    def solve(self) -> Outcome:
        """See :class:`Case`."""
        settings = Settings(time_limit_s=LONGEST_RELAXATION_S, seed=self.seed, processes=1)
        try:
            bound_s = relaxed_bound_on(self.course, self.race, settings)
        except NoFeasiblePlanError:  # the search will say why
            bound_s = -math.inf
        return {"bound_s": bound_s if math.isfinite(bound_s) else 0.0}


def key_of(case: Case) -> str:
    """Name of a case: a digest of its inputs and of the program's version."""
    told = {"format": STUDY_FORMAT, "version": __version__, **case.inputs()}
    text = json.dumps(plain(told), sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:32]


def outcome_of(plan: Plan) -> Outcome:
    """What a study keeps of a plan."""
    optimum, check = plan.optimum, plan.check
    proven = math.isfinite(optimum.best_possible_s)
    kept: Outcome = plain(
        {
            "state": "planned",
            "finish_time_s": plan.finish_time_s,
            "best_possible_s": optimum.best_possible_s,
            "gap": optimum.gap if proven else None,
            "stopped_because": optimum.stopped_because,
            "solve_seconds": optimum.solve_seconds,
            "passed": check.passed,
            "failed": [failed.name for failed in check.failed],
            "ridden_s": check.finish_time_s,
            "start_order": plan.start_order,
            "pulls": [dataclasses.asdict(pull) for pull in plan.pulls],
            "riders": [dataclasses.asdict(rider) for rider in plan.riders],
            "schedule": schedule_data(optimum.schedule),
        }
    )
    return kept


def no_plan(why: str) -> Outcome:
    """The outcome where no plan keeps all limits."""
    return {"state": "no plan", "why": why}


def schedule_data(schedule: Schedule) -> dict[str, Any]:
    """A schedule as data."""
    data: dict[str, Any] = plain(dataclasses.asdict(schedule))
    return data


def schedule_from(data: Mapping[str, Any]) -> Schedule:
    """The schedule that :func:`schedule_data` wrote down."""
    pulls = tuple(ScheduledPull(**{**pull, "line": tuple(pull["line"])}) for pull in data["pulls"])
    arrays = {name: np.array(data[name], dtype=np.float64) for name in data if name != "pulls"}
    return Schedule(**arrays, pulls=pulls)


def plain(value: Any) -> Any:
    """A value as JSON has it: lists for arrays and tuples, ``None`` for numbers that are not finite."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Path):
        return value.name
    return value


def race_data(race: Race) -> dict[str, Any]:
    """A race as data, without the place of its files."""
    told = dataclasses.asdict(race)
    del told["course_file"]
    return told
