"""A plan as text for a terminal, as a coach reads it: :func:`plan_text`."""

from __future__ import annotations

import math

from ttt_opt.cautions import cautions
from ttt_opt.pattern_text import fall_back_text, rideable_text
from ttt_opt.plan import Plan, Pull, RiderSummary
from ttt_opt.plan_document import limits_of
from ttt_opt.ride_check import Check
from ttt_opt.terminal_names import printable
from ttt_opt.text_table import WIDTH, clock, fitted, sentences, short_clock, table, titled, wrapped

SWING_OFF_WORDS = {
    "left": "to the left",
    "right": "to the right",
    "either": "either side",
    "finish": "to the finish",
    "leave": "leaves the line",
}
STOPPED_WORDS = {
    "gap reached": "the plan is as close to the bound as was asked",
    "search complete": "nothing more to try",
    "time limit": "the time was up",
    "interrupted": "it was interrupted; this is the best plan until then",
    "solver failure": "the solver failed; this is the best plan until then",
}


def plan_text(plan: Plan) -> str:
    """A plan in words and tables, at most 100 columns wide.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        Lines with a line end each. Names and other texts from files are made printable.
    """
    lines = [
        *headline(plan),
        *_repairs(plan),
        *rideable_text(plan),
        *fall_back_text(plan),
        *_start_order(plan),
        *_pulls(plan),
        *_riders(plan),
        *_limits(plan),
        *_ride_check(plan),
        *_worth(plan),
        *titled("Before you ride", sentences(cautions(plan))),
    ]
    return "\n".join(lines) + "\n"


def headline(plan: Plan) -> list[str]:
    """What the plan is for, how fast it is, what that is worth and whether the ride check passed."""
    course, race = plan.course, plan.race
    mean_kmh = 3.6 * course.length_m / plan.finish_time_s
    start = f", start {race.start_time.replace('T', ' ').removesuffix(':00')}" if race.start_time else ""
    return [
        fitted(f"{race.name} · {race.team.name}", WIDTH),
        f"{course.length_m / 1000:.2f} km, {course.total_climb_m:.0f} m of climbing{start}",
        "",
        f"Finish time  {clock(plan.finish_time_s)}   ({mean_kmh:.1f} km/h)",
        *wrapped(bound(plan), "Bound        ", " " * 13),
        *wrapped(verdict(plan), "Ride check   ", " " * 13),
    ]


def bound(plan: Plan) -> str:
    """What is proven of how fast a plan can be, as part of a sentence."""
    optimum = plan.optimum
    if not math.isfinite(optimum.best_possible_s):
        return "none was proven before the search ended; the plan may be far from the best"
    which = "no plan of this team" if optimum.quick_bound else "no plan of this model"
    if optimum.n_orders < optimum.n_orders_possible:
        covered = "this line order" if optimum.n_orders == 1 else f"the {optimum.n_orders} line orders bounded"
        which = f"no plan of this model in {covered}"
    return (
        f"{which} can be faster than {clock(optimum.best_possible_s)}: the plan is at most "
        f"{plan.finish_time_s - optimum.best_possible_s:.1f} s ({100 * optimum.gap:.2f} %) from the best"
    )


def verdict(plan: Plan) -> str:
    """What the ride check found, as part of a sentence."""
    check = plan.check
    difference_s = check.difference_s
    ridden = "as planned"
    if abs(difference_s) >= 0.05:
        ridden = f"{abs(difference_s):.1f} s {'slower' if difference_s > 0 else 'faster'} than planned"
    result = f"ridden step by step in {clock(check.finish_time_s)}, {ridden}"
    if check.passed:
        return f"passed: {result}; every limit is met"
    failed = len(check.failed)
    return (
        f"FAILED: {result}; {failed} of {len(check.checks)} checks {'is' if failed == 1 else 'are'} not met"
    )


def _repairs(plan: Plan) -> list[str]:
    repairs = plan.course.repairs
    return titled("Course file: repaired or assumed", sentences(repairs)) if repairs else []


def _start_order(plan: Plan) -> list[str]:
    names = ", ".join(f"{place} {fitted(name, 30)}" for place, name in enumerate(plan.start_order, start=1))
    lines = wrapped(names)
    if (other := other_start(plan)) is not None:
        lines += wrapped(f"In the rideable plan: {', '.join(fitted(name, 30) for name in other)}.")
    for summary in plan.riders:
        if summary.sits_on_from_m is not None:
            lines += wrapped(f"{fitted(summary.name, 30)} {sits_on_words(plan, summary)}")
    return titled("Start order", lines)


def other_start(plan: Plan) -> tuple[str, ...] | None:
    """The start order of the rideable plan, ``None`` where it is that of the detailed plan or there is none."""
    if plan.rideable is None or plan.rideable.stretches[0].line == plan.start_order:
        return None
    return plan.rideable.stretches[0].line


def swing_off_words(pull: Pull) -> str:
    """Where to go after a pull."""
    return f"{SWING_OFF_WORDS[pull.swing_off]}{', sits on' if pull.sits_on else ''}"


def sits_on_words(plan: Plan, summary: RiderSummary) -> str:
    """From where a rider sits on, in the detailed plan and in that of few stretches, as the rest of a sentence."""
    from_m = summary.sits_on_from_m
    if not from_m:
        return "sits on from the start, on the last wheels."
    told = f"pulls until km {from_m / 1000:.1f} and sits on from there, on the last wheels"
    if plan.rideable is None:
        return f"{told}."
    pulls = summary.name in {rider.rider for rider in plan.rideable.stretches[0].riders}
    return f"{told}; in the rideable plan {'pulls to the finish' if pulls else 'sits on from the start'}."


