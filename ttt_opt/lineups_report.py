"""The report of a study of line-ups."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from ttt_opt.course import Course
from ttt_opt.lineups import Ranking, Team, lower_bound_s
from ttt_opt.race import Race
from ttt_opt.study_case import Outcome
from ttt_opt.study_charts import both_ways
from ttt_opt.study_report import Report, ReportTable, and_list, signed
from ttt_opt.text_table import clock

MOST_SHOWN, MOST_CUT_SHOWN = 12, 5
"""Teams in a table; all are in the CSV file."""


def lineups_report(
    race: Race, course: Course, size: int, fixed: Sequence[str], unavailable: Sequence[str], ranking: Ranking
) -> Report:
    """The best teams first, then who was cut off and why."""
    n_teams = len(ranking.ranked) + len(ranking.cut_off)
    best = ranking.best
    share_cut = len(ranking.cut_off) / n_teams
    return Report(
        study="lineups",
        title=f"Line-ups · {race.name}",
        subtitle=_asked(race, course, size, fixed, unavailable, n_teams),
        conclusion=_conclusion(ranking),
        tables=tuple(t for t in (_ranked(ranking), _cut(ranking)) if t.rows),
        charts=(
            (
                "How much slower than the best (s)",
                both_ways(
                    [
                        (and_list(team.names), [team.time_s - best.time_s], f"{signed(team.time_s - best.time_s)} s")
                        for team in ranking.ranked[:MOST_SHOWN]
                        if math.isfinite(team.time_s)
                    ]
                ),
            ),
        ),
        frame=_frame(ranking),
        document={
            "race": race.name,
            "course": {"name": course.name, "length_m": course.length_m},
            "size": size,
            "fixed": fixed,
            "unavailable": unavailable,
            "n_teams": n_teams,
            "share_cut_off": share_cut,
            "proven_s": ranking.proven_s,
            "teams": [_document(team, best) for team in (*ranking.ranked, *ranking.cut_off)],
        },
        notes=(
            f"{len(ranking.cut_off)} of {n_teams} teams ({100 * share_cut:.0f} %) are cut off: their bound, a time "
            "below which the model has no plan for them, is above the best time found. The others were planned in "
            "full.",
            "Each plan was searched as `ttt-opt plan` does. Plans of two teams that are closer than their gaps may "
            "be the other way round.",
            "The first bound of a team lets the line ride in any order, change leader at no cost and win back W' as "
            "fast as the emptiest store does. Where that is not above the best time, the relaxations of all line "
            "orders give a sharper one, with what a first plan of the team tells of recovery and speeds.",
        ),
    )


def _asked(
    race: Race, course: Course, size: int, fixed: Sequence[str], unavailable: Sequence[str], n_teams: int
) -> str:
    words = [
        f"{size} of {len(race.team.riders)} riders of {race.team.name}, {n_teams} teams, "
        f"{course.length_m / 1000:.2f} km"
    ]
    words += [f"fixed: {and_list(fixed)}"] if fixed else []
    words += [f"unavailable: {and_list(unavailable)}"] if unavailable else []
    return "; ".join(words)


def _conclusion(ranking: Ranking) -> tuple[str, ...]:
    best = ranking.best
    if not math.isfinite(best.time_s):
        return ("No team has a plan that keeps all limits and passes its ride check.",)
    within = 100 * ranking.gap
    sentences = [
        f"Start with {and_list(best.names)}: {clock(best.time_s)}. No team of this roster can be faster than "
        f"{clock(ranking.proven_s)}, so this one is within {within:.2f} % of the best there is."
    ]
    others = [team for team in ranking.ranked[1:] if math.isfinite(team.time_s)]
    if others:
        following = others[0]
        sentences.append(
            f"Next: {and_list(following.names)}, {following.time_s - best.time_s:.1f} s slower"
            + (
                "; that is less than what the plans may be from their best, so take whom you know to ride well "
                "together."
                if following.time_s - best.time_s < best.time_s - lower_bound_s(best)
                else "."
            )
        )
    elif ranking.cut_off:
        sentences.append(f"Every other team is slower by at least {ranking.cut_off[0].bound_s - best.time_s:.1f} s.")
    return tuple(sentences)


def _ranked(ranking: Ranking) -> ReportTable:
    best = ranking.best
    rows = []
    for place, team in enumerate(ranking.ranked[:MOST_SHOWN], start=1):
        known = math.isfinite(team.time_s)
        rows.append(
            (
                str(place) if known else "-",
                ", ".join(team.names),
                clock(team.time_s) if known else why_none(team.outcome),
                signed(team.time_s - best.time_s) if known else "",
                f"{100 * (team.time_s - lower_bound_s(team)) / team.time_s:.2f}" if known else "",
                pull_shares(team.outcome) if known else "",
            )
        )
    return ReportTable(
        "Teams that could be the best",
        ("No.", "<Team", "Time", "Slower\ns", "Gap\n%", "<Share of the time in front, %"),
        tuple(rows),
        (
            "Gap: how far the plan may be from the best plan of that team.",
            *_and_more(len(ranking.ranked) - MOST_SHOWN, "slower"),
        ),
    )


def _cut(ranking: Ranking) -> ReportTable:
    shown = ranking.cut_off[:MOST_CUT_SHOWN]
    rows = [(", ".join(team.names), clock(team.bound_s), signed(team.bound_s - ranking.best.time_s)) for team in shown]
    return ReportTable(
        "Cut off: cannot be the best",
        ("<Team", "Not below", "Slower by at least\ns"),
        tuple(rows),
        _and_more(len(ranking.cut_off) - MOST_CUT_SHOWN, "further from the best"),
    )


def _and_more(number: int, what: str) -> tuple[str, ...]:
    return (f"And {number} more that are {what}; all are in the CSV file.",) if number > 0 else ()


def why_none(outcome: Outcome | None) -> str:
    """Why a team has no time."""
    if outcome is None:
        return "not planned"
    return "no plan" if outcome["state"] != "planned" else "fails its ride check"


def pull_shares(outcome: Outcome | None) -> str:
    """Who pulls how much: ``Arne 34, Bela 30, Carl 20, Dirk 16``."""
    if outcome is None or outcome["state"] != "planned":
        return ""
    return ", ".join(f"{rider['name']} {100 * rider['front_share']:.0f}" for rider in outcome["riders"])


def _frame(ranking: Ranking) -> pd.DataFrame:
    rows = []
    for place, team in enumerate((*ranking.ranked, *ranking.cut_off), start=1):
        ranked = place <= len(ranking.ranked)
        for number, name in enumerate(team.names):
            rider = team.outcome["riders"][number] if ranked and team.outcome and "riders" in team.outcome else {}
            rows.append(
                {
                    "place": place if ranked and math.isfinite(team.time_s) else None,
                    "team": "+".join(team.names),
                    "cut_off": not ranked,
                    "finish_time_s": team.time_s if ranked and math.isfinite(team.time_s) else None,
                    "not_below_s": lower_bound_s(team) if ranked else team.bound_s,
                    "rider": name,
                    "front_share": rider.get("front_share"),
                    "mean_front_power_w": rider.get("mean_front_power_w"),
                }
            )
    return pd.DataFrame(rows)


def _document(team: Team, best: Team) -> dict[str, object]:
    cut = team.bound_s > best.time_s
    told: dict[str, object] = {"names": team.names, "cut_off": cut, "team_bound_s": team.bound_s}
    if not cut and team.outcome is not None:
        told |= {key: value for key, value in team.outcome.items() if key not in ("schedule", "solve_seconds")}
    return told
