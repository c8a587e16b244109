"""What people read of a debrief, conclusion first: ``debrief.txt``."""

from __future__ import annotations

from collections.abc import Sequence

from ttt_opt.calibration import Found
from ttt_opt.debrief import Debrief
from ttt_opt.debrief_tables import race_lines, team_lines
from ttt_opt.gpx import count_of
from ttt_opt.ride_compared import GAP_M
from ttt_opt.text_table import clock, sentences, short_clock, table, titled, wrapped

NOTABLE_S = 1.0
"""Seconds below this are not worth a word."""
NOTABLE_SHARE_S = 3.0
HEALTH = (
    "A ride file tells what was ridden, not how it felt: ask the riders first. Who was dizzy, had chest symptoms or "
    "fever sees a doctor before the next hard ride."
)


def debrief_text(debrief: Debrief) -> str:
    """A debrief as text."""
    lines = [
        f"{debrief.plan.race.name} · {debrief.plan.race.team.name}",
        "",
        *[line for sentence in conclusions(debrief) for line in wrapped(sentence)],
        *titled("Time by stretches", _stretches(debrief)),
        *titled("Riders (W': what was left; in brackets as planned)", _riders(debrief)),
    ]
    if debrief.pulls:
        lines += titled("Pulls as ridden", _pulls(debrief))
    if debrief.gaps:
        lines += titled("Gaps", sentences(gap_sentences(debrief)))
    lines += titled("For the next race", _calibration(debrief))
    if debrief.notes:
        lines += titled("Notes", sentences(debrief.notes))
    return "\n".join(lines) + "\n"


def conclusions(debrief: Debrief) -> list[str]:
    """What matters most, in a few sentences."""
    plan, line = debrief.plan, debrief.line
    said = []
    if debrief.lost_s is None:
        said.append(f"Planned {clock(plan.finish_time_s)}; the recordings do not hold the whole race.")
    else:
        said.append(
            f"Ridden in {clock(line.finish_s)}, planned {clock(plan.finish_time_s)}: {told_s(debrief.lost_s)}."
        )
    causes = totals(debrief)
    if causes is not None:
        parts = [f"{what} {value:+.0f} s" for what, value in causes.items() if abs(value) >= NOTABLE_S]
        said.append("Where the time went: " + (", ".join(parts) if parts else "nowhere in particular") + ".")
    known = [stretch for stretch in debrief.stretches if stretch.lost_s is not None]
    worst = max(known, key=lambda stretch: stretch.lost_s or 0.0, default=None)
    if worst is not None and worst.lost_s is not None and worst.lost_s >= NOTABLE_SHARE_S:
        said.append(
            f"Most was lost from km {worst.start_m / 1000:.1f} to {worst.end_m / 1000:.1f}: {worst.lost_s:.0f} s."
        )
    short = [
        f"{rider.name} at km {(rider.w_prime_min_at_m or 0.0) / 1000:.1f} ({rider.w_prime_min_j / 1000:.1f} kJ)"
        for rider in debrief.riders
        if rider.w_prime_min_j is not None and rider.below_reserve_s
    ]
    if short:
        said.append(f"Below the reserve of W': {', '.join(short)}.")
        if any(rider.w_prime_min_j is not None and rider.w_prime_min_j < 0.0 for rider in debrief.riders):
            said.append(
                "W' below zero cannot be ridden: critical power or W' of that rider is higher than the team file says, "
                "or the power meter shows too much."
            )
    surges = sum(pull.too_much for pull in debrief.pulls)
    if surges:
        said.append(f"{count_of(surges, 'surge')} above the limit of {plan.race.limits.surge_w:g} W.")
    if debrief.gaps:
        said.append(f"{count_of(len(debrief.gaps), 'gap')} opened.")
    said.append(HEALTH)
    return said


def told_s(seconds: float) -> str:
    """Seconds against the plan in words."""
    if abs(seconds) < 0.5:
        return "as planned"
    return f"{abs(seconds):.0f} s {'slower' if seconds > 0 else 'faster'} than planned"


