"""Recorded rides in GPX: times, sensors in any name space, and what can be wrong with them."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recorded_examples import NO_NOISE, START, recorded, write_gpx

from ttt_opt.errors import InputError
from ttt_opt.gpx import read_recording
from ttt_opt.recorded_ride import read_recorded_ride


def gpx(points: list[str], head: str = '<?xml version="1.0"?>', declared: str = "") -> str:
    return f'{head}<gpx version="1.1" creator="x"{declared}><trk><trkseg>{"".join(points)}</trkseg></trk></gpx>'


def point(n: int, inside: str | None = None) -> str:
    time = f"<time>2030-05-12T12:30:{n:02d}Z</time>" if inside is None else inside
    return f'<trkpt lat="{54.0 + 1e-4 * n:.4f}" lon="4.0">{time}</trkpt>'


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "ride.gpx"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("kind", range(3))
def test_power_and_heart_rate_are_found_by_local_names(kind: int, tmp_path: Path) -> None:
    frame = recorded(noise=NO_NOISE).head(600)
    ride = read_recorded_ride(write_gpx(frame, tmp_path / "ride.gpx", kind))
    assert ride.utc and ride.has_power
    np.testing.assert_allclose(ride.time_s - START.timestamp(), frame["seconds"], atol=1e-3)
    np.testing.assert_allclose(ride.power_w, frame["watts"], atol=0.51)
    assert ride.heart_rate_bpm is not None and (ride.heart_rate_bpm == 150.0).all()
    assert np.abs(ride.speed_mps - frame["speed_mps"])[30:-30].max() < 0.4
    assert ride.notes == ("Speed was worked out from places.",)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2030-05-12T12:30:00Z", 0.0),
        ("2030-05-12T12:30:00.250Z", 0.25),
        ("2030-05-12T14:30:00+02:00", 0.0),
        ("2030-05-12T10:00:00-0230", 0.0),
        ("2030-05-12T12:30:00", 0.0),
        (" 2030-05-12T12:30:00Z\n", 0.0),
    ],
)
def test_times_as_iso_8601_has_them(tmp_path: Path, text: str, seconds: float) -> None:
    found = read_recording(written(tmp_path, gpx([point(0, f"<time>{text}</time>"), point(40)])))
    start = datetime.datetime(2030, 5, 12, 12, 30, tzinfo=datetime.UTC).timestamp()
    assert found.time_s[0] == pytest.approx(start + seconds)


def test_points_without_time_and_impossible_values_are_left_out(tmp_path: Path) -> None:
    power = "<extensions><power>{}</power><hr>{}</hr></extensions>"
    points = [point(n, f"<time>2030-05-12T12:30:{n:02d}Z</time>" + power.format(200 + n, 150)) for n in range(12)]
    points[3] = point(3, "")
    points[5] = point(5, "<time>2030-05-12T12:30:05Z</time>" + power.format(65535, 0))
    points[6] = point(6, "<time>2030-05-12T12:30:05Z</time>")
    found = read_recorded_ride(written(tmp_path, gpx(points)))
    assert found.notes == (
        "1 point without a time left out.",
        "1 value of power outside 0 to 3000 left out as impossible.",
        "1 point with a time that was there already left out.",
        "Speed was worked out from places.",
    )
    assert len(found.time_s) == 10
    assert np.isnan(found.power_w[4])


def test_a_speed_in_the_file_is_taken(tmp_path: Path) -> None:
    extra = "<extensions><speed>11.5</speed><power>200</power></extensions>"
    points = [point(n, f"<time>2030-05-12T12:30:{n:02d}Z</time>{extra}") for n in range(12)]
    found = read_recorded_ride(written(tmp_path, gpx(points)))
    assert (found.speed_mps == 11.5).all() and found.notes == ()


GOOD = [point(n) for n in range(20)]
FAULTS = {
    "no times": (gpx([point(n, "") for n in range(20)]), "has no times at its points: a course, not a recorded ride"),
    "back in time": (
        gpx([*GOOD[:10], point(3), *GOOD[11:]]),
        "track point 11: its time is 6 s before that of the point before; allowed: times that never fall",
    ),
    "no date": (gpx([*GOOD, point(21, "<time>yesterday</time>")]), "time of track point 21 is 'yesterday'"),
    "month 13": (gpx([*GOOD, point(21, "<time>2030-13-01T00:00:00Z</time>")]), "is '2030-13-01T00:00:00Z', not a time"),
    "a word for power": (
        gpx([*GOOD, point(21, "<time>2030-05-12T12:30:21Z</time><extensions><power>much</power></extensions>")]),
        "power of track point 21 is 'much', not a decimal number",
    ),
    "no power": (gpx(GOOD), "carries no power"),
    "one point": (gpx(GOOD[:1]), "holds no track of at least two points"),
    "few points": (gpx(GOOD[:5]), "holds 5 points with a time; allowed: 10 or more"),
    "a week": (
        gpx([*GOOD, point(21, "<time>2030-05-19T12:30:00Z</time>")]).replace("<time>", "<power>1</power><time>"),
        "lasts 168 hours; allowed: 48",
    ),
    "truncated": (gpx(GOOD)[:-200], "the file ends in the middle"),
    "empty": ("", "is empty"),
    "entities": (gpx(GOOD, '<!DOCTYPE gpx [<!ENTITY a "b">]>'), "a document type"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_faults(fault: str, tmp_path: Path) -> None:
    text, words = FAULTS[fault]
    path = written(tmp_path, text)
    with pytest.raises(InputError) as refused:
        read_recorded_ride(path)
    assert words in str(refused.value)
    assert str(refused.value).startswith(str(path)) and str(refused.value).isprintable()


def test_a_ride_without_power_may_be_read_where_it_is_not_needed(tmp_path: Path) -> None:
    ride = read_recorded_ride(written(tmp_path, gpx(GOOD)), needs_power=False)
    assert not ride.has_power and ride.heart_rate_bpm is None


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    at=st.integers(0, 1600),
    removed=st.integers(0, 30),
    added=st.one_of(
        st.binary(max_size=8),
        st.sampled_from([b"<time>", b"</trkpt>", b"<power>-5</power>", b"<hr>", b"9", b"NaN", b"&amp;", b"\xff", b"-"]),
    ),
)
def test_damaged_rides_end_in_a_ride_or_one_printable_sentence(
    tmp_path_factory: pytest.TempPathFactory, at: int, removed: int, added: bytes
) -> None:
    content = gpx([p.replace("</trkpt>", "<power>250</power></trkpt>") for p in GOOD]).encode()
    path = tmp_path_factory.mktemp("damaged") / "ride.gpx"
    path.write_bytes(content[:at] + added + content[at + removed :])
    try:
        ride = read_recorded_ride(path)
    except InputError as error:
        assert str(error).isprintable()
    else:
        assert len(ride.time_s) >= 10 and (np.diff(ride.time_s) > 0.0).all()
