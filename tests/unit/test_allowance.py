"""Parts of the time that a piece of work may take: arithmetic on a clock of the test's own."""

from __future__ import annotations

import math

from ttt_opt.allowance import ENDLESS, Allowance


class Clock:
    """Says what it is told to say."""

    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def test_a_part_is_of_what_is_left_and_begins_now() -> None:
    clock = Clock()
    whole = Allowance.of(60.0, clock)
    clock.now_s = 120.0
    half = whole.part(0.5)
    assert half.seconds == 20.0
    clock.now_s = 120.0 + 20.0
    assert not half.over()
    clock.now_s += 0.1
    assert half.over()
    assert not whole.over()
    clock.now_s = 160.1
    assert whole.over()


def test_equal_parts_of_what_is_left_use_it_up() -> None:
    """What one part does not use goes to those after it, and what it takes too much comes from them."""
    clock = Clock()
    whole = Allowance.of(30.0, clock)
    used_s = (5.0, 15.0, 10.0)
    for number, seconds in enumerate(used_s):
        part = whole.part(1.0 / (len(used_s) - number))
        assert part.seconds == (30.0 - sum(used_s[:number])) / (len(used_s) - number)
        clock.now_s += seconds
    assert not whole.over()
    assert whole.part(1.0).seconds == 0.0


def test_nothing_is_left_of_an_allowance_that_is_over() -> None:
    clock = Clock()
    whole = Allowance.of(1.0, clock)
    clock.now_s += 5.0
    part = whole.part(0.5)
    assert part.seconds == 0.0
    clock.now_s += 0.1
    assert part.over()


def test_an_endless_allowance_has_endless_parts() -> None:
    assert not ENDLESS.over()
    assert ENDLESS.part(0.1).seconds == math.inf
    assert not ENDLESS.part(0.1).over()