def totals(debrief: Debrief) -> dict[str, float] | None:
    """Seconds lost over all stretches by cause; ``None`` where it is not known who led."""
    known = [stretch for stretch in debrief.stretches if stretch.by_power_s is not None]
    if not known:
        return None
    return {
        "front power": sum(stretch.by_power_s or 0.0 for stretch in known),
        "air (wind, drag, density)": sum(stretch.by_air_s or 0.0 for stretch in known),
        "stops": sum(stretch.by_stops_s or 0.0 for stretch in known),
        "rest (braking, bends, not explained)": sum(stretch.rest_s or 0.0 for stretch in known),
    }


def seconds_cell(value: float | None) -> str:
    """Seconds lost as a cell."""
    return "–" if value is None else f"{value + 0.0:+.0f}" if abs(value) >= 0.5 else "0"


def watts_cell(value: float | None) -> str:
    """Watts as a cell."""
    return "–" if value is None else f"{value:.0f}"


def stretch_rows(debrief: Debrief) -> list[list[str]]:
    """Cells of the table of stretches."""
    return [
        [
            f"{stretch.start_m / 1000:.2f}",
            f"{stretch.end_m / 1000:.2f}",
            stretch.terrain,
            short_clock(stretch.planned_s),
            "–" if stretch.ridden_s is None else short_clock(stretch.ridden_s),
            seconds_cell(stretch.lost_s),
            seconds_cell(stretch.by_power_s),
            seconds_cell(stretch.by_air_s),
            seconds_cell(stretch.by_stops_s),
            seconds_cell(stretch.rest_s),
            watts_cell(stretch.planned_w),
            watts_cell(stretch.ridden_w),
        ]
        for stretch in debrief.stretches
    ]


def _stretches(debrief: Debrief) -> list[str]:
    power = "front W" if debrief.leaders is not None else "own W"
    headings = [
        "km from", "to", "<terrain", "planned", "ridden", "lost s", "by front\npower", "by air", "by\nstops", "rest",
        f"{power}\nplanned", "\nridden",
    ]  # fmt: skip
    return table(headings, stretch_rows(debrief))


def kilojoule_cell(ridden_j: float | None, planned_j: float) -> str:
    """W' as ridden, and as planned in brackets."""
    return "–" if ridden_j is None else f"{ridden_j / 1000:.1f} ({planned_j / 1000:.1f})"


def rider_rows(debrief: Debrief) -> list[list[str]]:
    """Cells of the table of riders."""
    planned = {summary.name: summary for summary in debrief.plan.riders}
    rows = []
    for rider in debrief.riders:
        plan = planned[rider.name]
        rows.append(
            [
                rider.name,
                "–" if rider.n_pulls is None else f"{rider.n_pulls} ({plan.n_pulls})",
                "–" if rider.front_s is None else f"{short_clock(rider.front_s)} ({short_clock(plan.front_s)})",
                f"{watts_cell(rider.front_power_w)} ({plan.mean_front_power_w:.0f})",
                f"{watts_cell(rider.mean_power_w)} ({plan.mean_power_w:.0f})",
                watts_cell(rider.peak_power_w),
                kilojoule_cell(rider.w_prime_min_j, plan.w_prime_min_j),
                kilojoule_cell(rider.w_prime_end_j, plan.w_prime_end_j),
                "–" if rider.heart_rate_bpm is None else f"{rider.heart_rate_bpm:.0f}",
            ]
        )
    return rows


def _riders(debrief: Debrief) -> list[str]:
    headings = [
        "<Rider", "Pulls", "In front", "Front W", "Mean W", "Peak W\n5 s", "W' lowest\nkJ", "at finish\nkJ",
        "Heart\nrate",
    ]  # fmt: skip
    return table(headings, rider_rows(debrief), flexible=0)


def pull_rows(debrief: Debrief) -> list[list[str]]:
    """Cells of the table of pulls."""
    return [
        [
            str(number),
            "not recorded" if pull.rider is None else pull.rider,
            f"{pull.start_m / 1000:.2f}",
            short_clock(pull.start_s),
            f"{pull.duration_s:.0f}",
            watts_cell(pull.power_w),
            "–" if pull.share_of_cp is None else f"{100 * pull.share_of_cp:.0f}",
            f"{pull.speed_kmh:.1f}",
            "–" if pull.surge_w is None else f"{round(pull.surge_w):+d}",
            "too much" if pull.too_much else "",
        ]
        for number, pull in enumerate(debrief.pulls, start=1)
    ]


