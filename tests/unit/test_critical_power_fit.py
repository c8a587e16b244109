from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ttt_opt.critical_power_fit import (
    POPULATION_W_PRIME_J,
    Estimate,
    FormFit,
    fit_critical_power,
    fit_power_against_inverse_time,
    fit_time_against_power,
    fit_work_against_time,
    from_threshold_power,
)
from ttt_opt.critical_power_text import fit_text, team_fragment, threshold_text
from ttt_opt.efforts import Effort
from ttt_opt.physiology import sustainable_share
from ttt_opt.team import read_team
from ttt_opt.text_table import WIDTH, display_width

FloatArray = NDArray[np.float64]
Fit = Callable[[FloatArray, FloatArray], FormFit]

FORMS: list[Fit] = [fit_power_against_inverse_time, fit_work_against_time, fit_time_against_power]
TIMES = np.array([180.0, 300.0, 480.0, 720.0])
CP_W, W_PRIME_J = 300.0, 20000.0


def efforts_of(times: FloatArray, cp_w: float = CP_W, w_prime_j: float = W_PRIME_J) -> list[Effort]:
    return [Effort(float(t), cp_w + w_prime_j / float(t)) for t in times]


@pytest.mark.parametrize("fit", FORMS)
@given(
    cp_w=st.floats(100.0, 550.0),
    w_prime_j=st.floats(3000.0, 50000.0),
    times=st.lists(st.floats(60.0, 1800.0), min_size=3, max_size=8),
)
def test_exact_efforts_give_their_figures_back_in_every_form(
    fit: Fit, cp_w: float, w_prime_j: float, times: list[float]
) -> None:
    time = np.array(times)
    assume(time.max() > 1.2 * time.min())
    found = fit(time, cp_w + w_prime_j / time)
    assert found.cp_w.value == pytest.approx(cp_w, rel=1e-3)
    assert found.w_prime_j.value == pytest.approx(w_prime_j, rel=1e-3)


@given(factor=st.floats(0.5, 2.0), seed=st.integers(0, 1000))
def test_figures_scale_with_power(factor: float, seed: int) -> None:
    """Watts in another unit: both figures, and their uncertainty, change by the same factor."""
    power = CP_W + W_PRIME_J / TIMES + np.random.default_rng(seed).normal(0.0, 4.0, 4)
    for fit in FORMS:
        one, other = fit(TIMES, power), fit(TIMES, factor * power)
        for first, second in ((one.cp_w, other.cp_w), (one.w_prime_j, other.w_prime_j)):
            assert second.value == pytest.approx(factor * first.value, rel=1e-6)
            assert second.standard_error == pytest.approx(factor * (first.standard_error or 0.0), rel=1e-5)


