"""What goes with a plan to the start, from the trade's common practice: warm-up, calls, what if, equipment.

None of it has a published source; every figure is common practice or our choice.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from ttt_opt.plan import Plan

STRONG_FOR_DEEP_WHEELS_MPS = 4.0
"""From this cross wind at rider height on deep front wheels are advised against (m/s; common practice, no source)."""


@dataclass(frozen=True)
class WarmUpStep:
    """One step of a warm-up.

    Attributes
    ----------
    before_start_min : float
        When it begins (min before the start).
    minutes : float
        How long it lasts (min).
    what : str
    from_share, to_share : float
        Power at its begin and end, as shares of critical power.
    """

    before_start_min: float
    minutes: float
    what: str
    from_share: float
    to_share: float


WARM_UP = (
    WarmUpStep(38.0, 10.0, "Easy, rising gradually", 0.45, 0.65),
    WarmUpStep(28.0, 5.0, "Tempo, steady", 0.8, 0.85),
    WarmUpStep(23.0, 2.0, "Easy", 0.45, 0.5),
    WarmUpStep(21.0, 3.0, "First effort, at critical power", 0.97, 1.0),
    WarmUpStep(18.0, 2.0, "Easy", 0.45, 0.5),
    WarmUpStep(16.0, 3.0, "Second effort, at critical power", 0.97, 1.0),
    WarmUpStep(13.0, 3.0, "Easy, rolling out", 0.45, 0.5),
)
"""28 minutes that end 10 minutes before the start (common practice, no source)."""

CALLS = (
    ("Change", "from the leader: I swing off now, to the side agreed"),
    ("On", "from the rider who has drifted back: I am on the last wheel, the line may go on"),
    ("Steady", "from anyone: the front has become quicker, back to the agreed power"),
    ("Gap", "from whoever sees it: a wheel is lost; the front eases until “On”"),
    ("Short", "from a rider who is to lead next: my pull will be short"),
    ("Pass", "from a rider who is empty: I stay on the last wheel this time, drop in ahead of me"),
    ("Left, Right, Turn", "from the leader: bend ahead, braking"),
    ("Hole, Car", "from the leader and passed on: danger on the road"),
    ("Stop", "from anyone: the line breaks up safely, nobody brakes hard"),
)
"""Calls and what they mean; our own choice of words, to be agreed before the race."""


def before_start(minutes: float, start_time: str | None) -> str:
    """When something happens: the time of day where the start is known, minutes before the start otherwise."""
    if start_time is None:
        return f"−{minutes:g} min"
    moment = datetime.datetime.fromisoformat(start_time) - datetime.timedelta(minutes=minutes)
    return moment.strftime("%H:%M:%S").removesuffix(":00")


def what_if(plan: Plan) -> tuple[tuple[str, str], ...]:
    """What may happen in the race, and plain advice for it."""
    riders, counting = plan.race.team.riders, plan.race.rules.counting_rider
    spare = len(riders) - counting if counting else 0
    emptiest = min(range(len(riders)), key=lambda index: plan.riders[index].w_prime_min_j)
    place_m = float(plan.ride.distance_m[int(np.nanargmin(plan.ride.w_prime_j[:, emptiest]))])
    nearest = (
        f"By this plan {riders[emptiest].name} comes nearest to being spent, at km {place_m / 1000:.1f} with "
        f"{plan.riders[emptiest].w_prime_min_j / 1000:.1f} kJ of W′ left."
    )
    waiting = (
        f"The time of rider {counting} of {len(riders)} counts, so at most {spare} can be left behind; beyond that the "
        "line waits."
        if spare
        else "The time of the last rider counts, so nobody can be left behind: the line waits."
    )
    return (
        (
            "A rider tires",
            f"Say “Short”, then “Pass”, before the wheel is gone: one missed pull costs less than a gap. He stays on "
            f"the last wheel; the others lead in the same order at their own powers and do not add watts to make up. "
            f"{nearest}",
        ),
        ("A rider is dropped", f"“Gap”: the front eases at once and rises again gradually after “On”. {waiting}"),
        (
            "Puncture or fall",
            "The line opens up to pass, without braking hard; whoever is hurt comes first. The others close up in the "
            f"same order. {waiting}",
        ),
        (
            "The wind turns",
            "Hold the power, not the speed. Swing off to the side that the wind now comes from; with the wind straight "
            "ahead or behind, to the side agreed before the race.",
        ),
        (
            "Slower or faster than planned",
            "The places of the changes hold, the clock does not. If a rider says that a pull is too hard, the rider is "
            "right: shorten it.",
        ),
    )


TAKE_UP_FALL_BACK = (
    "Prepared patterns, searched and ridden for the whole course as if the change were there from the start. Who loses "
    "a rider on the way takes up the pattern at the next landmark: by then the others may have spent more than the "
    "pattern counts on, so the first turn is ridden easier."
)
NO_FALL_BACK = "No fall-back plan was computed: what follows is advice, and no figure in it was searched or ridden."


def equipment(plan: Plan) -> tuple[str, ...]:
    """Short notes on what to bring and to check."""
    race = plan.race
    fastest = int(np.argmax(plan.ride.speed_mps))
    notes = [
        f"Gears: the highest speed in the ride check is {3.6 * plan.ride.speed_mps[fastest]:.0f} km/h, at km "
        f"{plan.ride.distance_m[fastest] / 1000:.1f}.",
        "Bicycle computers: lap key or cue points for the changes, power as a mean over 3 s; the rider's card on the "
        "stem or the forearm.",
        "Brakes, tyres, bolts and batteries checked the day before; a spare wheel and a bicycle in the car where the "
        "rules allow them.",
        f"Gap between wheels as practised: the plan counts on {race.wheel_gap_m:.2f} m.",
    ]
    if race.weather.wet:
        notes.append("Wet road: less tyre pressure, brakes tried on the way to the start.")
    crosswind_mps = float(np.max(np.abs(plan.road.crosswind_mps)))
    if crosswind_mps >= STRONG_FOR_DEEP_WHEELS_MPS:
        notes.append(
            f"Cross wind of up to {crosswind_mps:.0f} m/s at rider height: no deep front wheel for light riders."
        )
    return tuple(notes)
