from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded_examples import NO_NOISE, SOLO, TEAM_NOISE, Noise, recorded, write_gpx
from scipy.optimize import curve_fit

from ttt_opt.drag_fit import CRR_HALF_WIDTH, Interval, drag_area_if, fit_drag, least_squares_newey_west
from ttt_opt.drag_text import drag_text
from ttt_opt.physics import road_load_power
from ttt_opt.race import Weather
from ttt_opt.recorded_ride import RecordedRide, read_recorded_ride
from ttt_opt.ride_stretches import STRETCH_S, Assumptions, cut_into_stretches
from ttt_opt.text_table import WIDTH, display_width

GIVEN = Assumptions(mass_kg=SOLO.total_mass_kg)
POOR_BAROMETER = Noise(elevation_m=2.0)


def ride_of(frame: pd.DataFrame, *, elevation: bool = True, places: bool = True) -> RecordedRide:
    column = {name: frame[name].to_numpy(dtype=np.float64) for name in frame.columns}
    return RecordedRide(
        column["seconds"],
        column["watts"],
        column["speed_mps"],
        column["elevation_m"] if elevation else None,
        column["latitude"] if places else None,
        column["longitude"] if places else None,
    )


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("wind_mps", [0.0, 5.0])
def test_drag_area_of_a_simulated_ride_comes_back_within_3_percent(seed: int, wind_mps: float) -> None:
    """Ridden by :mod:`ttt_opt.ride`, recorded with noise of power (1 %), speed, barometer and places."""
    ride = ride_of(recorded(seed, wind_mps=wind_mps))
    weather = Weather(wind_speed_mps=wind_mps, wind_from_deg=20.0)
    fit = fit_drag(ride, replace(GIVEN, weather=weather))
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.03)
    assert fit.drag_area_m2.low < SOLO.cda_m2 < fit.drag_area_m2.high


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("white_share", [0.0, 0.1, 1.0])
def test_drag_area_from_places_that_are_3_m_off(seed: int, white_share: float, tmp_path: Path) -> None:
    """GPX has no speed: it comes from the places."""
    noise = replace(TEAM_NOISE, white_share=white_share)
    path = write_gpx(recorded(seed, noise=noise, wind_mps=5.0), tmp_path / "ride.gpx", seed)
    weather = Weather(wind_speed_mps=5.0, wind_from_deg=20.0)
    fit = fit_drag(read_recorded_ride(path), replace(GIVEN, weather=weather))
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.03)


@pytest.mark.parametrize("hilly", [True, False])
def test_without_noise_both_figures_come_back_nearly_exactly(hilly: bool) -> None:
    fit = fit_drag(ride_of(recorded(1, noise=NO_NOISE, hilly=hilly, crr=0.0055)), GIVEN)
    assert fit.crr is not None and fit.cannot_tell == ""
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.004)
    assert fit.crr.value == fit.used_crr == pytest.approx(0.0055, abs=0.0001)
    assert fit.scatter_n < 0.1


@pytest.mark.slow
def test_intervals_hold_the_truth() -> None:
    held = np.zeros(2)
    for seed in range(200):
        fit = fit_drag(ride_of(recorded(seed)), GIVEN)
        area, crr = fit.both
        held += [area.low <= SOLO.cda_m2 <= area.high, crr.low <= 0.004 <= crr.high]
    assert (held >= 0.90 * 200).all(), held


def test_one_speed_cannot_tell_air_and_rolling_apart() -> None:
    fit = fit_drag(ride_of(recorded(0, hilly=False, power_w=(240.0, 260.0))), GIVEN)
    assert fit.crr is None
    assert "speed hardly changes" in fit.cannot_tell
    assert fit.condition > 30.0 and fit.correlation < -0.99
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.02)
    assert fit.both[0].half_width > 2.0 * fit.drag_area_m2.half_width


def test_a_given_rolling_resistance_counts_with_what_it_is_uncertain_by() -> None:
    ride = ride_of(recorded(0, hilly=False, power_w=(240.0, 260.0)))
    fit = fit_drag(ride, GIVEN)
    lower = fit_drag(ride, replace(GIVEN, crr=0.003))
    moved = lower.drag_area_m2.value - fit.drag_area_m2.value
    assert 0.0 < moved < fit.drag_area_m2.half_width  # 0.001 lower
    assert fit.drag_area_m2.half_width == pytest.approx(moved, rel=0.1)
    assert CRR_HALF_WIDTH == 0.001


