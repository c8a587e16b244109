"""A race as it was understood, as text for a terminal, without any search: :func:`race_text`."""

from __future__ import annotations

import numpy as np

from ttt_opt.course import Course
from ttt_opt.course_notes import NOTABLE_WIND_MPS, slopes
from ttt_opt.gpx import count_of
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import TERRAINS, Race
from ttt_opt.rotation_problem import Road, reference_speed
from ttt_opt.text_table import WIDTH, clock, fitted, sentences, table, titled, wrapped

MOST_BENDS_LISTED = 12


def race_text(race: Race, course: Course, road: Road) -> str:
    """What the files say and what follows from them, at most 100 columns wide.

    Parameters
    ----------
    race : Race
    course : Course
        Read from the race's course file.
    road : Road
        The course cut into segments, with wind and air.

    Returns
    -------
    str
        Lines with a line end each. Names and other texts from files are made printable.
    """
    guess_s = float((road.length_m / reference_speed(road, race, 1.0)).sum())
    lines = [
        fitted(f"{race.name} · {race.team.name}", WIDTH),
        *_course(race, course, road),
        *_climbs(road),
        *_bends(road),
        *_weather(race, road),
        *_riders(race, guess_s),
        *_rules(race),
    ]
    return "\n".join(lines) + "\n"


def _course(race: Race, course: Course, road: Road) -> list[str]:
    lengths = road.length_m
    lines = [
        fitted(course.name, WIDTH),
        f"{course.length_m / 1000:.2f} km, {course.total_climb_m:.0f} m of climbing, between "
        f"{course.elevation_m.min():.0f} and {course.elevation_m.max():.0f} m above sea level",
        f"{count_of(road.n_segments, 'segment')} of {lengths.min():.0f} to {lengths.max():.0f} m, "
        f"median {np.median(lengths):.0f} m",
    ]
    if race.flat:
        lines.append("Taken as level, as the race file says.")
    repairs = sentences(course.repairs) if course.repairs else ["Nothing had to be repaired."]
    return titled("Course", [*lines, *repairs])


def _climbs(road: Road) -> list[str]:
    rows = [
        [
            slope.terrain,
            f"{slope.start_m / 1000:.2f}",
            f"{slope.end_m / 1000:.2f}",
            f"{slope.length_m:.0f}",
            f"{slope.rise_m:+.0f}",
            f"{100 * slope.grade:+.1f}",
        ]
        for slope in slopes(road)
    ]
    if not rows:
        return titled("Climbs and descents", ["None: nowhere steeper than 2.5 % for long."])
    headings = ["<", "km from", "to", "length m", "rise m", "mean %"]
    return titled("Climbs and descents", table(headings, rows))


def _bends(road: Road) -> list[str]:
    segments = road.segments
    found = np.flatnonzero(segments.bend)
    if len(found) == 0:
        return titled("Bends", ["None that riders have to brake for."])
    tightest = found[np.argsort(segments.speed_cap_mps[found], kind="stable")][:MOST_BENDS_LISTED]
    middle_km = 0.0005 * (segments.start_m + segments.end_m)
    places = ", ".join(
        f"km {middle_km[s]:.2f} ({3.6 * segments.speed_cap_mps[s]:.0f} km/h)" for s in np.sort(tightest)
    )
    which = f"the {len(tightest)} tightest" if len(tightest) < len(found) else "highest speed in brackets"
    return titled("Bends", wrapped(f"{count_of(len(found), 'bend')} to slow down for; {which}: {places}"))