def _pulls(plan: Plan) -> list[str]:
    headings = [
        "No.",
        "<Rider",
        "km from",
        "to",
        "Clock",
        "s",
        "W",
        "W/kg",
        "% CP",
        "km/h",
        "<Terrain",
        "<Swing off",
    ]
    rows = [
        [
            str(number),
            pull.rider,
            f"{pull.start_m / 1000:.2f}",
            f"{pull.end_m / 1000:.2f}",
            short_clock(pull.start_s),
            f"{pull.duration_s:.0f}",
            f"{pull.front_power_w:.0f}",
            f"{pull.front_power_w_per_kg:.2f}",
            f"{100 * pull.front_power_share_of_cp:.0f}",
            f"{pull.speed_kmh:.1f}",
            pull.terrain,
            swing_off_words(pull),
        ]
        for number, pull in enumerate(plan.pulls, start=1)
    ]
    return titled(
        "Detailed plan: pulls (W: mean at the front; swing off to the side the wind comes from)",
        table(headings, rows, flexible=1),
    )


def _riders(plan: Plan) -> list[str]:
    headings = [
        "<Rider",
        "Pulls",
        "In\nfront",
        "\nShare",
        "Mean\npull s",
        "Front\nW",
        "Front\n% CP",
        "Mean\nW",
        "Peak\nW",
        "W' lowest\nkJ    %",
        "at finish\nkJ    %",
        "Leaves\nkm",
    ]
    rows = []
    for rider, summary in zip(plan.race.team.riders, plan.riders, strict=True):
        pulled = summary.n_pulls > 0

        def w_prime(joule: float, full_j: float = rider.w_prime_j) -> str:
            return f"{joule / 1000:.1f} {100 * joule / full_j if full_j > 0.0 else 0.0:4.0f}"

        rows.append(
            [
                summary.name,
                str(summary.n_pulls),
                short_clock(summary.front_s),
                f"{100 * summary.front_share:.0f}%",
                f"{summary.mean_pull_s:.0f}" if pulled else "–",
                f"{summary.mean_front_power_w:.0f}" if pulled else "–",
                f"{100 * summary.mean_front_power_share_of_cp:.0f}" if pulled else "–",
                f"{summary.mean_power_w:.0f}",
                f"{summary.peak_power_w:.0f}",
                w_prime(summary.w_prime_min_j),
                w_prime(summary.w_prime_end_j),
                "–" if summary.leaves_at_m is None else f"{summary.leaves_at_m / 1000:.1f}",
            ]
        )
    return titled(
        "Riders (W': what is left, in % of a fresh rider's; peak: highest mean over 5 s)",
        table(headings, rows, flexible=0),
    )


def _limits(plan: Plan) -> list[str]:
    return titled("Limits", _checks(list(limits_of(plan.check.checks))))


def _ride_check(plan: Plan) -> list[str]:
    limits = limits_of(plan.check.checks)
    others = [check for check in plan.check.checks if check not in limits]
    return titled("Ride check: do plan and ride agree?", [*_checks(others), *sentences(plan.check.notes)])


def _checks(checks: list[Check]) -> list[str]:
    rows = [
        [
            "ok" if check.met else "NO",
            check.name,
            amount(check.value, check.unit),
            amount(check.limit, check.unit),
            f"±{amount(check.tolerance, check.unit)}" if check.tolerance else "",
        ]
        for check in checks
    ]
    lines = table(["<Met", "<What", "Found", "Limit", "Within"], rows, flexible=1)
    for row, check in reversed(list(enumerate(checks, start=1))):
        if check.detail and not check.met:
            lines.insert(row + 1, fitted(f"     worst: {check.detail}", WIDTH))
    return lines


def amount(value: float, unit: str) -> str:
    """A value of a check with its unit, as precise as it can be ridden; a dash where it is not finite."""
    if not math.isfinite(value):
        return "–"
    if unit == "J":
        return f"{value / 1000:.2f} kJ"
    if unit == "" and float(value).is_integer():
        return f"{value:.0f}"
    digits = 0 if unit == "W" else 2
    return f"{value + 0.0:.{digits}f}{' ' if unit else ''}{unit}"


def _worth(plan: Plan) -> list[str]:
    optimum = plan.optimum
    orders = "one line order" if optimum.n_orders == 1 else f"{optimum.n_orders} line orders"
    if optimum.n_orders_possible > optimum.n_orders:
        orders += f" of {optimum.n_orders_possible:,} possible"
    stopped = STOPPED_WORDS.get(optimum.stopped_because, printable(optimum.stopped_because))
    holds_for = (
        "The bound is a quick one, since the search ended before it had its own: the line may be in any order, changes "
        "of leader cost nothing, and W' comes back as fast as it ever can."
        if optimum.quick_bound
        else "The bound holds for the model: speeds from a grid on each segment, recovery and sustainable power as "
        "fitted to rides of good plans."
    )
    lines = [
        *wrapped(
            f"The search took {optimum.solve_seconds:.0f} s and stopped because {stopped}. Its bound covers {orders}."
        ),
        *wrapped(f"{holds_for} The ride check does not use the model."),
    ]
    return titled("What the plan is worth", lines)
