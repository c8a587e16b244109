"""How well a debrief finds what was put into simulated recordings of a plan's ride.

    python benchmarks/debrief_accuracy.py plan-out/plan.json 20

The second word is the number of seeds. Needs the examples of tests/unit.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "unit"))
from recorded_examples import team_recordings  # beside the tests
from test_debrief import change_misses, debriefed, right_share

from ttt_opt.plan_reading import read_plan

FIRST_SEED = 100


def main(plan_file: Path, n_seeds: int) -> None:
    """Debrief so many recordings of a plan's ride and print the worst misses."""
    plan = read_plan(plan_file)
    riders = plan.race.team.riders
    shares = plan.race.draft_shares(len(riders))[1:]
    rows = []
    for seed in range(FIRST_SEED, FIRST_SEED + n_seeds):
        frames = team_recordings(plan, seed)
        began = time.process_time()
        found = debriefed(plan, frames)
        seconds = time.process_time() - began
        calibration = found.calibration
        assert calibration is not None
        rows.append(
            (
                100.0 * right_share(found, plan.ride),
                float(np.median(change_misses(found, plan.ride))),
                max(
                    100.0 * abs(area.value / rider.cda_m2 - 1.0)
                    for area, rider in zip(calibration.cda_m2, riders, strict=True)
                ),
                max(abs(share.value - true) for share, true in zip(calibration.shares, shares, strict=True)),
                abs(found.line.finish_s - plan.ride.finish_time_s),
                seconds,
            )
        )
    right, change, area, share, finish, seconds_each = np.array(rows).T
    print(f"leader right: {right.min():.1f} % at worst, {right.mean():.1f} % on average")
    print(f"changes of leader, median miss: {change.max():.1f} s at worst")
    print(f"drag area: {area.max():.1f} % off at worst; drag share: {share.max():.3f}")
    print(f"finish time: {finish.max():.1f} s off at worst; {seconds_each.mean():.1f} s of processor time each")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
