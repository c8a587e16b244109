from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from recorded_examples import NO_NOISE, recorded, write

from ttt_opt.errors import InputError
from ttt_opt.recorded_ride import RecordedRide, read_recorded_ride

HEADER = "seconds,watts,speed_mps,elevation_m"


def written(tmp_path: Path, rows: list[str], header: str = HEADER) -> Path:
    path = tmp_path / "ride.csv"
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return path


def rows(count: int = 20) -> list[str]:
    return [f"{n},{200 + n},10.0,{5.0 + 0.1 * n}" for n in range(count)]


def test_a_recording_is_read_as_it_stands(tmp_path: Path) -> None:
    frame = recorded(noise=NO_NOISE)
    ride = read_recorded_ride(write(frame, tmp_path / "ride.csv"))
    for field, column in (("time_s", "seconds"), ("power_w", "watts"), ("speed_mps", "speed_mps"),
                          ("elevation_m", "elevation_m"), ("latitude_deg", "latitude")):  # fmt: skip
        np.testing.assert_allclose(getattr(ride, field), frame[column], atol=1e-7)
    assert ride.notes == ()


def test_other_units_and_speed_from_distance(tmp_path: Path) -> None:
    frame = recorded(noise=NO_NOISE)
    kmh = frame.assign(speed_kmh=3.6 * frame["speed_mps"]).drop(columns=["speed_mps", "distance_m"])
    np.testing.assert_allclose(
        read_recorded_ride(write(kmh, tmp_path / "a.csv")).speed_mps, frame["speed_mps"], atol=1e-6
    )
    km = frame.assign(distance_km=frame["distance_m"] / 1000.0).drop(columns=["speed_mps", "distance_m"])
    ride = read_recorded_ride(write(km, tmp_path / "b.csv"))
    assert np.abs(ride.speed_mps - frame["speed_mps"])[20:-20].max() < 0.6
    assert ride.notes == ("Speed was worked out from distance.",)


def test_what_was_not_recorded_is_nan_and_repeated_times_are_left_out(tmp_path: Path) -> None:
    some = rows()
    some[5] = "5,,,"
    some.insert(3, "2,999,1.0,1.0")
    ride = read_recorded_ride(written(tmp_path, some))
    assert len(ride.time_s) == 20
    assert np.isnan([ride.power_w[5], ride.speed_mps[5]]).all()
    assert ride.notes == ("1 sample with a time that was there already left out.",)


def test_a_column_without_values_and_a_lone_latitude_are_no_data(tmp_path: Path) -> None:
    ride = read_recorded_ride(
        written(tmp_path, [f"{n},200,10,,54.4" for n in range(20)], HEADER + ",latitude")
    )
    assert ride.elevation_m is ride.latitude_deg is ride.longitude_deg is None


@pytest.mark.parametrize(
    ("at", "row", "words"),
    [
        (7, "3,207,10.0,5", "line 9, seconds: 3 comes after 6; allowed: values that never fall"),
        (7, ",207,10.0,5", "line 9, seconds: is empty"),
        (7, "7,-5,10.0,5", "line 9, watts: -5 is not within the allowed 0 to 3000 W"),
        (7, "7,nan,10.0,5", 'line 9, watts: "nan" is not a number'),
        (7, "7,207,-1,5", "line 9, speed_mps: -1 is not within"),
        (7, "7,207,95,5", "line 9, speed_mps: 95 is not within"),
        (7, "7,207,10,90000", "line 9, elevation_m: 90000 is not within"),
        (19, "19,2", "line 21: has 2 cells where the header has 4; the file was cut off"),
    ],
)
def test_a_wrong_row_is_refused(tmp_path: Path, at: int, row: str, words: str) -> None:
    some = rows()
    some[at] = row
    with pytest.raises(InputError) as refused:
        read_recorded_ride(written(tmp_path, some))
    assert words in str(refused.value)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("seconds,watts,speed,elevation_m", "speed has no unit; allowed: speed_mps or speed_kmh"),
        ("seconds,watts,velocity,elevation_m", "no column speed_mps or speed_kmh, nor distance_m"),
        (
            "seconds,power,speed_mps,elevation_m",
            "no column watts or power_w; the columns there are: seconds, power,",
        ),
        ("when,watts,speed_mps,elevation_m", "no column seconds, time_s or t_s"),
        ("seconds,watts,speed_mps,t_s", "seconds and t_s say the same"),
    ],
)
def test_a_wrong_header_is_refused(tmp_path: Path, header: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        read_recorded_ride(written(tmp_path, rows(), header))
    assert words in str(refused.value)


def test_too_few_samples(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds 9 samples; allowed: 10 or more"):
        read_recorded_ride(written(tmp_path, rows(9)))


def test_a_ride_checks_itself() -> None:
    time = np.arange(20.0)
    with pytest.raises(ValueError, match="must rise"):
        RecordedRide(time[::-1], time, time)
    with pytest.raises(ValueError, match="speed_mps must have one value per sample"):
        RecordedRide(time, time, time[1:])
    with pytest.raises(ValueError, match="belong together"):
        RecordedRide(time, time, time, latitude_deg=time)
