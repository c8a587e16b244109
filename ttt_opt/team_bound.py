"""A time below which no plan of a team can be, in a few seconds: for cutting off teams that cannot be the best.

Notes
-----
What is left out makes a team faster, so the bound holds: the line may be in any order and change it anywhere at no
cost, all places behind the second are as good as the best of them, and neither pulls nor surges have limits. What is
kept: in every piece of road somebody leads, in the wind, and all ride at one speed that changes only by work and by
braking, from a standing start; speeds keep to the caps of the bends and to the top speed; nobody exceeds the limit on
a wheel where it holds, with what the ride check tolerates; every rider has critical power for as long as the race
lasts, and may use W' down to the reserve; what has not been spent cannot come back; and W' comes back at no more than
the share that the emptiest store allowed has. Where riders may be dropped, every line with enough riders is allowed
everywhere.

Over all such rides the Lagrangian dual is maximised: W' of each rider has a price in each block of the road, and at
these prices dynamic programming over the speeds at the ends of the pieces finds the cheapest ride. Any prices give a
bound; good ones a sharp one. They are proposed by a small linear programme over what the rides found so far would
cost, as in a cutting-plane method: first as if blocks were independent, which brings good prices quickly, then near
the best ones.

Speed squared is linear along a piece, as in the model; the first piece, from standstill, takes no longer than at the
speed at its end. Speeds are those of a grid, and what riding between them could gain is taken off
(:data:`BETWEEN_SPEEDS`): measured on the demo race at the same prices, three times as many speeds lower the bound by
0.13 %.

References
----------
Geoffrion 1974, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 82-114: weak duality.
Kelley 1960, "The cutting-plane method for solving convex programs", J. SIAM 8, 703-712.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from ttt_opt.drafting import behind_a_heavier_rider, sheltered_share
from ttt_opt.physics import DRIVETRAIN_EFFICIENCY, kinetic_mass, road_load_power, yaw_angle
from ttt_opt.physiology import sustainable_share
from ttt_opt.race import Race
from ttt_opt.ride import LARGEST_ACCELERATION_MPS2
from ttt_opt.ride_check import ON_WHEEL_TOLERANCE
from ttt_opt.rotation_problem import Road, reference_speed

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

N_SPEEDS = 36
"""Speeds at each end of a piece of road."""
SLOWEST_SHARE, FASTEST_SHARE = 0.70, 1.40
"""They lie between these shares of the reference speed at critical power."""
BETWEEN_SPEEDS = 0.0015
LONGEST_PIECE_M = 40.0
"""Segments on which riders accelerate are cut into pieces of at most this length (m)."""
PIECES_AT_ONCE = 16
"""Pieces of which costs are worked out at once: few enough for the processor's cache."""
BLOCK_M = 1200.0
"""Blocks of the road are at most about so long (m), and end where the terrain changes."""
FIRST_STEPS, MORE_STEPS, AGAIN_STEPS, CLOSE_ENOUGH = 8, 24, 12, 3e-4
"""Rides at prices of independent blocks, near the best prices, near those for another share of critical power; and
how close a promise comes before that ends."""
FIRST_RADIUS, CLOSEST_RADIUS, WIDER, CLOSER = 0.5, 0.1, 1.5, 0.7
"""How near: shares of the prices, the first one, the least for which a promise counts, and how it changes."""
SMALL_PRICE_S_PER_KJ = 0.05
HIGHEST_PRICE_S_PER_KJ = 100.0
FIRST_PRICE_S_PER_KJ = 0.5
ROUNDS_OF_DURATION = 2
IMPOSSIBLE_S = 1e6


def team_bound(road: Road, race: Race) -> float:
    """Time below which no plan of the race's team can be (s).

    Parameters
    ----------
    road : Road
    race : Race

    Returns
    -------
    float
        A lower bound of the finish time of any plan whose ride keeps the limits.
    """
    share = race.limits.sustainable_share_of_cp
    ground = _Ground(road, race)
    if share is not None:
        return ground.best_bound(share)[0]
    bound_s, sustained, price = 0.0, 1.0, None
    for _ in range(ROUNDS_OF_DURATION):  # no plan is faster than a bound, so none may use a larger share of CP
        found_s, price = ground.best_bound(sustained, price)
        bound_s = max(bound_s, found_s)
        if float(sustainable_share(bound_s)) >= sustained:
            break
        sustained = float(sustainable_share(bound_s))
    return bound_s


