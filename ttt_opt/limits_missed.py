"""Where no plan keeps all limits: which limits one plan would have to miss, and by how much they would have to move."""

from __future__ import annotations

from ttt_models.rotation import JOULE_PER_UNIT, RotationData
from ttt_opt.race import Race
from ttt_opt.rotation_paths import CompiledRotation
from ttt_opt.segments import Segments
from ttt_opt.solver import FloatArray

NOTABLE = {"pull_amiss": 0.02, "surge_amiss": 5e-4, "speed_amiss": 0.01, "power_amiss": 1e-3, "reserve_amiss": 0.01}
"""Amounts below this are rounding: a share, kW, m/s, kW, kJ."""


def limits_missed(race: Race, segments: Segments, compiled: CompiledRotation, values: FloatArray) -> tuple[str, ...]:
    """One phrase for each limit that a plan misses, with the worst place and what the limit would have to be.

    Parameters
    ----------
    race : Race
    segments : Segments
    compiled : CompiledRotation
        A model of kept pulls only, which may miss limits at a price.
    values : ndarray (n_columns,)
        Its solution.
    """
    data = compiled.data
    worst: dict[tuple[str, ...], tuple[float, str]] = {}
    for column, kind, index in compiled.amiss:
        amount = float(values[column])
        if amount <= NOTABLE[kind]:
            continue
        key, excess, phrase = _phrase(race, segments, data, kind, index, amount)
        worst[key] = max(worst.get(key, (0.0, "")), (excess, phrase))
    return tuple(phrase for _, phrase in worst.values())


def _phrase(
    race: Race, segments: Segments, data: RotationData, kind: str, index: int | tuple[int, ...], amount: float
) -> tuple[tuple[str, ...], float, str]:
    """What to count as one limit, how much it is exceeded, and in words what it would have to be."""
    limits, names = race.limits, [rider.name for rider in race.team.riders]
    place = index[0] if isinstance(index, tuple) else index

    def at(segment: int) -> str:
        return f"at {segments.start_m[segment] / 1000.0:.2f} km"

    if kind == "reserve_amiss":
        left_j = limits.w_prime_reserve_j - JOULE_PER_UNIT * amount
        needed_for = f"limits.w_prime_reserve_j at most {left_j:.0f} for {names[place]}"
        if left_j < 0.0:
            needed_for = f"limits.w_prime_reserve_j at 0 and {-left_j:.0f} J more w_prime_j of {names[place]}"
        return (kind, names[place]), amount, needed_for
    if kind == "surge_amiss":
        needed = limits.surge_w + JOULE_PER_UNIT * amount
        return (kind,), amount, f"limits.surge_w at least {needed:.0f} {at(place)}"
    if kind == "speed_amiss":
        return (kind,), amount, f"limits.surge_kmh at least {limits.surge_kmh + 3.6 * amount:.1f} {at(place)}"
    if kind == "pull_amiss":
        arc = data.arcs[place]
        leader = names[data.lines[arc.line][0]]
        return (kind,), amount, f"a pull of {leader} {100.0 * amount:.0f} % outside limits.pulls {at(arc.first)}"
    assert isinstance(index, tuple)
    segment, line, i = index
    rider, extra_w = race.team.riders[i], JOULE_PER_UNIT * amount
    if i != data.lines[line][0] and data.on_wheel_applies[segment] and data.on_wheel_w[i] < data.peak_w[i]:
        share = (data.on_wheel_w[i] + extra_w) / rider.cp_w
        return ("wheel",), share, f"limits.on_wheel_share_of_cp at least {share:.2f} for {names[i]} {at(segment)}"
    needed_w = data.peak_w[i] + extra_w
    return ("peak", names[i]), amount, f"peak_power_w of {names[i]} at least {needed_w:.0f} {at(segment)}"
