"""A time below which no plan of a team can be, in a second or less: for cutting off teams that cannot be the best.

Notes
-----
What is left out makes a team faster, so the bound holds: the line may be in any order and change it at any place at no
cost, riders need no energy for the start, out of bends and for swinging off, pulls have no limits and surges neither, W'
may be spent before it has been won back. What is kept: every stretch of road is ridden by a line whose leader is in the
wind, at one speed, at or below the top speed and the caps of the bends; every rider has critical power for as long as
the race lasts, and may use W' down to the reserve; and W' comes back at no more than the share that the emptiest store
allowed has. Where riders may be dropped, every line with enough riders is allowed everywhere.

Over all such rides the Lagrangian dual is maximised: with a price of W' for each rider, every stretch of road takes its
cheapest line and speed. Any prices give a bound; good ones a sharp one.

References
----------
Geoffrion 1974, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 82-114: weak duality.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from ttt_opt.drafting import draft_shares, sheltered_share
from ttt_opt.physics import road_load_power, yaw_angle
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import Race
from ttt_opt.rotation_problem import Road

FloatArray = NDArray[np.float64]

SLOWEST_MPS, SPEED_STEP = 1.5, 1.004
"""Speeds that are tried are this much apart, as a ratio; what a speed between them could gain is below 0.001 % of the
time, and is taken off the bound (:data:`BETWEEN_SPEEDS`)."""
BETWEEN_SPEEDS = 1e-5
MOST_LINES = 130
"""Where more lines than this are possible, all who follow get the best place: a little less sharp."""
MOST_STEPS = 60
ROUNDS_OF_DURATION = 2


def team_bound(road: Road, race: Race) -> float:
    """Time below which no plan of the race's team can be (s).

    Parameters
    ----------
    road : Road
    race : Race

    Returns
    -------
    float
        A lower bound of the finish time of any plan of the model, and of its ride but for what the ride check
        tolerates.
    """
    share = race.limits.sustainable_share_of_cp
    bound_s, sustained = 0.0, 1.0 if share is None else share
    price = np.full(len(race.team.riders), 0.3)
    ground = _Ground(road, race)
    for _ in range(1 if share is not None else ROUNDS_OF_DURATION + 1):
        new, price = ground.best_bound(sustained, price)
        bound_s = max(bound_s, new)
        if share is None:  # no plan is faster than the bound, so none lasts shorter and has a larger share
            sustained = float(sustainable_share(bound_s))
    return bound_s


class _Ground:
    """Work of every rider in every line at every speed, per segment."""

    def __init__(self, road: Road, race: Race) -> None:
        riders = race.team.riders
        n = len(riders)
        cap = np.minimum(road.segments.speed_cap_mps, race.limits.top_speed_mps)
        n_speeds = int(np.ceil(np.log(race.limits.top_speed_mps / SLOWEST_MPS) / np.log(SPEED_STEP)))
        speed = SLOWEST_MPS * SPEED_STEP ** np.arange(n_speeds + 1)
        # only speeds that could matter: from half of to all of what is allowed
        self.speed = np.minimum(speed[None, :], cap[:, None])
        self.riders = riders
        self.time = road.length_m[:, None] / self.speed
        counting = race.rules.counting_rider or n
        self.lines, self.share = _lines(race, n, counting)
        yaw = yaw_angle(self.speed, road.headwind_mps[:, None], road.crosswind_mps[:, None])
        self.kept = 1.0 - np.asarray(sheltered_share(0.0, yaw))  # share = 1 - saving * kept
        parts = []
        for rider in riders:
            alone, sheltered = (
                road_load_power(
                    self.speed,
                    mass_kg=rider.total_mass_kg,
                    drag_area_m2=rider.cda_m2 * np.asarray(sheltered_share(fraction, yaw)),
                    grade=road.segments.grade[:, None],
                    headwind_mps=road.headwind_mps[:, None],
                    air_density=road.air_density[:, None],
                    crr=race.crr,
                )
                for fraction in (1.0, 0.5)
            )
            parts.append((alone, 2.0 * (alone - sheltered)))  # power alone, and what full shelter would save
        self.parts = parts
        self.full = np.array([max(rider.w_prime_j - race.limits.w_prime_reserve_j, 0.0) for rider in riders])
        emptiest = self.full / np.array([rider.w_prime_j for rider in riders])
        self.recovery = emptiest if race.recovery == "differential" else np.full(n, race.recovery_share)

    def dual(self, price: FloatArray, cp_w: FloatArray) -> tuple[float, FloatArray]:
        """Value of the dual at prices (s/J), and its slope."""
        n_segments = len(self.time)
        best = np.full(n_segments, np.inf)
        use_of_best = np.zeros((n_segments, len(price)))
        rows = np.arange(n_segments)
        uses: dict[tuple[int, float], FloatArray] = {}
        for line, shares in zip(self.lines, self.share, strict=True):
            cost = self.time.copy()
            for rider, share in zip(line, shares, strict=True):
                if (rider, share) not in uses:
                    alone, saved = self.parts[rider]
                    beyond = (np.maximum(alone - (1.0 - share) * saved, 0.0) - cp_w[rider]) * self.time
                    uses[rider, share] = np.where(beyond > 0.0, beyond, beyond * self.recovery[rider])
                cost += price[rider] * uses[rider, share]
            cheapest = np.argmin(cost, axis=1)
            better = cost[rows, cheapest] < best
            best = np.where(better, cost[rows, cheapest], best)
            use = np.zeros_like(use_of_best)
            for rider, share in zip(line, shares, strict=True):
                use[:, rider] = uses[rider, share][rows, cheapest]
            use_of_best[better] = use[better]
        return float(best.sum() - price @ self.full), use_of_best.sum(axis=0) - self.full

    def best_bound(self, sustained: float, price: FloatArray) -> tuple[float, FloatArray]:
        """The largest dual value found with this share of critical power (s), and its prices (s/kJ)."""
        cp_w = sustained * np.array([rider.cp_w for rider in self.riders])
        best = (-np.inf, price)

        def negative(price_s_per_kj: FloatArray) -> tuple[float, FloatArray]:
            nonlocal best
            value, slope = self.dual(price_s_per_kj / 1000.0, cp_w)
            if value > best[0]:
                best = (value, price_s_per_kj.copy())
            return -value, -slope / 1000.0

        minimize(
            negative, price, jac=True, method="L-BFGS-B", bounds=[(0.0, None)] * len(price),
            options={"maxfun": MOST_STEPS},
        )
        return best[0] * (1.0 - BETWEEN_SPEEDS), best[1]


def _lines(race: Race, n: int, counting: int) -> tuple[list[tuple[int, ...]], list[tuple[float, ...]]]:
    """Lines, the leader first, and the draft share of each of their places."""
    pulling = [i for i, rider in enumerate(race.team.riders) if rider.pulls]
    lines, shares = [], []
    counts = [
        (size, tuple(float(s) for s in draft_shares(race.drafting, size, race.wheel_gap_m)))
        for size in range(max(counting, 1), n + 1)
    ]
    n_lines = sum(len(list(itertools.permutations(range(n), size))) if n <= 6 else MOST_LINES + 1 for size, _ in counts)
    for size, share in counts:
        if n_lines <= MOST_LINES:
            for line in itertools.permutations(range(n), size):
                if line[0] in pulling:
                    lines.append(line)
                    shares.append(share)
            continue
        best = min(share[1:]) if size > 1 else 1.0
        for leader in pulling:
            for rest in itertools.combinations([i for i in range(n) if i != leader], size - 1):
                lines.append((leader, *rest))
                shares.append((share[0], *[best] * (size - 1)))
    return lines, shares