def _weather(race: Race, road: Road) -> list[str]:
    weather = race.weather
    lines = [
        f"{weather.temperature_c:.0f} °C, {weather.pressure_hpa:.0f} hPa at the start, humidity "
        f"{100 * weather.humidity:.0f} %, {'wet' if weather.wet else 'dry'} road, air density "
        f"{road.air_density.mean():.3f} kg/m³"
    ]
    if weather.wind_speed_mps == 0.0:
        return titled("Weather", [*lines, "No wind."])
    share = road.length_m / road.length_m.sum()
    parts = {
        "head wind": float(share @ (road.headwind_mps >= NOTABLE_WIND_MPS)),
        "tail wind": float(share @ (road.headwind_mps <= -NOTABLE_WIND_MPS)),
        "wind from the right": float(share @ (road.crosswind_mps >= NOTABLE_WIND_MPS)),
        "wind from the left": float(share @ (road.crosswind_mps <= -NOTABLE_WIND_MPS)),
    }
    strongest = np.hypot(road.headwind_mps, road.crosswind_mps).max()
    lines.append(
        f"Wind {weather.wind_speed_mps:.1f} m/s from {weather.wind_from_deg:.0f}°, at rider height "
        f"{strongest:.1f} m/s"
    )
    lines.append("On the road: " + ", ".join(f"{name} {100 * part:.0f} %" for name, part in parts.items()))
    return titled("Weather", lines)


def _riders(race: Race, guess_s: float) -> list[str]:
    given = race.limits.sustainable_share_of_cp
    share = float(sustainable_share(guess_s)) if given is None else given
    rows = [
        [
            rider.name,
            f"{rider.mass_kg:.1f}",
            f"{rider.total_mass_kg:.1f}",
            f"{rider.cp_w:.0f}",
            f"{rider.cp_w / rider.mass_kg:.2f}",
            f"{share * rider.cp_w:.0f}",
            f"{rider.w_prime_j / 1000:.1f}",
            f"{rider.cda_m2:.3f}",
            f"{rider.peak_w:.0f}",
            ("may sit on" if rider.may_sit_on else "yes") if rider.pulls else "sits on",
        ]
        for rider in race.team.riders
    ]
    headings = [
        "<Rider",
        "kg",
        "with bike",
        "CP W",
        "W/kg",
        "lasting W",
        "W' kJ",
        "CdA m²",
        "peak W",
        "<pulls",
    ]
    note = (
        f"Lasting: {100 * share:.0f} % of CP, for a race of about {clock(guess_s)}."
        if given is None
        else f"Lasting: {100 * share:.0f} % of CP, as the race file says."
    )
    return titled("Riders", [*table(headings, rows, flexible=0), note])


def _rules(race: Race) -> list[str]:
    limits, counting = race.limits, race.rules.counting_rider
    n_riders = len(race.team.riders)
    whose = f"the last of {n_riders}" if counting in (0, n_riders) else f"number {counting} of {n_riders}"
    pulls = ", ".join(
        f"{terrain} {limits.pulls[terrain].shortest_s:g} to {limits.pulls[terrain].longest_s:g} s"
        for terrain in TERRAINS
    )
    order = f"Start order: {', '.join(race.start_order)}." if race.start_order else "Start order: free."
    return titled(
        "Rules and limits",
        [
            *wrapped(f"The time of {whose} counts. {order}"),
            *wrapped(f"Pulls: {pulls}."),
            *wrapped(
                f"From one stretch to the next at most {limits.surge_w:g} W and {limits.surge_kmh:g} km/h "
                f"more; nowhere faster than {limits.top_speed_kmh:g} km/h; on a wheel "
                f"at most {100 * limits.on_wheel_share_of_cp:.0f} % of CP; everybody keeps "
                f"{limits.w_prime_reserve_j / 1000:.1f} kJ of W'."
            ),
            *wrapped(
                f"Rolling resistance {race.crr:g}; {_drafting(race)}, {race.wheel_gap_m:.2f} m between wheels; "
                f"recovery '{race.recovery}'."
            ),
        ],
    )


def _drafting(race: Race) -> str:
    told = f"drafting table '{race.drafting}'"
    if race.drafting_shares:
        told = f"the team's own drag shares by place {', '.join(f'{share:g}' for share in race.drafting_shares)}"
    if race.drafting_per_kg > 0.0:
        told += f" and {100.0 * race.drafting_per_kg:g} % less drag for each kg that the rider ahead is heavier"
    return told
