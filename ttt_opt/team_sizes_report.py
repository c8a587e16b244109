"""The report of a study of team sizes."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from ttt_opt.html_text import Html
from ttt_opt.lineups import Ranking
from ttt_opt.study_charts import lines
from ttt_opt.study_report import TOLD_APART, Report, ReportTable, signed
from ttt_opt.team_sizes import Comparison, Setting, Sizes, crossing
from ttt_opt.text_table import clock


def team_sizes_report(found: Sizes) -> Report:
    """Who is faster where, why, and where that changes."""
    return Report(
        study="sizes",
        title=f"Teams of {found.larger} against teams of {found.smaller}",
        subtitle="The best team of each size from the same roster; negative: the larger team is faster.",
        conclusion=(_conclusion(found),),
        tables=tuple(one for one in (_comparisons(found), _causes(found), _strengths(found)) if one.rows),
        charts=tuple(_charts(found)),
        frame=_frame(found),
        document={"sizes": [found.larger, found.smaller], "rows": _frame(found).to_dict(orient="records")},
        notes=(
            "Every plan was searched as `ttt-opt plan` does; teams that cannot be the best of their size are cut "
            "off by a bound.",
            "Causes are found by adding one thing after the other: first a rider who is the mean of the smaller "
            "team (one more wheel in the wind shadow, longer rest, one more store of W'), then the real rider's "
            "W', then his critical power, mass and drag. Each step is a plan of its own.",
            f"Differences below {100 * TOLD_APART:g} % of the time are not told apart; only those above the sum of "
            "both gaps are proven.",
            "None: that plan failed its ride check or there is none; a longer --time-limit may help.",
        ),
    )


def _rule(setting: Setting, size: int) -> str:
    counting = setting.counting_rider
    return "last" if counting == 0 or counting >= size else f"no. {counting}"


def _name(setting: Setting) -> str:
    return setting.race.name


def _several_races(found: Sizes) -> bool:
    return len({_name(each.setting) for each in found.comparisons}) > 1


def _conclusion(found: Sizes) -> str:
    known = [each for each in found.comparisons if math.isfinite(each.difference_s)]
    if not known:
        return "In no setting have both sizes a plan that keeps all limits."
    values = [each.difference_s for each in known]
    faster = sum(value < 0 for value in values)
    share = [100 * each.difference_s / each.smaller.best.time_s for each in known]
    of_both = f"the best team of {found.larger}", f"the best team of {found.smaller}"
    if faster in (0, len(values)):
        first, second = of_both if faster else of_both[::-1]
        verdict = f"In all {len(values)} settings {first} is faster than {second}"
    else:
        verdict = f"In {faster} of {len(values)} settings {of_both[0]} is faster than {of_both[1]}"
    text = [
        f"{verdict}, by {signed(min(values))} to {signed(max(values))} s ({min(share):+.1f} to {max(share):+.1f} %)."
    ]
    unclear = [each for each in known if abs(each.difference_s) < TOLD_APART * each.smaller.best.time_s]
    if unclear:
        text.append(f"In {len(unclear)} of them the difference is below what two searches can tell apart.")
    unproven = sum(abs(each.difference_s) < each.uncertain_s for each in known)
    if unproven:
        text.append(f"In {unproven} of them the bounds do not prove it: the plans found say so.")
    for cause in found.causes:
        parts = {
            "one more wheel and longer rest": cause.shelter_s,
            "the rider's own W'": cause.w_prime_s,
            "the rider's own power, mass and drag": cause.strength_s,
        }
        if all(map(math.isfinite, parts.values())):
            told = ", ".join(f"{name} {signed(value)} s" for name, value in parts.items())
            where = f" ({_name(cause.setting)}, counting: {_rule(cause.setting, found.larger)})"
            text.append(f"Why, with {cause.extra} as the one more{where}: {told}.")
    for strength in found.strengths:
        at = crossing(strength.shares, strength.differences_s)
        if at is not None:
            text.append(
                f"The verdict flips where {strength.cause.extra} has {100 * at:.0f} % of the critical power and W' "
                f"of the team file ({_name(strength.cause.setting)}, counting: "
                f"{_rule(strength.cause.setting, found.larger)})."
            )
        elif all(map(math.isfinite, strength.differences_s)):
            low, high = 100 * strength.shares[0], 100 * strength.shares[-1]
            text.append(
                f"It does not flip while {strength.cause.extra} has {low:.0f} to {high:.0f} % of that "
                f"({_name(strength.cause.setting)}, counting: {_rule(strength.cause.setting, found.larger)})."
            )
    for name, rule, of_one in _by_rule(found):
        at = crossing([each.setting.wind_mps for each in of_one], [each.difference_s for each in of_one])
        if at is not None:
            text.append(f"With the wind it flips at {at:.1f} m/s ({name}, counting: {rule}).")
    middle = float(np.median(values))
    if len(unclear) < len(known):
        text.append(
            f"For the rules: let both sizes start in one class only with {abs(middle):.0f} s (the median) on the "
            f"{'smaller' if middle > 0 else 'larger'} teams, or give them classes of their own."
        )
    else:
        text.append("For the rules: on these courses both sizes can start in one class.")
    return " ".join(text)


def _by_rule(found: Sizes) -> list[tuple[str, str, list[Comparison]]]:
    grouped: dict[tuple[str, str], list[Comparison]] = {}
    for each in found.comparisons:
        grouped.setdefault((_name(each.setting), _rule(each.setting, found.larger)), []).append(each)
    return [(name, rule, sorted(of, key=lambda each: each.setting.wind_mps)) for (name, rule), of in grouped.items()]


def _time(ranking: Ranking) -> str:
    return clock(ranking.best.time_s) if math.isfinite(ranking.best.time_s) else "no plan"


def _comparisons(found: Sizes) -> ReportTable:
    rows = []
    for each in found.comparisons:
        known = math.isfinite(each.difference_s)
        uncertain = f"±{each.uncertain_s:.0f}" if math.isfinite(each.uncertain_s) else "?"
        rows.append(
            (
                *((_name(each.setting),) if _several_races(found) else ()),
                f"{each.setting.wind_mps:g}",
                _rule(each.setting, found.larger),
                _time(each.larger),
                _time(each.smaller),
                signed(each.difference_s) if known else "",
                f"{100 * each.difference_s / each.smaller.best.time_s:+.2f}" if known else "",
                uncertain if known else "",
                ", ".join(each.smaller.best.names),
            )
        )
    headings = (
        *(("<Race",) if _several_races(found) else ()),
        "Wind\nm/s",
        "Counts",
        f"Best {found.larger}",
        f"Best {found.smaller}",
        "Larger\n- smaller s",
        "%",
        "Gaps\ns",
        f"<The {found.smaller}",
    )
    return ReportTable("Who is faster", headings, tuple(rows))


def _causes(found: Sizes) -> ReportTable:
    rows = [
        (
            _name(cause.setting),
            _rule(cause.setting, found.larger),
            cause.extra,
            *(
                signed(value) if math.isfinite(value) else "none"
                for value in (cause.shelter_s, cause.w_prime_s, cause.strength_s, cause.difference_s)
            ),
        )
        for cause in found.causes
    ]
    headings = ("<Race", "Counts", "<One more", "Wheel and\nrest s", "Own W'\ns", "Own power,\ndrag s", "Together\ns")
    return ReportTable("Why", headings, tuple(rows))


def _strengths(found: Sizes) -> ReportTable:
    rows = [
        (
            _name(strength.cause.setting),
            _rule(strength.cause.setting, found.larger),
            strength.cause.extra,
            *(signed(value) if math.isfinite(value) else "none" for value in strength.differences_s),
        )
        for strength in found.strengths
    ]
    shares = found.strengths[0].shares if found.strengths else ()
    headings = ("<Race", "Counts", "<One more", *(f"{100 * share:.1f} %\ns" for share in shares))
    return ReportTable("If the one more were weaker or stronger: larger - smaller", headings, tuple(rows))


def _charts(found: Sizes) -> list[tuple[str, Html]]:
    charts = []
    winds = sorted({each.setting.wind_mps for each in found.comparisons})
    groups = _by_rule(found)
    if len(winds) > 1:
        series = []
        for name, rule, of_one in groups:
            known = {each.setting.wind_mps: each.difference_s for each in of_one}
            series.append((f"{name}, counts {rule}", np.array([known.get(wind, math.nan) for wind in winds])))
        series = [(name, values) for name, values in series if np.isfinite(values).any()]
        if series:
            charts.append(
                (
                    "By wind (s): below zero the larger team is faster",
                    lines(np.array(winds), series, "wind at 10 m (m/s)", "Difference of the times by wind"),
                )
            )
    if found.strengths:
        x = 100.0 * np.array(found.strengths[0].shares)
        series = [
            (
                f"{each.cause.extra}, {_name(each.cause.setting)}, counts {_rule(each.cause.setting, found.larger)}",
                np.array(each.differences_s),
            )
            for each in found.strengths
        ]
        series = [(name, values) for name, values in series if np.isfinite(values).any()]
        if series:
            charts.append(
                (
                    "By the strength of the one more (s): below zero the larger team is faster",
                    lines(
                        x, series, "critical power and W′ of the one more, % of the team file", "Difference by strength"
                    ),
                )
            )
    return charts


def _frame(found: Sizes) -> pd.DataFrame:
    rows = []
    for each in found.comparisons:
        rows.append(
            {
                "race": _name(each.setting),
                "wind_mps": each.setting.wind_mps,
                "counting_rider": each.setting.counting_rider,
                "varied": "team",
                "share": 1.0,
                "larger": "+".join(each.larger.best.names),
                "smaller": "+".join(each.smaller.best.names),
                "larger_s": each.larger.best.time_s if math.isfinite(each.larger.best.time_s) else None,
                "smaller_s": each.smaller.best.time_s if math.isfinite(each.smaller.best.time_s) else None,
                "difference_s": each.difference_s if math.isfinite(each.difference_s) else None,
                "gaps_s": each.uncertain_s if math.isfinite(each.uncertain_s) else None,
            }
        )
    for strength in found.strengths:
        for share, value in zip(strength.shares, strength.differences_s, strict=True):
            rows.append(
                {
                    "race": _name(strength.cause.setting),
                    "wind_mps": strength.cause.setting.wind_mps,
                    "counting_rider": strength.cause.setting.counting_rider,
                    "varied": strength.cause.extra,
                    "share": share,
                    "smaller": "+".join(strength.cause.names),
                    "difference_s": value if math.isfinite(value) else None,
                }
            )
    return pd.DataFrame(rows)
