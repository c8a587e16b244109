"""The report of a study of a weakened rider."""

from __future__ import annotations

import pandas as pd

from ttt_opt.html_text import Html
from ttt_opt.lineups_report import pull_shares, why_none
from ttt_opt.race import Race
from ttt_opt.study_case import Outcome
from ttt_opt.study_charts import both_ways
from ttt_opt.study_report import TOLD_APART, Report, ReportTable, and_list, signed
from ttt_opt.text_table import clock
from ttt_opt.weakened_rider import CAUTION, SHORT_PULL_S, RaceDay, Weakened, usable


def weakened_rider_report(race: Race, day: RaceDay) -> Report:
    """What to do on race day, for each reduction."""
    return Report(
        study="ill",
        title=f"Race day with {day.name} below strength · {race.name}",
        subtitle=(
            f"Critical power and W' of {day.name} lower by a share; everybody else as in the team file. Times are "
            f"those of the counting rider ({_rule(race)})."
        ),
        cautions=(CAUTION.replace("The team then starts without", f"The team then starts without {day.name}"),),
        conclusion=_conclusion(day),
        tables=(_table(day), _old_plan(day)),
        charts=tuple(_chart(day, row) for row in day.rows),
        frame=_frame(day),
        document={
            "race": race.name,
            "rider": day.name,
            "may_leave": day.may_leave,
            "healthy": _kept(day.healthy),
            "without": _kept(day.without),
            "reductions": [
                {
                    "reduction": row.reduction,
                    **{name: _kept(outcome) for name, outcome, _ in _ways(day, row) if outcome is not day.without},
                    "leaving": [{"at_m": at, **_kept(outcome)} for at, outcome in row.leaving],
                    "old_plan": {
                        "finish_time_s": row.old_plan.finish_time_s,
                        "lowest_j": row.old_plan.lowest_j,
                        "breaks_at_m": row.old_plan.breaks_at_m,
                        "below_reserve_at_m": row.old_plan.below_reserve_at_m,
                    },
                }
                for row in day.rows
            ],
        },
        notes=(
            "Every plan was searched as `ttt-opt plan` does, with the same seed and time limit; differences below "
            f"{100 * TOLD_APART:g} % of the time are not told apart.",
            f"Short pulls: at most {SHORT_PULL_S:g} s on the flat. Leaving: after one of the rider's own pulls in "
            "the plan made anew; the others ride on in the same order with the pace optimised again.",
            "The old plan is simulated step by step. Where W' is used up the rider loses the wheel, and the line "
            "breaks there; what the others do then is not simulated.",
        ),
    )


def _rule(race: Race) -> str:
    counting = race.rules.counting_rider
    n_riders = len(race.team.riders)
    return f"the last of {n_riders}" if counting in (0, n_riders) else f"number {counting} of {n_riders}"


Way = tuple[str, Outcome | None, str]
AFTER_ALL = "after all"
"""How the words end that say a plan came out as another way of riding: it is not advised under its own name."""


def _ways(day: RaceDay, row: Weakened) -> list[Way]:
    """Every way of riding: name, plan, and what else to know."""
    leaving = row.best_leaving
    if not day.may_leave:
        left: Way = ("start, pull, leave", None, "all must finish")
    elif leaving is None:
        left = ("start, pull, leave", None, "no such plan passed its ride check")
    else:
        left = ("start, pull, leave", leaving[1], f"leaves at {leaving[0] / 1000:.1f} km")
    return [
        ("start without", day.without, "" if day.without is not None else "fewer than two would pull"),
        left,
        ("sit on", row.sitting_on, "on the last wheel throughout" if row.sitting_on else "fewer than two would pull"),
        ("pull, then sit on", row.sitting_on_later, _sits_on_later(day, row.sitting_on_later)),
        ("short pulls", row.short_pulls, ""),
        ("plan made anew", row.replanned, _who_leaves(row.replanned)),
        *([("all finish", row.all_finish, "everybody stays in the line")] if day.may_leave else []),
    ]


def _sits_on_later(day: RaceDay, outcome: Outcome | None) -> str:
    """From where the rider sits on in a plan that lets him."""
    if outcome is None:
        return "fewer than two would pull"
    from_m = sits_on_from_m(outcome, day.name)
    if from_m is None:
        return f"pulls to the finish {AFTER_ALL}"
    return f"sits on from {from_m / 1000:.1f} km" if from_m else f"sits on from the start {AFTER_ALL}"


def sits_on_from_m(outcome: Outcome, name: str) -> float | None:
    """From where a rider sits on (m), 0 from the start; ``None``: nowhere, or there is no plan."""
    places = [rider["sits_on_from_m"] for rider in outcome.get("riders", []) if rider["name"] == name]
    return places[0] if places else None


def _who_leaves(outcome: Outcome) -> str:
    """Who leaves the line in a plan, and where."""
    riders = outcome.get("riders", [])
    left = [f"{r['name']} leaves at {r['leaves_at_m'] / 1000:.1f} km" for r in riders if r["leaves_at_m"] is not None]
    return ", ".join(left)


def _as_good(day: RaceDay, row: Weakened, best: Outcome) -> list[str]:
    """Other ways that are no slower than can be told apart."""
    limit = best["finish_time_s"] * (1.0 + TOLD_APART)
    return [
        name
        for name, outcome, told in _ways(day, row)
        if outcome is not None
        and usable(outcome)
        and not told.endswith(AFTER_ALL)
        and best["finish_time_s"] < outcome["finish_time_s"] <= limit
    ]


