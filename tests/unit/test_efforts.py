from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ttt_opt.critical_power_fit import fit_critical_power
from ttt_opt.efforts import BEST_OVER_S, Effort, best_efforts, read_efforts
from ttt_opt.errors import InputError
from ttt_opt.recorded_ride import RecordedRide


def written(tmp_path: Path, content: str) -> Path:
    path = tmp_path / "efforts.csv"
    path.write_text(content, encoding="utf-8")
    return path


def test_one_rider(tmp_path: Path) -> None:
    path = written(tmp_path, "seconds,watts\n180,411\n720,328\n")
    efforts = (Effort(180.0, 411.0), Effort(720.0, 328.0))
    assert read_efforts(path) == {"Rider": efforts}
    assert read_efforts(path, " Ada ") == {"Ada": efforts}
    assert efforts[0].work_j == 180.0 * 411.0


def test_several_riders_in_the_order_of_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, "rider,minutes,power_w\nBen,3,400\nAda,3,300\nBen,12,350\n")
    assert read_efforts(path) == {
        "Ben": (Effort(180.0, 400.0), Effort(720.0, 350.0)),
        "Ada": (Effort(180.0, 300.0),),
    }
    assert list(read_efforts(path, "Ada")) == ["Ada"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("seconds\n180\n", "no column watts or power_w"),
        ("watts\n180\n", "no column seconds, duration_s or minutes"),
        (
            "seconds,watts,riders\n180,400,Ada\n",
            '"riders" is not known here; allowed: seconds, watts and rider',
        ),
        ("seconds,watts\n180,0\n", "line 2, watts: 0 is not within the allowed 50 to 2500 W"),
        ("seconds,watts\n-180,400\n", "line 2, seconds: -180 is not within"),
        ("seconds,watts\n180,nan\n", 'line 2, watts: "nan" is not a number'),
        ("seconds,watts\n180,\n", "line 2, watts: is empty"),
        ("seconds,watts,rider\n180,400,\n", "line 2, rider: "),
        ("seconds,watts,rider\n180,400,\u202eadA\n", r"\u202eadA"),
        ("seconds,watts,rider\n180,400," + "A" * 81 + "\n", "1 to 80 characters"),
        ("seconds,watts\n" + "180,400\n" * 201, "more than 200 efforts of Rider"),
    ],
)
def test_wrong_files(tmp_path: Path, content: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        read_efforts(written(tmp_path, content))
    assert words in str(refused.value)


def test_a_rider_who_is_not_there(tmp_path: Path) -> None:
    path = written(tmp_path, "rider,seconds,watts\nBen,180,400\n")
    with pytest.raises(InputError, match=r'rider: "Ada" is not there; allowed: Ben'):
        read_efforts(path, "Ada")
    with pytest.raises(InputError, match="--rider"):
        read_efforts(path, "")


def test_an_effort_checks_itself() -> None:
    for values in ((0.0, 300.0), (180.0, float("nan")), (float("inf"), 300.0)):
        with pytest.raises(ValueError, match="is none"):
            Effort(*values)


def ride_of(power: list[float]) -> RecordedRide:
    time = np.arange(float(len(power)))
    return RecordedRide(time, np.array(power), np.full(len(power), 10.0))


def with_rests(*durations_s: float) -> list[float]:
    """Efforts at the power that 300 W and 20 kJ give them, with 100 W in between."""
    rest = 200 * [100.0]
    return [watts for t in durations_s for watts in [*rest, *int(t) * [300.0 + 20000.0 / t]]] + rest


def test_best_efforts_of_rides_give_exact_efforts_back() -> None:
    rides = [ride_of(with_rests(120.0, 480.0, 900.0)), ride_of(with_rests(180.0, 300.0, 720.0))]
    efforts = best_efforts(rides)
    assert [effort.duration_s for effort in efforts] == list(BEST_OVER_S)
    for effort in efforts:
        assert effort.power_w == pytest.approx(300.0 + 20000.0 / effort.duration_s)
    fit = fit_critical_power(efforts)
    assert fit.answer.cp_w.value == pytest.approx(300.0, rel=1e-3)
    assert fit.answer.w_prime_j.value == pytest.approx(20000.0, rel=1e-3)


def test_gaps_in_power_do_not_count_as_power() -> None:
    power = with_rests(180.0)
    for second in range(250, 290):
        power[second] = float("nan")
    [two, three] = [effort for effort in best_efforts([ride_of(power + 400 * [150.0])]) if effort.duration_s < 200.0]
    assert two.power_w < 300.0 + 20000.0 / 180.0
    assert three.power_w < two.power_w
    with pytest.raises(ValueError, match="holds no 3 min of power without gaps"):
        best_efforts([ride_of(150 * [300.0])])
