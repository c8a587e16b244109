"""What must hold for every road, wind, rider and line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ttt_opt import changeover, drafting, physics, physiology

roads = st.fixed_dictionaries(
    {
        "mass_kg": st.floats(45.0, 120.0),
        "drag_area_m2": st.floats(0.05, 0.6),
        "grade": st.floats(-0.25, 0.25),
        "headwind_mps": st.floats(-20.0, 20.0),
        "air_density": st.floats(0.8, 1.35),
        "crr": st.floats(0.0015, 0.012),
    }
)
powers = st.floats(0.0, 1500.0)
speeds = st.floats(0.0, 30.0)
gaps = st.floats(0.05, 5.0)
lengths = st.integers(2, 10)
tables = st.sampled_from(drafting.TABLES)


@given(power=st.floats(0.5, 1500.0), road=roads)
def test_speed_inverts_power(power: float, road: dict[str, float]) -> None:
    speed = physics.speed_at_power(power, **road)
    assert physics.road_load_power(speed, **road) == pytest.approx(power, rel=1e-6, abs=1e-6)


@given(road=roads)
def test_coasting_has_no_force_left(road: dict[str, float]) -> None:
    speed = float(physics.speed_at_power(0.0, **road))
    faster = physics.road_load_power(speed + 0.01, **road)
    assert faster > 0.0
    if speed > 0.02:
        assert physics.road_load_power(speed - 0.01, **road) < 0.0


@given(power=powers, more=st.floats(0.1, 500.0), road=roads)
def test_more_power_is_more_speed(power: float, more: float, road: dict[str, float]) -> None:
    assert physics.speed_at_power(power + more, **road) > physics.speed_at_power(power, **road)


@given(
    power=powers, road=roads, key=st.sampled_from(["grade", "headwind_mps", "crr"]), by=st.floats(1e-4, 1.0)
)
def test_a_harder_road_is_never_faster(power: float, road: dict[str, float], key: str, by: float) -> None:
    scale = {"grade": 0.1, "headwind_mps": 5.0, "crr": 0.005}[key]
    harder = {**road, key: road[key] + by * scale}
    assert physics.speed_at_power(power, **harder) <= physics.speed_at_power(power, **road) + 1e-9


@given(speed=speeds, wind=st.floats(-20.0, 20.0), share=st.floats(0.3, 1.0), road=roads)
def test_shelter_shrinks_the_air_force_alone(
    speed: float, wind: float, share: float, road: dict[str, float]
) -> None:
    road = {**road, "headwind_mps": wind}
    alone = physics.road_load_power(speed, **road, efficiency=1.0)
    behind = physics.road_load_power(
        speed, **{**road, "drag_area_m2": share * road["drag_area_m2"]}, efficiency=1.0
    )
    saved = (1.0 - share) * speed * physics.aero_force(speed, wind, road["drag_area_m2"], road["air_density"])
    assert alone - behind == pytest.approx(saved, rel=1e-9, abs=1e-8)


@given(air_speed=st.floats(-30.0, 30.0), area=st.floats(0.0, 1.0), density=st.floats(0.8, 1.35))
def test_air_force_turns_with_the_air(air_speed: float, area: float, density: float) -> None:
    forwards = physics.aero_force(0.0, air_speed, area, density)
    assert forwards == -physics.aero_force(0.0, -air_speed, area, density)
    assert forwards * air_speed >= 0.0


@given(speed=st.lists(speeds, min_size=1, max_size=5), road=roads)
def test_arrays_are_rows_of_scalars(speed: list[float], road: dict[str, float]) -> None:
    together = physics.road_load_power(np.array(speed), **road)
    assert together.tolist() == [float(physics.road_load_power(one, **road)) for one in speed]
    power = np.maximum(together, 0.0)
    solved = physics.speed_at_power(power, **road)
    assert solved.tolist() == [float(physics.speed_at_power(float(one), **road)) for one in power]


@given(
    temperature=st.floats(-10.0, 40.0),
    pressure=st.floats(60_000.0, 108_000.0),
    humidity=st.floats(0.0, 0.9),
)
def test_warm_moist_and_high_air_is_thin(temperature: float, pressure: float, humidity: float) -> None:
    here = physics.air_density(temperature, pressure, humidity)
    assert physics.air_density(temperature + 1.0, pressure, humidity) < here
    assert physics.air_density(temperature, pressure, humidity + 0.05) < here
    assert physics.air_density(temperature, pressure + 100.0, humidity) > here
    assert physics.air_density_at(temperature, pressure, humidity, 100.0) < here
    assert physics.air_density_at(temperature, pressure, humidity, 0.0) == here


@given(rise=st.floats(-500.0, 4000.0), temperature=st.floats(-10.0, 40.0))
def test_climbing_back_restores_the_pressure(rise: float, temperature: float) -> None:
    there = physics.pressure_at(101_325.0, rise, temperature)
    back = physics.pressure_at(there, -rise, temperature - physics.LAPSE_RATE_K_PER_M * rise)
    assert back == pytest.approx(101_325.0, rel=1e-12)


@given(
    wind=st.floats(0.0, 25.0),
    source=st.floats(0.0, 360.0),
    heading=st.floats(0.0, 360.0),
    turn=st.floats(-720.0, 720.0),
)
def test_wind_keeps_its_strength_and_turns_with_the_road(
    wind: float, source: float, heading: float, turn: float
) -> None:
    head, cross = physics.wind_components(wind, source, heading)
    assert np.hypot(head, cross) == pytest.approx(wind, abs=1e-9)
    assert physics.wind_components(wind, source + turn, heading + turn) == pytest.approx(
        (head, cross), abs=1e-9
    )
    back = physics.wind_components(wind, source, heading + 180.0)
    assert back == pytest.approx((-head, -cross), abs=1e-9)


@given(table=tables, length=lengths, gap=gaps, wider=gaps)
def test_shares_are_shares_and_a_wider_gap_never_shelters_more(
    table: str, length: int, gap: float, wider: float
) -> None:
    gap, wider = min(gap, wider), max(gap, wider)
    near, far = drafting.draft_shares(table, length, gap), drafting.draft_shares(table, length, wider)
    assert near.shape == (length,)
    assert np.all((near > 0.35) & (near <= 1.0))
    assert near[0] == max(near)
    assert np.all(far >= near - 1e-12)


@given(share=st.floats(0.3, 1.0), yaw=st.floats(-180.0, 180.0))
def test_cross_wind_never_shelters_more(share: float, yaw: float) -> None:
    left = drafting.sheltered_share(share, yaw)
    assert share - 1e-12 <= left <= 1.0
    assert left == drafting.sheltered_share(share, -yaw)
    if abs(yaw) <= 170.0:
        assert drafting.sheltered_share(share, abs(yaw) + 10.0) >= left - 1e-12


rides = st.lists(st.floats(0.0, 900.0), min_size=1, max_size=40)
models = st.sampled_from(physiology.RECOVERY_MODELS)


@given(power=rides, model=models, share=st.floats(0.0, 1.0), pieces=st.integers(2, 5))
def test_balance_is_exact_whatever_the_step(
    power: list[float], model: str, share: float, pieces: int
) -> None:
    whole = physiology.w_prime_balance(np.array(power), 10.0, 280.0, 18_000.0, model, share)
    split = physiology.w_prime_balance(np.repeat(power, pieces), 10.0 / pieces, 280.0, 18_000.0, model, share)
    assert split[pieces - 1 :: pieces] == pytest.approx(whole, rel=1e-9, abs=1e-6)
    assert np.all(whole <= 18_000.0)


@given(
    power=rides, model=models, share=st.floats(0.0, 1.0), step=st.integers(0, 39), more=st.floats(0.0, 300.0)
)
def test_harder_never_leaves_more(
    power: list[float], model: str, share: float, step: int, more: float
) -> None:
    harder = np.array(power)
    harder[step % len(power)] += more
    left = physiology.w_prime_balance(np.array(power), 5.0, 280.0, 18_000.0, model, share)
    left_harder = physiology.w_prime_balance(harder, 5.0, 280.0, 18_000.0, model, share)
    assert np.all(left_harder <= left + 1e-6)


@given(spent=st.floats(1.0, 20_000.0), below=st.floats(1.0, 280.0), model=models, share=st.floats(0.0, 1.0))
def test_recovery_share_is_the_slope_of_the_balance(
    spent: float, below: float, model: str, share: float
) -> None:
    brief = 1e-3
    power = np.array([280.0 + spent, 280.0 - below])
    balance = physiology.w_prime_balance(power, np.array([1.0, brief]), 280.0, 18_000.0, model, share)
    slope = (balance[1] - balance[0]) / (brief * below)
    expected = physiology.recovery_share(model, balance[0], 18_000.0, share)
    assert slope == pytest.approx(float(expected), abs=1e-4)


@given(
    speed=st.floats(4.0, 20.0),
    grade=st.floats(-0.12, 0.12),
    wind=st.floats(-6.0, 8.0),
    share=st.floats(0.4, 0.9),
    length=st.integers(2, 8),
    gap=st.floats(0.05, 1.5),
)
def test_swinging_off_costs_where_drifting_back_is_harder_than_the_last_wheel(
    speed: float, grade: float, wind: float, share: float, length: int, gap: float
) -> None:
    road = {"mass_kg": 80.0, "grade": grade, "headwind_mps": wind, "air_density": 1.2, "crr": 0.004}

    def work(line_speed: float | np.ndarray, n_riders: int, last_share: float) -> np.ndarray:
        return changeover.changeover_work(
            line_speed,
            cda_m2=0.25,
            last_wheel_share=last_share,
            n_riders=n_riders,
            wheel_gap_m=gap,
            **road,
        )

    cost = float(work(speed, length, share))
    if wind >= 0.0:
        assert float(work(speed, length, 0.9 * share)) >= cost - 1e-9
        drifting = physics.road_load_power(speed - 1.0, drag_area_m2=0.25, **road) / (speed - 1.0)
        sitting_on = physics.road_load_power(speed, drag_area_m2=0.25 * share, **road) / speed
        if drifting > sitting_on:
            assert cost >= -0.5
            assert float(work(speed, length + 1, share)) >= cost - 1e-6
    assert work(np.array([speed, speed + 1.0]), length, share)[0] == pytest.approx(cost)
