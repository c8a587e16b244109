"""Where no plan keeps all limits: which limits one plan would have to miss, and by how much they would have to move."""

from __future__ import annotations

from dataclasses import dataclass

from ttt_models.rotation import JOULE_PER_UNIT, RotationData
from ttt_opt.race import Race
from ttt_opt.rotation_paths import CompiledRotation
from ttt_opt.segments import Segments
from ttt_opt.solver import FloatArray

NOTABLE = {"pull_amiss": 0.02, "surge_amiss": 5e-4, "speed_amiss": 0.01, "power_amiss": 1e-3, "reserve_amiss": 0.01}
"""Amounts below this are rounding: a share, kW, m/s, kW, kJ."""


@dataclass(frozen=True)
class MissedLimit:
    """A limit that a plan misses.

    Attributes
    ----------
    limit : str
        As the files name it; a rider's peak power with the rider.
    where : str
        Who and where the plan misses it most.
    needs : str
        What the limit would have to be for this plan.
    """

    limit: str
    where: str
    needs: str

    def __str__(self) -> str:
        return f"{self.needs} {self.where}" if self.where else self.needs


def limits_missed(
    race: Race, segments: Segments, compiled: CompiledRotation, values: FloatArray
) -> tuple[MissedLimit, ...]:
    """Each limit that a plan misses, once, with the worst place.

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
    worst: dict[tuple[str, ...], tuple[float, MissedLimit]] = {}
    for column, kind, index in compiled.amiss:
        amount = float(values[column])
        if amount <= NOTABLE[kind]:
            continue
        key, excess, missed = _missed(race, segments, data, kind, index, amount)
        if key not in worst or excess > worst[key][0]:
            worst[key] = excess, missed
    return tuple(missed for _, missed in worst.values())


def _missed(
    race: Race, segments: Segments, data: RotationData, kind: str, index: int | tuple[int, ...], amount: float
) -> tuple[tuple[str, ...], float, MissedLimit]:
    """What to count as one limit, how much it is exceeded, and what it would have to be."""
    limits, names = race.limits, [rider.name for rider in race.team.riders]
    place = index[0] if isinstance(index, tuple) else index

    def at(segment: int) -> str:
        return f"at {segments.start_m[segment] / 1000.0:.2f} km"

    if kind == "reserve_amiss":
        limit, rider = "limits.w_prime_reserve_j", names[place]
        left_j = limits.w_prime_reserve_j - JOULE_PER_UNIT * amount
        if left_j < 0.0:
            needs = f"{limit} at 0 and {-left_j:.0f} J more w_prime_j"
            return (kind, rider), amount, MissedLimit(limit, f"of {rider}", needs)
        return (kind, rider), amount, MissedLimit(limit, f"for {rider}", f"{limit} at most {left_j:.0f}")
    if kind == "surge_amiss":
        needed = limits.surge_w + JOULE_PER_UNIT * amount
        return (kind,), amount, MissedLimit("limits.surge_w", at(place), f"limits.surge_w at least {needed:.0f}")
    if kind == "speed_amiss":
        needed = limits.surge_kmh + 3.6 * amount
        return (kind,), amount, MissedLimit("limits.surge_kmh", at(place), f"limits.surge_kmh at least {needed:.1f}")
    if kind == "pull_amiss":
        arc = data.arcs[place]
        leader = names[data.lines[arc.line][0]]
        needs = f"a pull {100.0 * amount:.0f} % outside limits.pulls"
        return (kind,), amount, MissedLimit("limits.pulls", f"of {leader} {at(arc.first)}", needs)
    assert isinstance(index, tuple)
    segment, line, i = index
    rider, extra_w = names[i], JOULE_PER_UNIT * amount
    if i != data.lines[line][0] and data.on_wheel_applies[segment] and data.on_wheel_w[i] < data.peak_w[i]:
        limit = "limits.on_wheel_share_of_cp"
        share = (data.on_wheel_w[i] + extra_w) / race.team.riders[i].cp_w
        return ("wheel",), share, MissedLimit(limit, f"for {rider} {at(segment)}", f"{limit} at least {share:.2f}")
    limit, needed = f"peak_power_w of {rider}", data.peak_w[i] + extra_w
    return ("peak", rider), amount, MissedLimit(limit, at(segment), f"{limit} at least {needed:.0f}")
