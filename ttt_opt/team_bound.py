"""A time below which no plan of a team can be, in about a second: for cutting off teams that cannot be the best.

Notes
-----
What is left out makes a team faster, so the bound holds: the line may be in any order and change it anywhere at no
cost, riders need no energy for the start, out of bends and for swinging off, and neither pulls nor surges have limits.
What is kept: every stretch of road is ridden by a line whose leader is in the wind, at one speed, at or below the top
speed and the caps of the bends; every rider has critical power for as long as the race lasts, and may use W' down to
the reserve; what has not been spent cannot come back; and W' comes back at no more than the share that the emptiest
store allowed has. Where riders may be dropped, every line with enough riders is allowed everywhere.

The road is cut into blocks. Over all such rides the Lagrangian dual is maximised: W' of each rider has a price in each
block, and at these prices every segment takes its cheapest line and speed. Any prices give a bound; good ones a sharp
one. They are found by a cutting-plane method: a small linear programme over what the blocks cost at the prices tried
so far proposes the next ones.

References
----------
Geoffrion 1974, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 82-114: weak duality.
Kelley 1960, "The cutting-plane method for solving convex programs", J. SIAM 8, 703-712.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from ttt_opt.drafting import draft_shares, sheltered_share
from ttt_opt.physics import road_load_power, yaw_angle
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import Race
from ttt_opt.rotation_problem import Road

FloatArray = NDArray[np.float64]

SLOWEST_MPS, SPEED_STEP = 1.0, 1.007
"""Speeds that are tried: from walking pace, below which no ride falls, to the segment's highest one, each so much above
the one before."""
BETWEEN_SPEEDS = 1e-4
"""What a speed between those tried could gain (share of the time) is less; it is taken off the bound."""
MOST_LINES = 130
"""Where more lines than this are possible, all who follow get the best place: a little less sharp."""
BLOCK_S = 100.0
"""Blocks of the road are about so long (s), and end where the terrain changes."""
MOST_STEPS, CLOSE_ENOUGH = 25, 3e-4
"""Prices that are tried, and how close the linear programme and the best dual value come before the search ends."""
HIGHEST_PRICE_S_PER_KJ = 100.0
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
    ground = _Ground(road, race)
    if share is not None:
        return ground.best_bound(share)
    bound_s, sustained = 0.0, 1.0
    for _ in range(ROUNDS_OF_DURATION):  # no plan is faster than a bound, so none may use a larger share of CP
        bound_s = max(bound_s, ground.best_bound(sustained))
        if float(sustainable_share(bound_s)) >= sustained:
            break
        sustained = float(sustainable_share(bound_s))
    return bound_s


class _Ground:
    """What every rider needs in every line at every speed, per segment."""

    def __init__(self, road: Road, race: Race) -> None:
        riders = race.team.riders
        n_riders = len(riders)
        cap = np.minimum(road.segments.speed_cap_mps, race.limits.top_speed_mps)
        n_speeds = math.ceil(math.log(float(cap.max()) / SLOWEST_MPS) / math.log(SPEED_STEP))
        self.speed = cap[:, None] * SPEED_STEP ** np.arange(-n_speeds, 1)
        self.time = road.length_m[:, None] / self.speed
        self.lines, self.shares = _lines(race, race.rules.counting_rider or n_riders)
        yaw = yaw_angle(self.speed, road.headwind_mps[:, None], road.crosswind_mps[:, None])
        self.alone, self.saved = [], []
        for rider in riders:
            in_wind, in_half = (
                road_load_power(
                    self.speed,
                    mass_kg=rider.total_mass_kg,
                    drag_area_m2=rider.cda_m2 * np.asarray(sheltered_share(share, yaw)),
                    grade=road.segments.grade[:, None],
                    headwind_mps=road.headwind_mps[:, None],
                    air_density=road.air_density[:, None],
                    crr=race.crr,
                )
                for share in (1.0, 0.5)
            )
            self.alone.append(in_wind)
            self.saved.append(2.0 * (in_wind - in_half))  # power falls linearly with the share of the drag
        self.cp_w = np.array([rider.cp_w for rider in riders])
        self.full_j = np.array([max(rider.w_prime_j - race.limits.w_prime_reserve_j, 0.0) for rider in riders])
        emptiest = self.full_j / np.array([rider.w_prime_j for rider in riders])
        self.recovery = emptiest if race.recovery == "differential" else np.full(n_riders, race.recovery_share)
        self.block = _blocks(road)

    def uses(self, sustained: float) -> dict[tuple[int, float], FloatArray]:
        """W' that each rider uses in each place, ``(n_segments, n_speeds)`` (kJ), negative where it comes back."""
        found = {}
        for line, shares in zip(self.lines, self.shares, strict=True):
            for rider, share in zip(line, shares, strict=True):
                if (rider, share) not in found:
                    power = np.maximum(self.alone[rider] - (1.0 - share) * self.saved[rider], 0.0)
                    beyond = (power - sustained * self.cp_w[rider]) * self.time / 1000.0
                    found[rider, share] = np.where(beyond > 0.0, beyond, beyond * self.recovery[rider])
        return found

    def cheapest(self, price: FloatArray, uses: dict[tuple[int, float], FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Time ``(n_blocks,)`` (s) and use ``(n_blocks, n_riders)`` (kJ) of the cheapest ride at prices (s/kJ)."""
        n_blocks, n_riders = price.shape
        rows = np.arange(len(self.time))
        paid = price[self.block]
        worth = {key: paid[:, key[0], None] * use for key, use in uses.items()}
        best, time = np.full(len(rows), np.inf), np.zeros(len(rows))
        use = np.zeros((len(rows), n_riders))
        for line, shares in zip(self.lines, self.shares, strict=True):
            cost = self.time.copy()
            for key in zip(line, shares, strict=True):
                cost += worth[key]
            at = np.argmin(cost, axis=1)
            better = cost[rows, at] < best
            best[better] = cost[rows, at][better]
            time[better] = self.time[rows, at][better]
            use[better] = 0.0
            for key in zip(line, shares, strict=True):
                use[better, key[0]] = uses[key][rows, at][better]
        in_block = np.zeros((n_blocks, n_riders))
        np.add.at(in_block, self.block, use)
        return np.bincount(self.block, time, n_blocks).astype(np.float64), in_block

    def best_bound(self, sustained: float) -> float:
        """The largest dual value found with this share of critical power (s)."""
        uses = self.uses(sustained)
        n_blocks, n_riders = int(self.block[-1]) + 1, len(self.cp_w)
        master = _Master(n_blocks, n_riders, self.full_j / 1000.0)
        price, best = np.full((n_blocks, n_riders), 0.5), -math.inf
        for _ in range(MOST_STEPS):
            time, use = self.cheapest(price, uses)
            falls = np.maximum(price - np.vstack([price[1:], np.zeros(n_riders)]), 0.0)
            best = max(best, float(time.sum() + (price * use).sum() - (falls * self.full_j / 1000.0).sum()))
            master.add(time, use)
            price, most = master.prices()
            if most - best < CLOSE_ENOUGH * most:
                break
        return best * (1.0 - BETWEEN_SPEEDS)


class _Master:
    """The linear programme over what the blocks cost at the prices tried so far: it proposes the next prices."""

    def __init__(self, n_blocks: int, n_riders: int, full_kj: FloatArray) -> None:
        self.shape = (n_blocks, n_riders)
        n_prices = n_blocks * n_riders
        # columns: prices, their falls to the next block, the value of each block
        self.gain = np.concatenate([np.zeros(n_prices), np.tile(full_kj, n_blocks), -np.ones(n_blocks)])
        fall = np.zeros((n_prices, 2 * n_prices + n_blocks))
        for row in range(n_prices):
            fall[row, row], fall[row, n_prices + row] = 1.0, -1.0
            if row + n_riders < n_prices:
                fall[row, row + n_riders] = -1.0
        self.rows, self.right = [fall], [np.zeros(n_prices)]
        self.bounds = [(0.0, HIGHEST_PRICE_S_PER_KJ)] * n_prices + [(0.0, None)] * n_prices + [(None, None)] * n_blocks

    def add(self, time_s: FloatArray, use_kj: FloatArray) -> None:
        """At any prices a block costs no more than this ride of it."""
        n_blocks, n_riders = self.shape
        rows = np.zeros((n_blocks, len(self.gain)))
        for block in range(n_blocks):
            rows[block, block * n_riders : (block + 1) * n_riders] = -use_kj[block]
            rows[block, 2 * n_blocks * n_riders + block] = 1.0
        self.rows.append(rows)
        self.right.append(time_s)

    def prices(self) -> tuple[FloatArray, float]:
        """Prices that are best as far as is known, and the value that they promise (s)."""
        solved = linprog(
            self.gain, A_ub=np.vstack(self.rows), b_ub=np.concatenate(self.right), bounds=self.bounds, method="highs"
        )
        n_prices = self.shape[0] * self.shape[1]
        return solved.x[:n_prices].reshape(self.shape), float(-solved.fun)


def _blocks(road: Road) -> NDArray[np.int64]:
    """Number of the block of each segment ``(n_segments,)``."""
    usual_mps = 12.0
    block, begun_m, number = np.zeros(road.n_segments, dtype=np.int64), 0.0, 0
    for s in range(1, road.n_segments):
        begun_m += float(road.length_m[s - 1])
        if road.segments.terrain[s] != road.segments.terrain[s - 1] or begun_m > BLOCK_S * usual_mps:
            number, begun_m = number + 1, 0.0
        block[s] = number
    return block


def _lines(race: Race, fewest: int) -> tuple[list[tuple[int, ...]], list[tuple[float, ...]]]:
    """Lines, the leader first, and the draft share of each of their places."""
    riders = range(len(race.team.riders))
    places = {
        n: [float(s) for s in draft_shares(race.drafting, n, race.wheel_gap_m)] for n in range(fewest, len(riders) + 1)
    }
    exact = sum(math.perm(len(riders), n) for n in places) <= MOST_LINES
    lines, shares = [], []
    for n, share in places.items():
        for leader in riders:
            if not race.team.riders[leader].pulls:
                continue
            others = [rider for rider in riders if rider != leader]
            for rest in itertools.permutations(others, n - 1) if exact else itertools.combinations(others, n - 1):
                lines.append((leader, *rest))
                shares.append(tuple(share) if exact else (share[0], *[min(share[1:], default=1.0)] * (n - 1)))
    return lines, shares