@dataclass(frozen=True)
class _Pieces:
    """The road in pieces, and the speeds at their ends.

    Attributes
    ----------
    segment, block : ndarray (n_pieces,) of int
        Where each piece lies.
    length_m : ndarray (n_pieces,)
    speed_mps : ndarray (n_pieces + 1, n_speeds)
        Rising; at the start all are zero.
    """

    segment: IntArray
    block: IntArray
    length_m: FloatArray
    speed_mps: FloatArray

    @classmethod
    def of(cls, road: Road, race: Race) -> _Pieces:
        """Cut a road."""
        changing = np.asarray(road.segments.accelerating) | np.asarray(road.segments.bend)
        parts = np.where(changing, np.ceil(road.length_m / LONGEST_PIECE_M), 1.0).astype(np.int64)
        segment = np.repeat(np.arange(road.n_segments), parts)
        reference = reference_speed(road, race, 1.0)
        later = np.maximum.accumulate(np.where(changing, 0.0, reference)[::-1])[::-1]  # they accelerate to no more
        fast = FASTEST_SHARE * np.where(changing, np.maximum(reference, later), reference)
        high = np.minimum(fast, race.limits.top_speed_mps)[segment]
        low = (SLOWEST_SHARE * reference)[segment]
        low = np.concatenate([low[:1], np.minimum(low[:-1], low[1:]), low[-1:]])
        high = np.concatenate([high[:1], np.maximum(high[:-1], high[1:]), high[-1:]])
        speed = np.geomspace(np.minimum(low, 0.5 * high), high, N_SPEEDS, axis=1)
        speed[0] = 0.0
        return cls(segment, _blocks(road)[segment], (road.length_m / parts)[segment], speed)


Place = tuple[int, float]
"""A rider and his draft share."""


