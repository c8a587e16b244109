"""How long many simulated rides of a plan take: ``python benchmarks/many_rides.py PLAN.json [N_RIDES]``."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from ttt_opt.many_rides import Spread, many_rides, rides_cases
from ttt_opt.plan_reading import read_plan
from ttt_opt.study_pool import Workers, solve_all
from ttt_opt.study_store import Store


def main(plan_file: str, n_rides: int = 1000) -> None:
    """Ride, and print one line."""
    plan = read_plan(Path(plan_file))
    schedule = plan.optimum.schedule
    cases = rides_cases(plan.race, plan.course, schedule, Spread(), 0, n_rides)
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        outcomes = solve_all(cases, Store(Path(folder)), Workers(), lambda _: None)
        seconds = time.perf_counter() - began
    rides = many_rides(plan.race, schedule, outcomes)
    low, high = np.percentile(rides.finish_time_s, [5, 95])
    print(
        f"{n_rides} rides of {plan.course.length_m / 1000:.1f} km with {len(plan.race.team.riders)} riders: "
        f"{seconds:.1f} s; 90 % of them {low:.1f} to {high:.1f} s, {100 * rides.intact.mean():.1f} % come through"
    )


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:3]))
