"""An outside judge: team-pursuit races that the general-purpose package nevergrad ships, by that package's simulator.

    python benchmarks/track_judge.py [--race men|women] [--budget N ...] [--seeds N] [--method NAME ...]

A plan is whether the leader swings off at each half lap, and the front power of each half lap (200 to 1200 W). The
simulator says how long the race takes, or 10000 s where too few riders have energy left. Our search, with nothing but
that number: begin with few changeovers, a hard start and one power, found by bisection; then small changes of pulls and
powers, where watts that cost no time are saved for where they gain some, and a plan may for a while be slower. The
library's optimisers get the same number of evaluations.

References
----------
Wagner, Day, Jordan, Kroeger & Neumann (2013), Evolving pacing strategies for team pursuit track cycling, Advances in
Metaheuristics, Springer.
Burke & Bykov (2017), The late acceptance hill-climbing heuristic, Eur J Oper Res 258, 70-78.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import time
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, field
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from results import ROOT, run_name, surroundings
from ttt_opt.writing import write_results

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LEAST_W, MOST_W = 200.0, 1200.0
"""Front powers that the simulator accepts (W)."""
RACES = {"men": 61, "women": 45}
"""Numbers of the races in the library: changeovers and powers together."""
OURS = "ours"
LIBRARY = ("DE", "TwoPointsDE", "CMA", "PSO", "DiscreteOnePlusOne")
BUDGETS = (1500, 15000)
NO_FINISH_S = 10000.0
"""What the simulator says where the team does not finish (s)."""
PULLS, FIRST_PULLS, FIRST_POWERS, LAST_POWERS = (3, 5, 7), (1, 2), (1.0, 2.0, 2.5), (1.0, 0.5)
"""What is tried at first: half laps of a pull and of the first one, power of the first and of the last half lap over
that of the others; a line accelerates hard, and need not finish with speed to spare."""
BISECTIONS = 4
FIRST_W = (300.0, 700.0)
"""Steps that find the highest power of each such plan, and powers between which they do (W)."""
PRICE_S_PER_W = 0.003
"""Worth of a watt saved in one half lap (s), below what it gains elsewhere: powers fall where that costs no time."""
MEMORY_SHARE = 0.01
"""A change is taken if the plan is no worse than the one so many changes ago: share of the evaluations."""
SMALLEST_W, LARGEST_W = 0.5, 300.0
"""Sizes of changes of power."""
ANOTHER, OF_CHANGEOVER, AT_RANDOM, SHIFTED = 0.4, 0.15, 0.05, 0.3
"""How likely it is that one more thing is changed; that it is a changeover; that it is a power anywhere between its
bounds; that power is shifted between two half laps instead of added."""


@dataclass(frozen=True)
class TrackPlan:
    """A plan of a team pursuit: changeovers ``(n_half_laps - 1,)``, front powers ``(n_half_laps,)`` (W), time (s)."""

    changes: BoolArray
    power_w: FloatArray
    time_s: float

    @property
    def worth_s(self) -> float:
        """Time, and what the power is worth elsewhere (s)."""
        return self.time_s + PRICE_S_PER_W * float(self.power_w.sum())


@dataclass
class Judge:
    """The simulator of a race, which counts how often it is asked."""

    race: str
    budget: int
    n_asked: int = 0
    best: TrackPlan | None = None
    improved: list[tuple[int, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        from nevergrad.functions.cycling import Cycling  # an extra

        self._function = Cycling(RACES[self.race])
        self.parametrization = self._function.parametrization
        self.n_half_laps = len(self.parametrization.value[1]["pacing"])

    @property
    def is_over(self) -> bool:
        """All evaluations are used."""
        return self.n_asked >= self.budget

    def ask(self, changes: BoolArray, power_w: FloatArray) -> TrackPlan:
        """Ride a plan."""
        value = ((), {"transition": tuple(bool(change) for change in changes), "pacing": power_w})
        return self.keep(changes, power_w, float(self._function(value)))

    def keep(self, changes: BoolArray, power_w: FloatArray, time_s: float) -> TrackPlan:
        """Count a ride, and remember the best."""
        self.n_asked += 1
        plan = TrackPlan(np.array(changes, dtype=np.bool_), np.array(power_w, dtype=np.float64), time_s)
        if self.best is None or time_s < self.best.time_s:
            self.best = plan
            self.improved.append((self.n_asked, time_s))
        return plan


def regular(n_half_laps: int, first: int, length: int) -> BoolArray:
    """Changeovers of pulls of one length (half laps) after a first one of its own."""
    changes = np.zeros(n_half_laps - 1, dtype=np.bool_)
    changes[first - 1 :: length] = True
    return changes


def beginning(judge: Judge) -> TrackPlan:
    """The best of the regular patterns of pulls, each with the highest power that it can be ridden with."""
    found: list[TrackPlan] = []
    for length, first, first_power, last_power in product(PULLS, FIRST_PULLS, FIRST_POWERS, LAST_POWERS):
        changes = regular(judge.n_half_laps, first, length)
        low, high = FIRST_W
        for _ in range(BISECTIONS):
            if judge.is_over:
                break
            level = 0.5 * (low + high)
            power = np.full(judge.n_half_laps, level)
            power[0] *= first_power
            power[-1] *= last_power
            found.append(judge.ask(changes, np.clip(power, LEAST_W, MOST_W)))
            low, high = (level, high) if found[-1].time_s < NO_FINISH_S else (low, level)
    return min(found, key=lambda plan: plan.time_s)


def changed(plan: TrackPlan, draw: np.random.Generator) -> tuple[BoolArray, FloatArray]:
    """A plan with one or a few things changed, mostly by little: powers, changeovers made, dropped or moved."""
    changes, power = plan.changes.copy(), plan.power_w.copy()
    while True:
        kind, at = draw.random(), int(draw.integers(len(power)))
        if kind < OF_CHANGEOVER:
            held = np.flatnonzero(changes)
            if len(held) and draw.random() < 0.5:
                old = int(draw.choice(held))
                new = int(np.clip(old + draw.choice((-1, 1)), 0, len(changes) - 1))
                changes[old], changes[new] = changes[new], changes[old]
            else:
                at = min(at, len(changes) - 1)
                changes[at] = ~changes[at]
        elif kind < OF_CHANGEOVER + AT_RANDOM:
            power[at] = draw.uniform(LEAST_W, MOST_W)
        else:
            size = float(np.exp(draw.uniform(np.log(SMALLEST_W), np.log(LARGEST_W)))) * draw.choice((-1.0, 1.0))
            power[at] += size
            if draw.random() < SHIFTED:
                power[int(draw.integers(len(power)))] -= size
        if draw.random() >= ANOTHER:
            return changes, np.clip(power, LEAST_W, MOST_W)


def search_ours(judge: Judge, seed: int) -> None:
    """Late-acceptance hill climbing from the best regular pattern."""
    draw = np.random.default_rng(seed)
    now = beginning(judge)
    memory = [now.worth_s] * max(int(MEMORY_SHARE * judge.budget), 1)
    step = 0
    while not judge.is_over:
        candidate = judge.ask(*changed(now, draw))
        place = step % len(memory)
        if candidate.worth_s <= max(now.worth_s, memory[place]):
            now = candidate
        memory[place] = min(memory[place], now.worth_s)
        step += 1


def search_by_library(judge: Judge, optimiser: str, seed: int) -> None:
    """An optimiser of the library."""
    import nevergrad  # an extra

    judge.parametrization.random_state.seed(seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library, on its own inner workings
        search = nevergrad.optimizers.registry[optimiser](judge.parametrization, budget=judge.budget)
        while not judge.is_over:
            asked = search.ask()
            plan = judge.ask(np.array(asked.value[1]["transition"]), asked.value[1]["pacing"])
            search.tell(asked, plan.time_s)


@dataclass(frozen=True)
class Judged:
    """The best time (s) of a method, and when it was found: (evaluations, time) of each improvement."""

    race: str
    method: str
    budget: int
    seed: int
    time_s: float
    seconds: float
    changes: list[bool]
    power_w: list[float]
    improved: list[tuple[int, float]]


def judged(race: str, method: str, budget: int, seed: int) -> Judged:
    """One method on one race."""
    began = time.perf_counter()
    judge = Judge(race, budget)
    if method == OURS:
        search_ours(judge, seed)
    else:
        search_by_library(judge, method, seed)
    assert judge.best is not None and judge.n_asked == budget
    best = judge.best
    seconds = round(time.perf_counter() - began, 1)
    return Judged(
        race, method, budget, seed, best.time_s, seconds, best.changes.tolist(), best.power_w.tolist(), judge.improved
    )


def run(
    races: list[str], methods: list[str], budgets: list[int], n_seeds: int, tell: Callable[[list[Judged]], None]
) -> list[Judged]:
    """All methods on all races, on all cores."""
    jobs = [
        (race, method, budget, seed)
        for budget in budgets
        for seed in range(n_seeds)
        for method in methods
        for race in races
    ]
    done: list[Judged] = []
    with ProcessPoolExecutor(os.cpu_count(), mp_context=multiprocessing.get_context("spawn")) as pool:
        for future in as_completed([pool.submit(judged, *job) for job in jobs]):
            done.append(future.result())
            tell(done)
    return done


def main() -> None:
    """Read the command line, run, write the results."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--race", action="append", choices=sorted(RACES))
    parser.add_argument("--method", action="append", choices=(OURS, *LIBRARY))
    parser.add_argument("--budget", action="append", type=int, metavar="N")
    parser.add_argument("--seeds", type=int, default=3, metavar="N")
    parser.add_argument("--out", type=Path, default=ROOT / "benchmarks" / "results", metavar="FOLDER")
    given = parser.parse_args()
    budgets = given.budget or list(BUDGETS)
    about = surroundings({"budgets": budgets, "seeds": given.seeds})
    name = run_name(about, f"track-{'-'.join(str(budget) for budget in budgets)}")

    def tell(done: list[Judged]) -> None:
        last = done[-1]
        print(f"{last.race:6} {last.method:20} {last.budget:6} seed {last.seed} {last.time_s:9.3f} s", flush=True)
        rows = ",\n".join(json.dumps(asdict(row)) for row in done)
        write_results(given.out, {f"{name}.json": f'{{"about": {json.dumps(about)}, "rows": [\n{rows}\n]}}\n'})

    run(given.race or list(RACES), given.method or [OURS, *LIBRARY], budgets, given.seeds, tell)


if __name__ == "__main__":
    main()
