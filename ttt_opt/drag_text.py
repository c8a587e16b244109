"""What people read of the drag area of a recorded ride."""

from __future__ import annotations

from collections.abc import Mapping

from ttt_opt.drag_fit import CRR_HALF_WIDTH, DragFit, Interval
from ttt_opt.recorded_ride import RecordedRide
from ttt_opt.team import RIDER_BOUNDS
from ttt_opt.text_table import sentences, short_clock, table, titled, wrapped


def drag_text(
    ride: RecordedRide,
    fit: DragFit,
    changes: Mapping[str, float],
    mass_is_given: bool,
) -> str:
    """Answer, what it rests on, and what would change it, as text.

    Parameters
    ----------
    ride : RecordedRide
    fit : DragFit
    changes : mapping of str to float
        Of :func:`ttt_opt.drag_fit.drag_area_if`.
    mass_is_given : bool
        Otherwise the text says that it is assumed.
    """
    lines = [
        *_answer(fit),
        *titled("Data", _data(ride, fit)),
        *titled("Taken as given", _given(fit, mass_is_given)),
        *titled(
            "If that is wrong",
            table(["<", "drag area m²"], [[what, f"{change:+.4f}"] for what, change in changes.items()]),
        ),
    ]
    cautions = _cautions(ride, fit)
    if cautions:
        lines += titled("Cautions", sentences(cautions))
    return "\n".join(lines) + "\n"


def _answer(fit: DragFit) -> list[str]:
    area, both_area, both_crr = fit.drag_area_m2, *fit.both
    rows = [["drag area m²", *_cells(area, 3)]]
    if fit.crr is not None:
        rows.append(["rolling resistance", *_cells(fit.crr, 4)])
        return table(["<", "answer", "± s.e.", "95 %"], rows)
    rows.append(["rolling resistance", f"{fit.used_crr:.4f}", "given", f"± {CRR_HALF_WIDTH:g}"])
    return [
        *table(["<", "answer", "± s.e.", "95 %"], rows),
        "",
        *wrapped(
            f"Rolling resistance is given, not found: {fit.cannot_tell}. With both unknown, drag area "
            f"{both_area.value:.3f} m² ({both_area.low:.3f} to {both_area.high:.3f}), rolling resistance "
            f"{both_crr.value:.4f} ({both_crr.low:.4f} to {both_crr.high:.4f})."
        ),
    ]


def _data(ride: RecordedRide, fit: DragFit) -> list[str]:
    stretches = fit.stretches
    left_out = ", ".join(
        f"{reason} {short_clock(seconds)}"
        for reason, seconds in stretches.left_out_s.items()
        if seconds >= 0.5
    )
    kmh = 3.6 * stretches.speed_mps
    return [
        *wrapped(
            f"{len(stretches)} stretches of about {stretches.used_s / len(stretches):.0f} s, together "
            f"{short_clock(stretches.used_s)} of {short_clock(float(ride.time_s[-1] - ride.time_s[0]))}, at "
            f"{kmh.min():.0f} to {kmh.max():.0f} km/h. Left out (min:s): {left_out or 'nothing'}."
        ),
        *wrapped(
            f"Not explained: {fit.scatter_n:.1f} N of {stretches.force_n.mean():.1f} N (standard deviation). Air and "
            f"rolling against each other: condition number {fit.condition:.1f}, correlation {fit.correlation:+.2f}."
        ),
        *[line for note in ride.notes for line in wrapped(note)],
    ]


def _given(fit: DragFit, mass_is_given: bool) -> list[str]:
    assumptions, weather = fit.assumptions, fit.assumptions.weather
    mass = f"Rider with bicycle {assumptions.mass_kg:.1f} kg"
    air = (
        f"{weather.temperature_c:.0f} °C, {weather.pressure_hpa:.0f} hPa, humidity {100 * weather.humidity:.0f} %"
        if assumptions.air_density is None
        else "as given"
    )
    wind = "no wind"
    if weather.wind_speed_mps > 0.0:
        found = ", as found from the ride" if fit.wind_directions is not None else ""
        wind = (
            f"steady wind {weather.wind_speed_mps:.1f} m/s from {weather.wind_from_deg:.0f}°{found}, at 10 m, of which "
            f"the share {weather.shelter:g} comes through"
        )
    return wrapped(
        f"{mass}{'' if mass_is_given else ' (assumed, not given: --mass-kg)'}; air "
        f"{fit.stretches.air_density.mean():.3f} kg/m³ ({air}); {wind}; "
        f"{100 * assumptions.efficiency:.1f} % of the power shown reaches the wheel."
    )


def _cautions(ride: RecordedRide, fit: DragFit) -> list[str]:
    area, bounds = fit.drag_area_m2, RIDER_BOUNDS["cda_m2"]
    found = []
    if ride.elevation_m is None:
        found.append(
            "The ride has no elevation, so the road counts as level: right only for a level road, or nearly so "
            "there and back."
        )
    if ride.latitude_deg is None:
        found.append(
            "The ride has no places: bends cannot be left out, nor can a wind be taken into account."
        )
    elif fit.assumptions.weather.wind_speed_mps == 0.0:
        found.append(
            "No wind was given: on a ride that is not there and back, even 1 m/s counts; give it, or try --find-wind."
        )
    if fit.wind_directions is not None and fit.wind_directions.shape[1] == 1:
        found.append("The ride goes along one line, there and back: only the wind along it was found.")
    free = fit.both[1]
    if fit.crr is None and not free.low <= fit.used_crr <= free.high:
        found.append(
            f"The ride contradicts rolling resistance {fit.used_crr:g}: mass, wind, power meter or elevation are not "
            f"as given, or the position changed with speed. The interval of the drag area does not cover that."
        )
    if not bounds.low <= area.value <= bounds.high:
        found.append(f"A drag area of {area.value:.3f} m² is outside {bounds.low:g} to {bounds.high:g} m².")
    return found


def _cells(interval: Interval, digits: int) -> list[str]:
    return [
        f"{interval.value:.{digits}f}",
        f"{interval.standard_error:.{digits}f}",
        f"{interval.low:.{digits}f} to {interval.high:.{digits}f}",
    ]
