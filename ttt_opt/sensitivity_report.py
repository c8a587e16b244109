"""The report of a study of sensitivities."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from ttt_opt.html_text import Html
from ttt_opt.lineups_report import pull_shares, why_none
from ttt_opt.sensitivity import Candidate, Effect, Sensitivity
from ttt_opt.study_charts import both_ways, columns
from ttt_opt.study_report import Report, ReportTable, signed
from ttt_opt.text_table import clock

N_COLUMNS, N_STRETCHES = 20, 10


def sensitivity_report(found: Sensitivity) -> Report:
    """The largest effects first."""
    tables = [_effects(found), _anew(found)]
    charts = [("What changes the finish time (s): left faster, right slower", both_ways(_bars(found)))]
    if found.candidates:
        tables += [_riders(found), _candidates(found)] if len(found.candidates) > 1 else [_riders(found)]
        charts += _ride_charts(found)
    return Report(
        study="sensitivity",
        title=f"Sensitivity · {found.race.name}",
        subtitle=(
            f"{found.race.team.name}, {found.course.length_m / 1000:.2f} km, "
            f"plan of {clock(found.plan['finish_time_s'])}"
        ),
        conclusion=_conclusion(found),
        tables=tuple(one for one in tables if one.rows),
        charts=tuple(charts),
        frame=_frame(found),
        document=_document(found),
        notes=_notes(found),
    )


def _conclusion(found: Sensitivity) -> tuple[str, ...]:
    first, *others = found.effects
    sentences = [
        f"Most depends on: {first.of.name} ({_sides(first)}), then "
        f"{', '.join(f'{each.of.name} ({_sides(each)})' for each in others[:3])}."
    ]
    if found.candidates:
        plan = found.candidates[0]
        rides = plan.rides
        low, high = np.percentile(rides.finish_time_s, [5, 95])
        worst = int(np.argmax(rides.crack_share))
        sentences.append(
            f"Of {len(rides.finish_time_s)} simulated rides of the plan, 90 % take {clock(low)} to {clock(high)} "
            f"where everybody holds on; in {100 * rides.intact.mean():.0f} % enough riders for the count do. Most "
            f"likely to crack: {found.race.team.riders[worst].name}, in {100 * rides.crack_share[worst]:.0f} % of "
            "the rides."
        )
        if len(found.candidates) > 1:
            best = max(found.candidates, key=lambda each: (round(float(each.rides.intact.mean()), 3), -each.planned_s))
            sentences.append(
                f"The most robust: {best.name}, which costs {signed(best.planned_s - plan.planned_s)} s and comes "
                f"through in {100 * best.rides.intact.mean():.0f} % of the rides instead of "
                f"{100 * rides.intact.mean():.0f} %."
            )
    return tuple(sentences)


def _sides(effect: Effect) -> str:
    return ", ".join(
        f"{side.label}: {signed(value)} s" if math.isfinite(value) else f"{side.label}: no plan with these pulls"
        for side, value in zip(effect.of.sides, effect.differences_s, strict=True)
    )


def _bars(found: Sensitivity) -> list[tuple[str, list[float], str]]:
    return [
        (effect.of.name, [v for v in effect.differences_s if math.isfinite(v)], _sides(effect))
        for effect in found.effects
    ]


def _effects(found: Sensitivity) -> ReportTable:
    rows = []
    for effect in found.effects:
        cells = []
        for side, value, outcome in zip(effect.of.sides, effect.differences_s, effect.outcomes, strict=True):
            mark = "" if outcome.get("passed", False) else " !"
            cells += [side.label, f"{signed(value)}{mark}" if math.isfinite(value) else "none"]
        cells = [*cells, "", ""] if len(effect.of.sides) == 1 else cells
        elasticity = "" if effect.elasticity is None else signed(effect.elasticity, 2)
        rows.append((effect.of.name, *cells, elasticity))
    sources = dict.fromkeys((effect.of.source, _kind(effect)) for effect in found.effects)
    told: dict[str, list[str]] = {}
    for source, kind in sources:
        told.setdefault(source, []).append(kind)
    return ReportTable(
        "The same pulls, pace optimised again",
        ("<Input", "Change", "s", "Change", "s", "% per %"),
        tuple(rows),
        (
            "% per %: change of the finish time for one percent of the input.",
            "An exclamation mark: with these pulls the ride check fails there, so the plan has to be made anew.",
            "Sizes of the changes: "
            + "; ".join(f"{', '.join(dict.fromkeys(kinds))}: {source}" for source, kinds in told.items())
            + ".",
        ),
    )


def _kind(effect: Effect) -> str:
    """The input without the name of a rider or a table."""
    return effect.of.name.partition(", ")[0].partition(":")[0]


def _anew(found: Sensitivity) -> ReportTable:
    rows = []
    for each in found.anew:
        known = each.outcome["state"] == "planned" and each.outcome["passed"]
        rows.append(
            (
                each.name,
                each.label,
                signed(each.same_pulls_s),
                signed(each.difference_s) if known else why_none(each.outcome),
                pull_shares(each.outcome) if known else "",
            )
        )
    return ReportTable(
        "The largest, planned anew",
        ("<Input", "<Change", "Same pulls\ns", "Anew\ns", "<Time in front, %"),
        tuple(rows),
        (f"The plan has in front, %: {pull_shares(found.plan)}.",),
    )


def _riders(found: Sensitivity) -> ReportTable:
    rides = found.candidates[0].rides
    rows = []
    for number, rider in enumerate(found.race.team.riders):
        where = rides.cracked_at_m[:, number]
        known = where[~np.isnan(where)]
        early, late = np.percentile(known, [10, 90]) / 1000.0 if len(known) else (math.nan, math.nan)
        rows.append(
            (
                rider.name,
                f"{100 * rides.crack_share[number]:.1f}",
                f"{np.median(known) / 1000:.1f}" if len(known) else "",
                f"{early:.1f} to {late:.1f}" if len(known) else "",
            )
        )
    return ReportTable(
        f"Who cracks, and where, in {len(rides.finish_time_s)} rides of the plan",
        ("<Rider", "% of rides", "half of them\nbefore km", "8 of 10\nat km"),
        tuple(rows),
    )


def _candidates(found: Sensitivity) -> ReportTable:
    first = found.candidates[0]
    rows = [
        (
            each.name,
            clock(each.planned_s),
            signed(each.planned_s - first.planned_s),
            f"{100 * each.rides.intact.mean():.0f}",
            ", ".join(
                f"{rider.name} {100 * share:.0f}"
                for rider, share in zip(found.race.team.riders, each.rides.crack_share, strict=True)
            ),
        )
        for each in found.candidates
    ]
    return ReportTable(
        "Plans that keep more W'",
        ("<Plan", "Time", "Costs\ns", "Comes through\n% of rides", "<Cracks, % of rides"),
        tuple(rows),
    )


def _ride_charts(found: Sensitivity) -> list[tuple[str, Html]]:
    rides = found.candidates[0].rides
    n_rides = len(rides.finish_time_s)
    counts, edges = np.histogram(rides.finish_time_s, bins=N_COLUMNS)
    charts = [
        (
            "Finish time of the simulated rides (% of the rides)",
            columns(edges, 100.0 * counts / n_rides, "finish time (s)", "Histogram of the finish times"),
        )
    ]
    places = np.linspace(0.0, found.course.length_m / 1000.0, N_STRETCHES + 1)
    where = rides.cracked_at_m[~np.isnan(rides.cracked_at_m)] / 1000.0
    if len(where):
        counts, _ = np.histogram(where, bins=places)
        charts.append(
            (
                "Where riders crack (% of the rides, all riders together)",
                columns(places, 100.0 * counts / n_rides, "km", "Histogram of the places where riders crack"),
            )
        )
    return charts


def _notes(found: Sensitivity) -> tuple[str, ...]:
    spread = found.spread
    notes = [
        "Same pulls: who leads where stays, the pace is optimised again under the changed input and ridden; so "
        "there is no noise of the search, and differences count from the plan's own pulls fitted in the same way "
        f"({clock(found.same['finish_time_s'])}). What neighbouring fits differ by is up to about 0.05 % of the time.",
        "Anew: the whole search again; its noise is up to about 0.2 % of the time.",
        "Heat is a change of critical power here because the body loses more in it than thinner air gives; how "
        "much a rider loses is personal, and plans do not change critical power by themselves.",
    ]
    if found.candidates:
        notes.append(
            f"Rides: critical power of each rider varies by {100 * spread.form:g} % (repeated field tests vary by "
            f"2.4 to 6.5 %, Karsten et al. 2015), W' by {100 * spread.w_prime:g} % (typical error of one short "
            f"test, Johnson et al. 2011), wind by {spread.wind_mps:g} m/s and {spread.wind_deg:g}° (assumed), each "
            "on its own, normally distributed. The plan is ridden unchanged; who has used up W' has cracked, and "
            "what the others would do then is not simulated."
        )
    return tuple(notes)


def _frame(found: Sensitivity) -> pd.DataFrame:
    rows = []
    for effect in found.effects:
        for side, value, outcome in zip(effect.of.sides, effect.differences_s, effect.outcomes, strict=True):
            rows.append(
                {
                    "what": "same pulls",
                    "input": effect.of.name,
                    "change": side.label,
                    "difference_s": value if math.isfinite(value) else None,
                    "elasticity": effect.elasticity,
                    "passed": bool(outcome.get("passed", False)),
                }
            )
    for each in found.anew:
        rows.append(
            {
                "what": "planned anew",
                "input": each.name,
                "change": each.label,
                "difference_s": each.difference_s if math.isfinite(each.difference_s) else None,
                "elasticity": None,
                "passed": bool(each.outcome.get("passed", False)),
            }
        )
    return pd.DataFrame(rows)


def _document(found: Sensitivity) -> dict[str, object]:
    names = [rider.name for rider in found.race.team.riders]

    def rides(candidate: Candidate) -> dict[str, object]:
        each = candidate.rides
        return {
            "plan": candidate.name,
            "planned_s": candidate.planned_s,
            "n_rides": len(each.finish_time_s),
            "comes_through": float(each.intact.mean()),
            "finish_time_percentiles_s": {
                str(p): float(np.percentile(each.finish_time_s, p)) for p in (5, 25, 50, 75, 95)
            },
            "cracks": dict(zip(names, each.crack_share.tolist(), strict=True)),
        }

    return {
        "race": found.race.name,
        "finish_time_s": found.plan["finish_time_s"],
        "same_pulls_s": found.same["finish_time_s"],
        "effects": _frame(found).to_dict(orient="records"),
        "rides": [rides(candidate) for candidate in found.candidates],
        "spread": vars(found.spread),
    }
