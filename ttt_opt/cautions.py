"""What a plan cannot see and a coach must: short sentences that go with every plan."""

from __future__ import annotations

import numpy as np

from ttt_opt.plan import Plan

HOT_FROM_C = 28.0
"""From this air temperature on the plan warns of heat (common practice, no source)."""
COLD_BELOW_C = 3.0
"""Below this a wet or shaded road may be icy (common practice, no source)."""
STRONG_CROSSWIND_MPS = 5.0
"""From this cross wind at rider height on the plan warns of gusts (common practice, no source)."""
CLOSE_GAP_M = 0.5
"""Up to this gap between wheels the plan reminds of the practice that it takes."""


def cautions(plan: Plan) -> tuple[str, ...]:
    """What to mind before riding a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of str
        Whole sentences, the most important first: what the ride check refused, the road, health, weather, and
        what the model assumes.

    Notes
    -----
    Thresholds are common practice without a source; none of the sentences replaces a doctor or the event's
    rules.
    """
    race, weather = plan.race, plan.race.weather
    sentences: list[str] = []
    if not plan.check.passed:
        sentences.append(
            "The ride check failed: do not ride this plan as it stands; see which limits are not met."
        )
    sentences.append(
        "Road law and the rules of the event come first: power, speed and the places of the changeovers are "
        "wishes; traffic and sight decide."
    )
    gap = f"{race.wheel_gap_m:.2f} m"
    if race.wheel_gap_m <= CLOSE_GAP_M:
        sentences.append(
            f"Wheels {gap} apart leave no time to react: only for riders who have practised it together, "
            "and never on the aero bars where the line has to brake."
        )
    sentences.append(
        "Do not start with fever, chest pain, palpitations, unusual breathlessness or feeling unwell: ask a "
        "doctor first."
    )
    if weather.temperature_c >= HOT_FROM_C:
        sentences.append(
            f"Heat ({weather.temperature_c:.0f} °C): critical power falls in the heat and the plan does not "
            "know it; drink, cool, lower the powers, and stop when dizzy or shivering."
        )
    if weather.temperature_c < COLD_BELOW_C:
        sentences.append(
            f"Cold ({weather.temperature_c:.0f} °C): the road may be icy in shade and on bridges."
        )
    if weather.wet:
        sentences.append("Wet road: brake early and leave more room to the wheel in front.")
    crosswind_mps = float(np.max(np.abs(plan.road.crosswind_mps)))
    if crosswind_mps >= STRONG_CROSSWIND_MPS:
        sentences.append(
            f"Cross wind of up to {crosswind_mps:.0f} m/s at rider height: expect gusts where shelter ends, "
            "and less shelter in the line than published tables say; what the plan takes off for it is an "
            "assumption."
        )
    repaired = len(plan.course.repairs)
    if repaired:
        sentences.append("The course file was repaired (see the list): ride the course once before the race.")
    return tuple(sentences)