def _best(day: RaceDay, row: Weakened) -> Way | None:
    known = [
        (outcome["finish_time_s"], number, (name, outcome, told))
        for number, (name, outcome, told) in enumerate(_ways(day, row))
        if outcome is not None and usable(outcome) and not told.endswith(AFTER_ALL)
    ]
    return min(known)[2] if known else None


def _conclusion(day: RaceDay) -> tuple[str, ...]:
    sentences = []
    for row in day.rows:
        best = _best(day, row)
        what = f"{100 * row.reduction:.0f} % below"
        old = row.old_plan
        broken = (
            f"the old plan breaks at {old.breaks_at_m / 1000:.1f} km"
            if old.breaks_at_m is not None
            else (
                "the old plan still holds"
                if old.below_reserve_at_m is None
                else f"the old plan goes below the reserve at {old.below_reserve_at_m / 1000:.1f} km"
            )
        )
        if best is None or best[1] is None:
            sentences.append(f"{what}: no way of riding has a plan that keeps all limits; {broken}.")
            continue
        difference = best[1]["finish_time_s"] - day.healthy["finish_time_s"]
        told = f" ({best[2]})" if best[2] else ""
        alike = _as_good(day, row, best[1])
        others = f" ({and_list(alike)}: not told apart from it)" if alike else ""
        sentences.append(
            f"{what}: {best[0]}{told}, {clock(best[1]['finish_time_s'])}, {signed(difference)} s{others}; {broken}."
        )
    return tuple(sentences)


def _table(day: RaceDay) -> ReportTable:
    rows = []
    for row in day.rows:
        best = _best(day, row)
        for number, (name, outcome, told) in enumerate(_ways(day, row)):
            known = usable(outcome)
            rows.append(
                (
                    f"{100 * row.reduction:.0f} %" if number == 0 else "",
                    f"{name}{' *' if best is not None and best[0] == name else ''}",
                    clock(outcome["finish_time_s"]) if known and outcome else "",
                    signed(outcome["finish_time_s"] - day.healthy["finish_time_s"]) if known and outcome else "",
                    pull_shares(outcome) if known else "",
                    told if known or outcome is None else why_none(outcome),
                )
            )
    return ReportTable(
        f"What to do, by how far {day.name} is below strength",
        ("<Below", "<Way of riding", "Time", "s", "<Time in front, %", "<"),
        tuple(rows),
        (f"s: over the plan of the healthy team, {clock(day.healthy['finish_time_s'])}. Star: the fastest.",),
    )


def _old_plan(day: RaceDay) -> ReportTable:
    rows = []
    for row in day.rows:
        old = row.old_plan
        rows.append(
            (
                f"{100 * row.reduction:.0f} %",
                f"{old.lowest_j / 1000:.1f}",
                "nowhere" if old.below_reserve_at_m is None else f"{old.below_reserve_at_m / 1000:.1f} km",
                "nowhere" if old.breaks_at_m is None else f"{old.breaks_at_m / 1000:.1f} km",
            )
        )
    return ReportTable(
        "The old plan ridden unchanged",
        ("<Below", "Lowest W'\nkJ", "Below the\nreserve from", "Line breaks\nat"),
        tuple(rows),
    )


def _chart(day: RaceDay, row: Weakened) -> tuple[str, Html]:
    bars = []
    for name, outcome, told in _ways(day, row):
        if usable(outcome) and outcome is not None:
            difference = outcome["finish_time_s"] - day.healthy["finish_time_s"]
            bars.append((name, [difference], f"{signed(difference)} s{', ' + told if told else ''}"))
    return f"{100 * row.reduction:.0f} % below strength: seconds lost", both_ways(bars)


def _kept(outcome: Outcome | None) -> dict[str, object]:
    """What the JSON file holds of a plan; nothing where there is none."""
    told = {} if outcome is None else outcome
    return {key: value for key, value in told.items() if key not in ("schedule", "solve_seconds")}


def _frame(day: RaceDay) -> pd.DataFrame:
    rows = []
    for row in day.rows:
        ways = _ways(day, row)
        for name, outcome, _ in ways:
            leaving = row.best_leaving
            rows.append(
                {
                    "reduction": row.reduction,
                    "way": name,
                    "finish_time_s": outcome["finish_time_s"] if usable(outcome) and outcome else None,
                    "passed": usable(outcome),
                    "leaves_at_m": leaving[0] if name.endswith("leave") and leaving else None,
                    "sits_on_from_m": sits_on_from_m(outcome, day.name) if usable(outcome) and outcome else None,
                    "breaks_at_m": None,
                    "lowest_w_prime_j": None,
                }
            )
        rows.append(
            {
                "reduction": row.reduction,
                "way": "old plan unchanged",
                "finish_time_s": row.old_plan.finish_time_s,
                "passed": row.old_plan.below_reserve_at_m is None,
                "leaves_at_m": None,
                "sits_on_from_m": None,
                "breaks_at_m": row.old_plan.breaks_at_m,
                "lowest_w_prime_j": row.old_plan.lowest_j,
            }
        )
    return pd.DataFrame(rows)