def errors_of_power(random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    return TIMES, CP_W + W_PRIME_J / TIMES + random.normal(0.0, 5.0, len(TIMES))


def errors_of_power_in_percent(random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    return TIMES, (CP_W + W_PRIME_J / TIMES) * random.normal(1.0, 0.015, len(TIMES))


def errors_of_work(random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    return TIMES, (CP_W * TIMES + W_PRIME_J + random.normal(0.0, 1500.0, len(TIMES))) / TIMES


def errors_of_time(random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    power = CP_W + W_PRIME_J / TIMES
    return TIMES * np.exp(random.normal(0.0, 0.08, len(TIMES))), power


@pytest.mark.parametrize(
    ("fit", "noisy"),
    [
        (fit_power_against_inverse_time, errors_of_power),
        (fit_power_against_inverse_time, errors_of_power_in_percent),
        (fit_work_against_time, errors_of_work),
        (fit_time_against_power, errors_of_time),
    ],
)
def test_95_of_100_intervals_hold_the_truth(
    fit: Fit, noisy: Callable[[np.random.Generator], tuple[FloatArray, FloatArray]]
) -> None:
    """Each form under the errors that it takes for granted; 1,000 draws have a standard error of 0.7 %."""
    random = np.random.default_rng(20300512)
    held = np.zeros(2)
    for _ in range(1000):
        found = fit(*noisy(random))
        for n, (estimate, truth) in enumerate(((found.cp_w, CP_W), (found.w_prime_j, W_PRIME_J))):
            assert estimate.low is not None and estimate.high is not None
            held[n] += estimate.low <= truth <= estimate.high
    assert np.all((held >= 930) & (held <= 970)), held


def test_the_form_with_the_smallest_errors_promises_too_much() -> None:
    """Why the form is chosen beforehand: where times scatter, the best-looking form is another one."""
    random = np.random.default_rng(1)
    held = 0
    for _ in range(1000):
        time, power = errors_of_time(random)

        def looks(form: FormFit) -> float:
            return (form.cp_w.relative_error or 0.0) + (form.w_prime_j.relative_error or 0.0)

        best = min((fit(time, power) for fit in FORMS), key=looks).w_prime_j
        assert best.low is not None and best.high is not None
        held += best.low <= W_PRIME_J <= best.high
    assert held < 930


def test_the_answer_is_the_form_for_how_the_efforts_were_ridden() -> None:
    efforts = efforts_of(TIMES)
    assert fit_critical_power(efforts).answer.form == "power against 1/time"
    assert fit_critical_power(efforts, "power").answer.form == "time against power"
    fit = fit_critical_power(efforts)
    assert fit.answer in fit.forms and len(fit.forms) == 3
    np.testing.assert_allclose(fit.miss_w, 0.0, atol=1e-9)
    assert fit.cautions == ()


def test_two_efforts_give_an_answer_without_an_interval() -> None:
    fit = fit_critical_power(efforts_of(TIMES[[0, 3]]))
    for form in fit.forms:
        assert form.cp_w.value == pytest.approx(CP_W)
        assert form.w_prime_j.value == pytest.approx(W_PRIME_J)
        assert form.cp_w.standard_error is form.cp_w.low is form.w_prime_j.high is None
    assert "Two efforts always fit" in fit.cautions[0]
    assert "–" in fit_text("Ada", fit, "duration")
    assert "two efforts do not tell" in team_fragment({"Ada": fit.answer})


@pytest.mark.parametrize(
    ("efforts", "words"),
    [
        ([Effort(180.0, 400.0)], "one effort cannot tell"),
        ([Effort(300.0, 400.0), Effort(300.0, 410.0), Effort(301.0, 405.0)], "all efforts last 300 s"),
        ([Effort(180.0, 300.0), Effort(720.0, 320.0)], "longer efforts were ridden at more power"),
        ([Effort(180.0, 300.0), Effort(720.0, 300.0)], "all efforts were ridden at 300 W"),
        ([Effort(60.0, 900.0), Effort(600.0, 80.0)], "critical power comes out as -11 W"),
        (
            [Effort(180.0, 305.0), Effort(720.0, 303.0)],
            "w_prime_j comes out as 480; allowed: 2000 to 60000 J",
        ),
        ([Effort(180.0, 1000.0), Effort(720.0, 850.0)], "cp_w comes out as 800; allowed: 80 to 600 W"),
    ],
)
def test_efforts_that_say_nothing_are_refused(efforts: list[Effort], words: str) -> None:
    with pytest.raises(ValueError, match=r"allowed|too strong") as refused:
        fit_critical_power(efforts)
    assert words in str(refused.value)


@pytest.mark.parametrize(
    ("efforts", "words"),
    [
        (efforts_of(TIMES[:3]), ["Three efforts leave one", "No effort is as long as 12 min", "only 2.7 times"]),
        (efforts_of(np.array([60.0, 300.0, 500.0, 1200.0])), ["effort of 60 s lies", "effort of 1200 s lies"]),
        ([*efforts_of(TIMES), Effort(600.0, 300.0)], ["effort of 600 s misses the curve by -2",
          "Critical power is uncertain", "W' is uncertain"]),
    ],
)  # fmt: skip
def test_cautions(efforts: list[Effort], words: list[str]) -> None:
    found = fit_critical_power(efforts).cautions
    for word in words:
        assert any(word in caution for caution in found), (word, found)


@given(
    st.lists(st.builds(Effort, st.floats(10.0, 14400.0), st.floats(50.0, 2500.0)), min_size=1, max_size=6),
    st.sampled_from(["duration", "power"]),
)
def test_any_efforts_end_in_an_answer_or_one_sentence(efforts: list[Effort], given_was: str) -> None:
    try:
        fit = fit_critical_power(efforts, given_was)
    except ValueError as error:
        assert "\n" not in str(error)
    else:
        assert 80.0 <= fit.answer.cp_w.value <= 600.0
        assert fit.answer.cp_w.value < max(effort.power_w for effort in efforts)
        assert fit_text("Ada", fit, given_was)


def test_a_hyperbola_that_goes_nowhere_matters_only_where_it_is_the_answer() -> None:
    efforts = [Effort(10.0, 191.0), Effort(300.0, 190.0), Effort(10.0, 600.0), Effort(600.0, 190.0)]
    assert len(fit_critical_power(efforts).forms) == 2
    with pytest.raises(ValueError, match="are all of them maximal"):
        fit_critical_power(efforts, "power")


def test_threshold_power_comes_back_over_an_hour() -> None:
    guess = from_threshold_power(300.0)
    assert guess.cp_w.value * float(sustainable_share(3600.0)) == pytest.approx(300.0)
    assert guess.w_prime_j.value == POPULATION_W_PRIME_J
    assert guess.w_prime_j.low == pytest.approx(8200.0, abs=1.0)
    text = threshold_text("Ada", 300.0, guess)
    assert "guess" in text and "315" in text


def test_estimates_check_themselves() -> None:
    with pytest.raises(ValueError, match="is none"):
        Estimate(float("nan"))
    with pytest.raises(ValueError, match="is not within"):
        Estimate(3.0, 1.0, 4.0, 5.0)


def test_text_keeps_to_the_page_and_names_the_answer() -> None:
    efforts = [
        Effort(e.duration_s, e.power_w + extra)
        for e, extra in zip(efforts_of(TIMES), (3, -4, 2, 1), strict=True)
    ]
    text = fit_text("Zoë", fit_critical_power(efforts), "duration")
    assert all(display_width(line) <= WIDTH for line in text.splitlines())
    answer = next(line for line in text.splitlines() if line.endswith("answer"))
    assert answer.startswith("power against 1/time")


def test_a_team_file_takes_the_lines(tmp_path: Path) -> None:
    names = ['Zoë "the wheel" O\'Neil', "back\\slash"]
    fragment = team_fragment({name: fit_critical_power(efforts_of(TIMES)).answer for name in names})
    assert [rider["name"] for rider in tomllib.loads(fragment)["riders"]] == names
    whole = '[team]\nname = "Two"\n' + fragment.replace("cp_w =", "mass_kg = 70\ncda_m2 = 0.25\ncp_w =")
    path = tmp_path / "team.toml"
    path.write_text(whole, encoding="utf-8")
    team = read_team(path)
    assert [rider.name for rider in team.riders] == names
    assert {(rider.cp_w, rider.w_prime_j) for rider in team.riders} == {(300.0, 20000.0)}
    assert {(rider.cp_se_w, rider.w_prime_se_j) for rider in team.riders} == {(0.0, 0.0)}
    assert "95 % interval 300 to 300 W" in fragment
