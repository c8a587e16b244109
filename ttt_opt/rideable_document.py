"""The rideable plan and its fall-backs as sections of ``plan.json``."""

from __future__ import annotations

import dataclasses
from typing import Any

from ttt_opt.fall_backs import FallBack
from ttt_opt.pattern_plan import SLOPES, RideablePlan
from ttt_opt.ride_check import RideCheck
from ttt_opt.team import Team


def check_section(check: RideCheck) -> dict[str, Any]:
    """A ride check."""
    return {
        "finish_time_s": check.finish_time_s,
        "difference_s": check.difference_s,
        "passed": check.passed,
        "checks": [dataclasses.asdict(one) for one in check.checks],
        "notes": check.notes,
    }


def rideable_section(plan: RideablePlan | None, team: Team, detailed_s: float) -> dict[str, Any] | None:
    """A plan of few stretches, and what it costs against a time (s); ``None`` for none."""
    if plan is None:
        return None
    mass_kg = {rider.name: rider.mass_kg for rider in team.riders}
    return {
        "finish_time_s": plan.finish_time_s,
        "slower_s": plan.finish_time_s - detailed_s,
        "slower_share": plan.finish_time_s / detailed_s - 1.0,
        "start_power_w": plan.start_power_w,
        "stretches": [
            {
                "start_m": stretch.start_m,
                "end_m": stretch.end_m,
                "start_s": stretch.start_s,
                "duration_s": stretch.duration_s,
                "landmark": stretch.landmark,
                "road": stretch.road,
                "line": stretch.line,
                "swing_off": stretch.swing_off,
                "downhill_s": stretch.downhill_s,
                "lowest_kmh": stretch.lowest_kmh,
                "highest_kmh": stretch.highest_kmh,
                "riders": [
                    {
                        "rider": rider.rider,
                        "pull_s": rider.pull_s,
                        "n_pulls": rider.n_pulls,
                        "front_power_w": {slope: rider.front_power_w.get(slope) for slope in SLOPES},
                        "front_power_w_per_kg": {
                            slope: rider.front_power_w[slope] / mass_kg[rider.rider]
                            if slope in rider.front_power_w
                            else None
                            for slope in SLOPES
                        },
                    }
                    for rider in stretch.riders
                ],
            }
            for stretch in plan.stretches
        ],
        "ride_check": check_section(plan.check),
    }


def fall_back_section(fall_back: FallBack, team: Team, detailed_s: float) -> dict[str, Any]:
    """A fall-back."""
    return {
        "without": fall_back.without,
        "has_result": fall_back.has_result,
        "plan": rideable_section(fall_back.plan, team, detailed_s),
    }