def test_rolling_that_the_ride_tells_no_better_than_is_known_is_given() -> None:
    fit = fit_drag(ride_of(recorded(3, noise=POOR_BAROMETER)), GIVEN)
    assert fit.crr is None and "more than the ± 0.001" in fit.cannot_tell
    assert fit.used_crr == 0.004


def test_rolling_as_no_tyre_has_it_is_given() -> None:
    """Power shown 6 % too low on a flat ride without noise: what is lost looks like rolling that is too light."""
    ride = ride_of(recorded(0, noise=NO_NOISE))
    fit = fit_drag(replace(ride, power_w=ride.power_w - 25.0), GIVEN)
    assert fit.crr is None and "it comes out as" in fit.cannot_tell


def test_an_independent_fit_agrees() -> None:
    """The same stretches, fitted by scipy as a curve; without correlation the errors are those of scipy."""
    stretches = cut_into_stretches(ride_of(recorded(1)), GIVEN)
    fit = fit_drag(ride_of(recorded(1)), GIVEN)
    columns = np.vstack((stretches.dynamic_pressure_pa, stretches.normal_force_n))
    values, covariance = curve_fit(lambda x, area, crr: area * x[0] + crr * x[1], columns, stretches.force_n)
    assert [interval.value for interval in fit.both] == pytest.approx(values)
    errors = [interval.standard_error for interval in fit.both]
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.5)