class _Ground:
    """What every rider needs in every place at every speed, per piece of road ``(n_pieces, n_speeds, n_speeds)``."""

    def __init__(self, road: Road, race: Race) -> None:
        riders = race.team.riders
        self.pieces = pieces = _Pieces.of(road, race)
        self.lines = _lines(race, race.rules.counting_rider or len(riders))
        before, after = pieces.speed_mps[:-1, :, None], pieces.speed_mps[1:, None, :]
        length_m, s = pieces.length_m[:, None, None], pieces.segment
        mean_square = 0.5 * (before**2 + after**2)
        speed = np.sqrt(mean_square)
        self.time_s = length_m / np.where(before > 0.0, 0.5 * (before + after), after)
        cap = np.asarray(road.segments.speed_cap_mps)[s][:, None, None]
        in_bend = np.asarray(road.segments.bend)[s][:, None, None]
        self.impossible = (after**2 - before**2 > 2.0 * LARGEST_ACCELERATION_MPS2 * length_m) | (
            in_bend & (np.minimum(before, after) > cap)
        )
        headwind, crosswind = road.headwind_mps[s][:, None, None], road.crosswind_mps[s][:, None, None]
        yaw = yaw_angle(speed, headwind, crosswind)
        on_wheel_holds = ~np.asarray(road.segments.accelerating)[s][:, None, None]
        self.work_kj: dict[Place, FloatArray] = {}
        self.forbidden: dict[Place, NDArray[np.bool_]] = {}
        for number, share in {place for line in self.lines for place in line}:
            rider = riders[number]
            load_w = road_load_power(
                speed,
                mass_kg=rider.total_mass_kg,
                drag_area_m2=rider.cda_m2 * np.asarray(sheltered_share(share, yaw)),
                grade=road.segments.grade[s][:, None, None],
                headwind_mps=headwind,
                air_density=road.air_density[s][:, None, None],
                crr=race.crr,
            )
            kinetic = 0.5 * float(kinetic_mass(rider.total_mass_kg)) / DRIVETRAIN_EFFICIENCY
            work_j = load_w * length_m / speed + kinetic * (after**2 - before**2)
            self.work_kj[number, share] = np.maximum(work_j, 0.0) / 1000.0
            most_w = (race.limits.on_wheel_share_of_cp + ON_WHEEL_TOLERANCE) * rider.cp_w
            self.forbidden[number, share] = on_wheel_holds & (work_j > most_w * self.time_s)
        self.cp_w = np.array([rider.cp_w for rider in riders])
        full_j = np.array([rider.w_prime_j for rider in riders])
        self.full_kj = np.maximum(full_j - race.limits.w_prime_reserve_j, 0.0) / 1000.0
        emptiest = 1000.0 * self.full_kj / full_j
        self.recovery = emptiest if race.recovery == "differential" else np.full(len(riders), race.recovery_share)

    def uses(self, sustained: float) -> dict[Place, FloatArray]:
        """W' used with this share of critical power (kJ), negative where it comes back."""
        found = {}
        for (rider, share), work_kj in self.work_kj.items():
            beyond = work_kj - sustained * self.cp_w[rider] * self.time_s / 1000.0
            found[rider, share] = np.where(beyond > 0.0, beyond, beyond * self.recovery[rider])
        return found

    def cheapest(self, price: FloatArray, uses: dict[Place, FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Time ``(n_blocks,)`` (s) and use ``(n_blocks, n_riders)`` (kJ) of the cheapest ride at prices (s/kJ)."""
        paid = price[self.pieces.block]
        best = np.empty(self.time_s.shape)
        for begin in range(0, len(best), PIECES_AT_ONCE):
            self._cost(slice(begin, begin + PIECES_AT_ONCE), paid, uses, best)
        best[self.impossible] += IMPOSSIBLE_S
        reached, columns = np.zeros(N_SPEEDS), np.arange(N_SPEEDS)
        came_from = np.zeros((len(best), N_SPEEDS), dtype=np.int64)
        for piece, into in enumerate(best):
            total = reached[:, None] + into
            came_from[piece] = np.argmin(total, axis=0)
            reached = total[came_from[piece], columns]
        after = [int(np.argmin(reached))]
        for row in came_from[:0:-1]:
            after.append(int(row[after[-1]]))
        speeds = np.array(after[::-1])
        pieces = np.arange(len(best))
        ridden = (pieces, came_from[pieces, speeds], speeds)
        worth = {place: paid[:, place[0]] * use[ridden] for place, use in uses.items()}
        followed = {place: np.where(self.forbidden[place][ridden], IMPOSSIBLE_S, each) for place, each in worth.items()}
        costs = [worth[line[0]] + sum(followed[place] for place in line[1:]) for line in self.lines]
        chosen = np.argmin(costs, axis=0)
        n_blocks, n_riders = int(self.pieces.block[-1]) + 1, len(self.cp_w)
        time_s, use_kj = np.zeros(n_blocks), np.zeros((n_blocks, n_riders))
        np.add.at(time_s, self.pieces.block, self.time_s[ridden])
        for number, line in enumerate(self.lines):
            led = chosen == number
            for place in line:
                np.add.at(use_kj[:, place[0]], self.pieces.block[led], uses[place][ridden][led])
        return time_s, use_kj

    def _cost(self, pieces: slice, paid: FloatArray, uses: dict[Place, FloatArray], best: FloatArray) -> None:
        """Time and paid use of the cheapest line on some of the pieces, written into ``best`` (s)."""
        worth = {place: paid[pieces, place[0], None, None] * use[pieces] for place, use in uses.items()}
        followed = {place: np.where(self.forbidden[place][pieces], IMPOSSIBLE_S, cost) for place, cost in worth.items()}
        rests = {line[2:] for line in self.lines}
        behind = {rest: sum((followed[place] for place in rest), self.time_s[pieces]) for rest in rests}
        cheapest, cost = best[pieces], np.empty(best[pieces].shape)
        cheapest[:] = np.inf
        for line in self.lines:
            np.add(behind[line[2:]], worth[line[0]], out=cost)
            for place in line[1:2]:
                np.add(cost, followed[place], out=cost)
            np.minimum(cheapest, cost, out=cheapest)

    def best_bound(self, sustained: float, start: FloatArray | None = None) -> tuple[float, FloatArray]:
        """The largest dual value found with this share of critical power (s), and its prices (s/kJ).

        From good prices, such as those for another share, it is found near them.
        """
        uses = self.uses(sustained)
        n_riders = len(self.cp_w)
        master = _Master(int(self.pieces.block[-1]) + 1, n_riders, self.full_kj)
        price = np.full(master.shape, FIRST_PRICE_S_PER_KJ) if start is None else start
        apart = FIRST_STEPS if start is None else 0
        best_s, best_price, radius = -math.inf, price, FIRST_RADIUS
        for step in range(apart + (MORE_STEPS if start is None else AGAIN_STEPS)):
            time_s, use_kj = self.cheapest(price, uses)
            falls = np.maximum(price - np.vstack([price[1:], np.zeros(n_riders)]), 0.0)
            value_s = float(time_s.sum() + (price * use_kj).sum() - (falls * self.full_kj).sum())
            master.add(time_s, use_kj)
            better = value_s > best_s
            best_s, best_price = (value_s, price) if better else (best_s, best_price)
            if step < apart - 1:
                price, _ = master.prices(blocks_apart=True)
                continue
            if step >= max(apart, 1):
                radius *= WIDER if better else CLOSER
            near = radius * np.maximum(best_price, SMALL_PRICE_S_PER_KJ)
            price, most_s = master.prices(np.maximum(best_price - near, 0.0), best_price + near)
            if most_s - best_s < CLOSE_ENOUGH * best_s and radius > CLOSEST_RADIUS:
                break
        return best_s * (1.0 - BETWEEN_SPEEDS), best_price


class _Master:
    """A linear programme over what the rides found so far cost at any prices: it proposes the next ones."""

    def __init__(self, n_blocks: int, n_riders: int, full_kj: FloatArray) -> None:
        self.shape = (n_blocks, n_riders)
        self.rides: list[tuple[FloatArray, FloatArray]] = []
        n_prices = n_blocks * n_riders
        # columns: prices, their falls to the next block, the value of each block
        self.gain = np.concatenate([np.zeros(n_prices), np.tile(full_kj, n_blocks), -np.ones(n_blocks)])
        self.fall = np.zeros((n_prices, 2 * n_prices + n_blocks))
        for row in range(n_prices):
            self.fall[row, row], self.fall[row, n_prices + row] = 1.0, -1.0
            if row + n_riders < n_prices:
                self.fall[row, row + n_riders] = -1.0

    def add(self, time_s: FloatArray, use_kj: FloatArray) -> None:
        """At any prices the cheapest ride costs no more than this one."""
        self.rides.append((time_s, use_kj))

    def prices(
        self, low: FloatArray | None = None, high: FloatArray | None = None, *, blocks_apart: bool = False
    ) -> tuple[FloatArray, float]:
        """Prices within bounds that are best as far as is known, and the value that they promise (s).

        With the blocks apart each may be ridden as in another ride, as if they did not share the speed at their ends:
        so the promise means nothing, but the prices are good after a few rides.
        """
        n_blocks, n_riders = self.shape
        n_prices = n_blocks * n_riders
        rows, right = [], []
        for time_s, use_kj in self.rides:
            row = np.zeros((n_blocks, len(self.gain)))
            for block in range(n_blocks):
                row[block, block * n_riders : (block + 1) * n_riders] = -use_kj[block]
                row[block, 2 * n_prices + block] = 1.0
            rows.append(row if blocks_apart else row.sum(axis=0, keepdims=True))
            right.append(time_s if blocks_apart else time_s.sum(keepdims=True))
        from_s = np.zeros(n_prices) if low is None else low.ravel()
        to_s = np.full(n_prices, HIGHEST_PRICE_S_PER_KJ) if high is None else high.ravel()
        values = (None, None) if blocks_apart else (-1e5, 1e5)  # only their sum counts
        solved = linprog(
            self.gain,
            A_ub=np.vstack([self.fall, *rows]),
            b_ub=np.concatenate([np.zeros(n_prices), *right]),
            bounds=[*zip(from_s, to_s, strict=True), *[(0.0, None)] * n_prices, *[values] * n_blocks],
            method="highs",
        )
        return solved.x[:n_prices].reshape(self.shape), float(-solved.fun)


def _blocks(road: Road) -> IntArray:
    """Number of the block of each segment ``(n_segments,)``."""
    block, begun_m, number = np.zeros(road.n_segments, dtype=np.int64), 0.0, 0
    for s in range(1, road.n_segments):
        begun_m += float(road.length_m[s - 1])
        if road.segments.terrain[s] != road.segments.terrain[s - 1] or begun_m > BLOCK_M:
            number, begun_m = number + 1, 0.0
        block[s] = number
    return block


def _lines(race: Race, fewest: int) -> list[tuple[Place, ...]]:
    """Lines, the leader first, then the second wheel; all others have the best share of the places behind.

    With the wheel on which each of them would have it best, where the size of the rider ahead counts.
    """
    riders = range(len(race.team.riders))
    mass = np.array([rider.mass_kg for rider in race.team.riders])
    behind = behind_a_heavier_rider(mass[:, None], mass, race.drafting_per_kg)
    best_behind = [float(np.delete(behind[i], i).min(initial=math.inf)) for i in riders]
    lines = []
    for n_riders in range(fewest, len(riders) + 1):
        shares = [float(share) for share in race.draft_shares(n_riders)]
        best = min(shares[2:], default=1.0)
        for front in itertools.permutations(riders, min(n_riders, 2)):
            if race.team.riders[front[0]].pulls:
                others = [rider for rider in riders if rider not in front]
                for rest in itertools.combinations(others, n_riders - len(front)):
                    second = ((i, shares[1] * float(behind[i, front[0]])) for i in front[1:])
                    lines.append(((front[0], shares[0]), *second, *((i, best * best_behind[i]) for i in rest)))
    return lines
