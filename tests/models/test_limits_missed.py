"""Infeasible by each limit in turn: the answer names that limit, and a change to what it names makes a plan possible.

In each race the pulls are given and the speeds nearly so, so that one limit alone stands in the way.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tiny_rotations import TinyRider, TinyRotation, make_rotation

from ttt_opt.limits_missed import limits_missed
from ttt_opt.race import Limits, Race
from ttt_opt.rotation_paths import CompiledRotation, compile_rotation
from ttt_opt.rotation_search import PathValuer
from ttt_opt.team import Rider, Team

NAMES = ("Arne", "Bela", "Carl")
PULLS = ((0, 2, 0), (2, 4, 1), (4, 6, 2))
SEGMENT_M = 200.0
STEADY = np.full((6, 1), 12.5) * (0.999, 1.0)
FASTER = np.sqrt(np.array([[156.25]] * 3 + [[178.125]] + [[200.0]] * 2)) * (0.999, 1.0)
"""Speeds that nearly leave no choice (m/s)."""
LIMITS = Limits(surge_w=10.0, surge_kmh=0.36, w_prime_reserve_j=1000.0, on_wheel_share_of_cp=0.5)


def given_pulls(rider: TinyRider | None = None, **settings: Any) -> TinyRotation:
    """Three equal riders of whom each pulls once."""
    usual: dict[str, Any] = {"speed_mps": STEADY, "flying_start": True, "kinetic": False}
    tiny = make_rotation((rider or TinyRider(),) * 3, (SEGMENT_M,) * 6, **usual | settings)
    return tiny.changed(kept_pulls=PULLS, only_kept=True)


def phrases(tiny: TinyRotation) -> tuple[str, ...]:
    """What stands in the way of these pulls."""
    whole = compile_rotation(tiny.data)
    assert isinstance(whole, CompiledRotation)
    values = PathValuer(whole).value((0, 1, 2)).values
    assert values is not None
    riders = tuple(Rider(name, 71.5, 320.0, 20000.0, 0.24, peak_power_w=900.0) for name in NAMES)
    race = Race("Given", Team("Equal", riders), Path("none.gpx"), limits=LIMITS)
    segments: Any = SimpleNamespace(start_m=SEGMENT_M * np.arange(6))
    return tuple(str(missed) for missed in limits_missed(race, segments, whole, values))


def test_nothing_is_named_where_every_limit_is_kept() -> None:
    assert phrases(given_pulls()) == ()


def test_infeasible_by_the_rise_of_front_power() -> None:
    (told,) = phrases(given_pulls(speed_mps=FASTER, surge_w=10.0))
    found = re.fullmatch(r"limits\.surge_w at least (\d+) at 0\.[68]0 km", told)
    assert found is not None
    assert int(found[1]) > 20
    assert phrases(given_pulls(speed_mps=FASTER, surge_w=float(found[1]) + 1.0)) == ()
    assert phrases(given_pulls(speed_mps=FASTER, surge_w=float(found[1]) - 2.0)) != ()


def test_infeasible_by_the_fall_of_front_power() -> None:
    """One limit of the race file holds for rise and fall alike."""
    (told,) = phrases(given_pulls(speed_mps=FASTER[::-1], drop_w=10.0))
    found = re.fullmatch(r"limits\.surge_w at least (\d+) at 0\.[46]0 km", told)
    assert found is not None
    assert phrases(given_pulls(speed_mps=FASTER[::-1], drop_w=float(found[1]) + 1.0)) == ()
    assert phrases(given_pulls(speed_mps=FASTER[::-1], drop_w=float(found[1]) - 2.0)) != ()


def test_infeasible_by_the_rise_of_speed() -> None:
    (told,) = phrases(given_pulls(speed_mps=FASTER, surge_mps=0.1))
    found = re.fullmatch(r"limits\.surge_kmh at least (\d+\.\d) at 0\.[68]0 km", told)
    assert found is not None
    assert float(found[1]) == pytest.approx(3.6 * (FASTER[3, 1] - 12.5), abs=0.15)
    assert phrases(given_pulls(speed_mps=FASTER, surge_mps=float(found[1]) / 3.6 + 0.02)) == ()


def test_infeasible_by_power_on_a_wheel() -> None:
    (told,) = phrases(given_pulls(on_wheel_share=0.5))
    found = re.fullmatch(r"limits\.on_wheel_share_of_cp at least (\d\.\d\d) for (\w+) at \d\.\d\d km", told)
    assert found is not None
    assert found[2] in NAMES
    assert phrases(given_pulls(on_wheel_share=float(found[1]) + 0.01)) == ()
    assert phrases(given_pulls(on_wheel_share=float(found[1]) - 0.02)) != ()


def test_infeasible_by_peak_power() -> None:
    weak = TinyRider(peak_w=250.0)
    told = phrases(given_pulls(weak))
    needed = [re.fullmatch(r"peak_power_w of (\w+) at least (\d+) at \d\.\d\d km", phrase) for phrase in told]
    assert {found[1] for found in needed if found} == set(NAMES)
    most = max(int(found[2]) for found in needed if found)
    assert phrases(given_pulls(TinyRider(peak_w=most + 1.0))) == ()


def test_infeasible_by_the_reserve_of_w_prime() -> None:
    told = phrases(given_pulls(TinyRider(spare_j=500.0, cp_w=300.0)))
    needed = [re.fullmatch(r"limits\.w_prime_reserve_j at most (\d+) for (\w+)", phrase) for phrase in told]
    assert {found[2] for found in needed if found} == set(NAMES)
    least = min(int(found[1]) for found in needed if found)
    assert 0 <= least < 1000
    tiny = given_pulls(TinyRider(spare_j=500.0, cp_w=300.0))
    assert phrases(tiny.changed(reserve_j=np.full(3, least - 1.0))) == ()


def test_infeasible_even_without_a_reserve_of_w_prime() -> None:
    """A reserve below nothing is no advice: more W' is."""
    told = phrases(given_pulls(TinyRider(spare_j=10.0, cp_w=270.0)))
    needed = [
        re.fullmatch(r"limits\.w_prime_reserve_j at 0 and (\d+) J more w_prime_j of (\w+)", phrase) for phrase in told
    ]
    assert {found[2] for found in needed if found} == set(NAMES)
    more_j = max(int(found[1]) for found in needed if found)
    tiny = given_pulls(TinyRider(spare_j=10.0, cp_w=270.0))
    assert phrases(tiny.changed(reserve_j=np.zeros(3), w_prime_j=tiny.data.w_prime_j + more_j + 1.0)) == ()


def test_infeasible_by_the_longest_pull() -> None:
    (told,) = phrases(given_pulls(longest_s=25.0))
    found = re.fullmatch(r"a pull (\d+) % outside limits\.pulls of (\w+) at \d\.\d\d km", told)
    assert found is not None
    assert phrases(given_pulls(longest_s=25.0 * (1.0 + 0.01 * float(found[1])) + 1.0)) == ()


def test_infeasible_by_the_shortest_pull() -> None:
    (told,) = phrases(given_pulls(shortest_s=45.0))
    assert re.fullmatch(r"a pull (\d+) % outside limits\.pulls of (\w+) at \d\.\d\d km", told)