def _pulls(debrief: Debrief) -> list[str]:
    limit = debrief.plan.race.limits.surge_w
    return [
        *table(["No.", "<Rider", "km from", "Clock", "s", "W", "% CP", "km/h", "Surge W", "<"], pull_rows(debrief), 1),
        "",
        *wrapped(
            f"Surge: rise of front power over 10 s at the change, of the average rider, beyond what the road asks; the "
            f"limit is {limit:g} W; – where the road, a bend or a short pull makes it say nothing."
        ),
    ]


def gap_sentences(debrief: Debrief) -> list[str]:
    """One sentence a gap."""
    return [
        f"{gap.rider}: up to {gap.largest_m:.0f} m from km {gap.start_m / 1000:.1f} ({short_clock(gap.start_s)}) for "
        f"{short_clock(gap.duration_s)} min; {'closed' if gap.closed else 'not closed'}."
        for gap in debrief.gaps
    ] + [f"Gaps below {GAP_M:.0f} m cannot be told from the noise of receivers."]


def found_cell(found: Found, digits: int) -> list[str]:
    """Value, standard error, what was expected, and whether the ride tells."""
    return [
        f"{found.value:.{digits}f}",
        f"{found.standard_error:.{digits}f}",
        f"{found.expected:.{digits}f}",
        "" if found.told else "not told by this ride",
    ]


def calibration_rows(debrief: Debrief) -> list[list[str]]:
    """Cells of the table of what the ride says."""
    found = debrief.calibration
    assert found is not None
    riders = debrief.plan.race.team.riders
    where = "in front" if debrief.leaders is not None else "as ridden"
    rows = [
        [f"drag area {where}, {riders[rider].name} (m²)", *found_cell(area, 3)]
        for rider, area in zip(debrief.columns, found.cda_m2, strict=True)
    ]
    places = [f"place {place}" for place in range(2, len(found.shares) + 2)]
    if not debrief.all_recorded:
        places = ["on a wheel"] * len(found.shares)
    rows += [[f"drag share, {name}", *found_cell(share, 3)] for name, share in zip(places, found.shares, strict=True)]
    rows += [
        ["wind from north (m/s at 10 m)", *found_cell(found.wind_north_mps, 1)],
        ["wind from east (m/s at 10 m)", *found_cell(found.wind_east_mps, 1)],
        ["air density times drag area over plan", *found_cell(found.drag_ratio, 3)],
    ]
    return rows


def calibration_words(debrief: Debrief) -> list[str]:
    """What the figures rest on, in sentences."""
    found = debrief.calibration
    if found is None:
        return ["Too little of the ride can be used to tell drag, shelter or wind: no steady pedalling with power."]
    sentences_ = [
        f"From {found.seconds / 60:.0f} rider-minutes of steady pedalling; not explained: "
        f"{100 * found.scatter:.0f} % of the force. Mass, rolling resistance and power meters are taken as right: 1 % "
        f"more power shown is about 1 % more drag area."
    ]
    if found.wind_given:
        sentences_.append(
            "Wind and drag cannot be told apart on this ride, which goes too much one way: the wind is taken as the "
            "plan has it, and an error of it is an error of the drag areas."
        )
    if found.wind_speed_mps >= 0.5 and found.wind_north_mps.told and found.wind_east_mps.told:
        sentences_.append(f"Wind as ridden: {found.wind_speed_mps:.1f} m/s from {found.wind_from_deg:.0f}°.")
    if debrief.leaders is None:
        sentences_.append("Drag areas as ridden are below those alone by what shelter saved; not for a team file.")
    return sentences_


def _calibration(debrief: Debrief) -> list[str]:
    lines = [line for sentence in calibration_words(debrief) for line in wrapped(sentence)]
    if debrief.calibration is None:
        return lines
    lines = [*table(["<", "ride", "± s.e.", "plan", "<"], calibration_rows(debrief), 0), "", *lines]
    for title, fragment in (("race", race_lines(debrief)), ("team", team_lines(debrief))):
        if fragment:
            lines += ["", f"Lines for the {title} file of the next race, in place of its own:", *indented(fragment)]
    return lines


def indented(lines: Sequence[str]) -> list[str]:
    """Lines that are to be copied."""
    return [f"    {line}" for line in lines]