def test_newey_west_on_white_noise_and_on_noise_that_stays() -> None:
    """Standard errors of a mean: sigma over root n; for errors in equal runs of 5, nearly root 5 times that."""
    random = np.random.default_rng(2)
    n_rows = 20_000
    columns = np.ones((n_rows, 1))
    white = random.normal(size=n_rows)
    _, covariance = least_squares_newey_west(columns, white)
    assert covariance[0, 0] == pytest.approx(1.0 / n_rows, rel=0.1)
    _, covariance = least_squares_newey_west(columns, np.repeat(white[: n_rows // 5], 5))
    assert 3.5 < n_rows * covariance[0, 0] < 5.5


def test_forces_are_those_of_the_road_power_balance() -> None:
    """A steady ride, made by the power equation itself: the force is what air and rolling take of it."""
    time = np.arange(1200.0)
    speed = np.repeat([8.0, 11.0], 600)
    air_density, slope = 1.2, 0.01
    power = road_load_power(
        speed,
        mass_kg=80.0,
        drag_area_m2=0.3,
        grade=slope,
        headwind_mps=0.0,
        air_density=air_density,
        crr=0.005,
    )
    ride = RecordedRide(time, np.asarray(power), speed, slope * np.append(0.0, np.cumsum(speed[1:])))
    stretches = cut_into_stretches(ride, Assumptions(mass_kg=80.0, air_density=air_density))
    steady = np.isclose(stretches.speed_mps, 8.0) | np.isclose(stretches.speed_mps, 11.0)
    expected = 0.5 * air_density * 0.3 * stretches.speed_mps**2 + 0.005 * 80.0 * 9.80665
    np.testing.assert_allclose(stretches.force_n[steady], expected[steady], rtol=1e-3)
    np.testing.assert_allclose(
        stretches.dynamic_pressure_pa[steady], (0.6 * stretches.speed_mps**2)[steady], rtol=1e-9
    )
    assert steady.sum() >= len(stretches) - 3


def test_what_is_left_out_and_why() -> None:
    frame = recorded(0, noise=NO_NOISE, hilly=False)
    frame.loc[100:119, "watts"] = 0.0
    frame.loc[300:309, "watts"] = np.nan
    frame.loc[500:540, "speed_mps"] *= 0.6
    frame.loc[700:, "seconds"] += 60.0
    before = cut_into_stretches(ride_of(recorded(0, noise=NO_NOISE, hilly=False)), GIVEN)
    after = cut_into_stretches(ride_of(frame), GIVEN)
    more = {reason: after.left_out_s[reason] - before.left_out_s[reason] for reason in after.left_out_s}
    assert more["coasting"] == pytest.approx(
        25.0, abs=1.0
    )  # 20 s, 2 s on either side, and the step before them
    assert 74.0 <= more["not recorded"] <= 84.0  # 11 and 61 s, each with 2 s or 3 s on either side
    assert more["braking or jumping"] >= 5.0
    assert before.left_out_s["cornering"] + before.left_out_s["slower than 14 km/h"] > 0.0  # the turn
    total = after.used_s + sum(after.left_out_s.values())
    assert total == pytest.approx(frame["seconds"].iloc[-1], abs=1e-6)
    assert after.used_s / len(after) >= STRETCH_S


def test_a_bend_ridden_fast_is_left_out() -> None:
    """A circle of 60 m radius at 11 m/s, 2.0 m/s2 across, between two straights."""
    frame = recorded(0, hilly=False, noise=NO_NOISE)
    plain = cut_into_stretches(ride_of(frame), GIVEN)
    angle = np.radians(np.linspace(0.0, 360.0, 35))
    metres = 111_195.0
    frame.loc[200:234, "longitude"] += 60.0 * (1.0 - np.cos(angle)) / metres / np.cos(np.radians(54.4))
    frame.loc[200:234, "latitude"] = frame["latitude"][200] + 60.0 * np.sin(angle) / metres
    bent = cut_into_stretches(ride_of(frame), GIVEN)
    assert bent.left_out_s["cornering"] - plain.left_out_s["cornering"] > 25.0


@pytest.mark.parametrize("seed", range(4))
def test_a_steady_wind_is_found_on_the_way_round(seed: int) -> None:
    ride = ride_of(recorded(seed, wind_mps=5.0, headings_deg=(0.0, 90.0, 180.0, 270.0)))
    fit = fit_drag(ride, GIVEN, find_wind=True)
    assert fit.assumptions.weather.wind_speed_mps == pytest.approx(5.0, abs=0.5)
    assert fit.assumptions.weather.wind_from_deg == pytest.approx(20.0, abs=6.0)
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.04)
    assert fit.drag_area_m2.low < SOLO.cda_m2 < fit.drag_area_m2.high
    without = fit_drag(ride, GIVEN)
    assert without.scatter_n > fit.scatter_n + 1.0


def test_there_and_back_only_the_wind_along_the_road_is_found() -> None:
    ride = ride_of(recorded(0, wind_mps=5.0))
    fit = fit_drag(ride, GIVEN, find_wind=True)
    weather = fit.assumptions.weather
    assert fit.wind_directions is not None and fit.wind_directions.shape == (2, 1)
    along = weather.wind_speed_mps * np.cos(np.radians(weather.wind_from_deg))
    assert along == pytest.approx(5.0 * np.cos(np.radians(20.0)), abs=0.4)
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.04)
    changes = drag_area_if(ride, fit)
    assert not any("wind" in words for words in changes)
    text = " ".join(drag_text(ride, fit, changes, mass_is_given=True).split())
    assert "as found from the ride" in text and "only the wind along it was found" in text


def test_a_wind_that_is_not_there_is_not_found() -> None:
    fit = fit_drag(ride_of(recorded(0, headings_deg=(0.0, 90.0, 180.0, 270.0))), GIVEN, find_wind=True)
    assert fit.assumptions.weather.wind_speed_mps < 0.4


def test_a_wind_cannot_be_found_one_way_or_without_places() -> None:
    with pytest.raises(ValueError, match="goes too much one way"):
        fit_drag(ride_of(recorded(0, headings_deg=(30.0,), hilly=False)), GIVEN, find_wind=True)
    with pytest.raises(ValueError, match="cannot be found without latitude"):
        fit_drag(ride_of(recorded(0), places=False), GIVEN, find_wind=True)


def test_what_a_wrong_assumption_does() -> None:
    ride = ride_of(recorded(0))
    fit = fit_drag(ride, GIVEN)
    changes = drag_area_if(ride, fit)
    area = fit.drag_area_m2.value
    assert changes["1 % denser air"] == pytest.approx(-0.01 * area, rel=0.05)
    assert 0.009 * area < changes["1 % more power than shown"] < 0.03 * area
    assert changes["0.0005 more rolling resistance"] < 0.0
    heavier = fit_drag(ride, replace(GIVEN, mass_kg=GIVEN.mass_kg + 1.0))
    assert changes["1 kg more mass"] == pytest.approx(heavier.drag_area_m2.value - area)
    assert "1 m/s more wind from 0°" in changes
    found = fit_drag(ride_of(recorded(1)), GIVEN)
    assert found.crr is not None
    assert "0.0005 more rolling resistance" not in drag_area_if(ride_of(recorded(1)), found)
    dense = replace(GIVEN, air_density=1.2)
    changes = drag_area_if(ride, fit_drag(ride, dense))
    assert changes["1 % denser air"] == pytest.approx(-0.01 * area, rel=0.05)


def test_too_little_to_go_by() -> None:
    short = recorded(0).iloc[:180]
    with pytest.raises(
        ValueError, match=r"there are [0-5] stretches of 30 s that can be used; allowed: 12 or more"
    ):
        fit_drag(ride_of(short), GIVEN)
    standing = recorded(0).assign(speed_mps=0.0)
    with pytest.raises(ValueError, match="there are 0 stretches"):
        fit_drag(ride_of(standing), GIVEN)
    with pytest.raises(ValueError, match="no latitude and longitude to tell which way"):
        fit_drag(ride_of(recorded(0), places=False), replace(GIVEN, weather=Weather(wind_speed_mps=3.0)))


def test_years_between_two_samples_cost_nothing_and_endless_rides_are_refused() -> None:
    frame = recorded(0)
    frame.loc[1500:, "seconds"] += 3e9
    fit = fit_drag(ride_of(frame), GIVEN)
    assert fit.drag_area_m2.value == pytest.approx(SOLO.cda_m2, rel=0.03)
    with pytest.raises(ValueError, match="km long; allowed: 2000 km"):
        fit_drag(ride_of(frame.assign(seconds=1000.0 * frame["seconds"])), GIVEN)


def test_text_says_what_was_taken_as_given_and_keeps_to_the_page() -> None:
    for ride, words in (
        (ride_of(recorded(3, noise=POOR_BAROMETER)), ["rolling resistance  0.0040", "is given, not found",
         "(assumed, not given", "No wind was"]),
        (ride_of(recorded(1)), ["rolling resistance  0.00", "0.000"]),
        (ride_of(recorded(0, hilly=False), elevation=False, places=False), ["no elevation", "no places"]),
        (ride_of(recorded(0, wind_mps=6.0)), ["The ride contradicts", "no wind"]),
    ):  # fmt: skip
        fit = fit_drag(ride, GIVEN)
        text = drag_text(ride, fit, drag_area_if(ride, fit), mass_is_given=False)
        for word in words:
            assert word in " ".join(text.split("\n")), (word, text)
        assert all(display_width(line) <= WIDTH for line in text.splitlines())
    windy = replace(GIVEN, weather=Weather(wind_speed_mps=6.0, wind_from_deg=20.0), air_density=1.2)
    text = drag_text(ride, fit_drag(ride, windy), {}, mass_is_given=True)
    assert "steady wind 6.0 m/s from 20°" in text and "(as given)" in text and "assumed" not in text


@settings(max_examples=15, deadline=None)
@given(
    kg=st.floats(50.0, 130.0),
    area=st.floats(0.15, 0.5),
    crr=st.floats(0.002, 0.01),
    windward=st.floats(-4.0, 4.0),
)
def test_any_rider_comes_back_from_the_power_equation(
    kg: float, area: float, crr: float, windward: float
) -> None:
    time = np.arange(2400.0)
    speed = 9.0 + 3.0 * np.sin(2.0 * np.pi * time / 600.0)
    air = {"grade": 0.0, "headwind_mps": windward, "air_density": 1.2}
    steady = road_load_power(speed, mass_kg=kg, drag_area_m2=area, crr=crr, efficiency=1.0, **air)
    rate = np.gradient(speed, time)
    power = (steady + (kg + 0.14 / 0.311**2) * speed * rate) / 0.976
    north = np.cumsum(speed) / 111_195.0
    ride = RecordedRide(time, np.maximum(power, 0.0), speed, np.zeros(2400), 54.0 + north, np.full(2400, 4.6))
    profile = np.log(1.0 / 0.03) / np.log(10.0 / 0.03)
    weather = Weather(
        wind_speed_mps=abs(windward) / profile, wind_from_deg=0.0 if windward >= 0.0 else 180.0, shelter=1.0
    )
    fit = fit_drag(ride, Assumptions(mass_kg=kg, weather=weather, air_density=1.2))
    assert fit.both[0].value == pytest.approx(area, rel=0.03)
    assert fit.both[1].value == pytest.approx(crr, abs=0.0006)


def test_intervals_and_assumptions_check_themselves() -> None:
    with pytest.raises(ValueError, match="is not within"):
        Interval(1.0, 0.1, 2.0, 3.0)
    for field in ("mass_kg", "air_density", "crr", "efficiency", "power_scale"):
        with pytest.raises(ValueError, match=f"{field}: nan is not finite and positive"):
            replace(GIVEN, **{field: float("nan")})


def test_the_readme_shows_what_comes_out() -> None:
    ride = ride_of(recorded(0))
    text = drag_text(ride, fit_drag(ride, GIVEN), {}, mass_is_given=True)
    shown = text[: text.index("\nData")].rstrip()
    readme = Path(__file__).resolve().parents[2] / "README.md"
    assert shown in readme.read_text(encoding="utf-8")
