"""What people read of a fit of critical power, and the lines of a team file that come of it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from ttt_opt.critical_power_fit import CriticalPowerFit, Estimate, FormFit
from ttt_opt.team import RIDER_BOUNDS
from ttt_opt.text_table import sentences, short_clock, table, titled, wrapped

UNCERTAIN = {
    "power against 1/time": "power, in W",
    "work against time": "work, in J",
    "time against power": "time, in %",
}
WHY = {
    "duration": "The durations were given, so power is what came out of each effort: the answer is the form with "
    "errors of power.",
    "power": "The powers were given and held to exhaustion, so time is what came out of each effort: the answer is "
    "the form with errors of time.",
}


def fit_text(rider: str, fit: CriticalPowerFit, given: str) -> str:
    """The fit of one rider as text.

    Parameters
    ----------
    rider : str
    fit : CriticalPowerFit
    given : str
        ``duration`` or ``power``, as the fit was asked for.
    """
    efforts = [
        [
            short_clock(effort.duration_s),
            f"{effort.power_w:.0f}",
            f"{effort.power_w - miss_w:.0f}",
            f"{miss_w:+.1f}",
        ]
        for effort, miss_w in zip(fit.efforts, fit.miss_w, strict=True)
    ]
    forms = [
        [
            form.form,
            UNCERTAIN[form.form],
            *_cells(form.cp_w, 1.0, 0),
            *_cells(form.w_prime_j, 1e-3, 1),
            "answer" if form is fit.answer else "",
        ]
        for form in fit.forms
    ]
    headings = ["<Form", "<Errors of", "CP W", "± s.e.", "95 %", "W' kJ", "± s.e.", "95 %", "<"]
    lines = [
        *titled(rider, table(["Time", "W", "by the curve", "miss W"], efforts)),
        "",
        *table(headings, forms),
        "",
        *wrapped(WHY[given]),
        *sentences(fit.cautions),
    ]
    return "\n".join(lines) + "\n"


def threshold_text(rider: str, threshold_w: float, guess: FormFit) -> str:
    """The guess from a threshold power as text."""
    rows = [
        ["CP W", *_cells(guess.cp_w, 1.0, 0)],
        ["W' kJ", *_cells(guess.w_prime_j, 1e-3, 1)],
    ]
    lines = [
        *titled(rider, table(["<", "guess", "± s.e.", "95 %"], rows)),
        "",
        *wrapped(
            f"Critical power from {threshold_w:.0f} W over an hour; W' is what trained men have, and may be far "
            f"from this rider's. Three or more maximal efforts of 2 to 15 min say more."
        ),
    ]
    return "\n".join(lines) + "\n"


def team_fragment(answers: Mapping[str, FormFit]) -> str:
    """Lines for the riders of a team file (TOML), with the uncertainty in comments.

    Parameters
    ----------
    answers : mapping of str to FormFit
        By rider.
    """
    lines = ["# For a team file: copy these into the rider's own section; the standard errors (_se_) may be left out."]
    for rider, answer in answers.items():
        lines += [
            "",
            "[[riders]]",
            f"name = {json.dumps(rider, ensure_ascii=False)}",
            f"cp_w = {answer.cp_w.value:.0f}  # {_comment(answer, answer.cp_w, 'W')}",
            f"w_prime_j = {answer.w_prime_j.value:.0f}  # {_comment(answer, answer.w_prime_j, 'J')}",
        ]
        for key, estimate, digits in (("cp_se_w", answer.cp_w, 1), ("w_prime_se_j", answer.w_prime_j, 0)):
            error = estimate.standard_error
            if error is not None and error <= RIDER_BOUNDS[key].high:
                lines.append(f"{key} = {error:.{digits}f}")
    return "\n".join(lines) + "\n"


def _cells(estimate: Estimate, factor: float, digits: int) -> Sequence[str]:
    """Value, standard error and interval."""
    value = f"{factor * estimate.value:.{digits}f}"
    if estimate.standard_error is None or estimate.low is None or estimate.high is None:
        return value, "–", "–"
    return (
        value,
        f"{factor * estimate.standard_error:.{digits or 1}f}",
        f"{factor * estimate.low:.{digits}f} to {factor * estimate.high:.{digits}f}",
    )


def _comment(answer: FormFit, estimate: Estimate, unit: str) -> str:
    if estimate.low is None or estimate.high is None:
        return f"from {answer.form}; two efforts do not tell how sure it is"
    return f"from {answer.form}; 95 % interval {estimate.low:.0f} to {estimate.high:.0f} {unit}"
