"""Rotation model: who leads from where to where and how fast, as a mixed-integer linear programme.

The written formulation, symbol by symbol, is ``rotation.md`` beside this file. Every pull is an arc of a network whose
nodes are (segment boundary, line); all drag, power, time and W' coefficients are constants of
:class:`RotationData`, computed outside the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyomo.environ as pyo
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Line = tuple[int, ...]
Node = tuple[int, int]
"""A boundary, or the segment that follows it, and the line there."""

JOULE_PER_UNIT = 1000.0
"""Energies are kJ inside the model, so that coefficients stay near unity."""
NEGLIGIBLE_J = 1e-3
"""Work below this is left out of the model: tiny coefficients disturb solvers (J)."""
SPARE_S_PER_KJ = 0.002
"""Worth of a kJ of W' left at the finish (s/kJ), so that of equal plans the one that strains riders least comes out."""
KEPT_TOLERANCE_S = 1.2
"""A pull of a model of kept pulls may miss a bound on its duration by this at no cost (s)."""
PULL_AMISS_S = 100.0
SURGE_AMISS_S_PER_KW = 200.0
SPEED_AMISS_S_PER_MPS = 20.0
POWER_AMISS_S_PER_KW = 200.0
RESERVE_AMISS_S_PER_KJ = 100.0
"""What it costs to miss a limit in a model of kept pulls, above what that could gain: a bound on the duration of a pull
once more (s), limits on surges of power (s/kW) and speed (s per m/s), on a rider's power (s/kW), the reserve (s/kJ)."""
IMPLIED_LOWER = frozenset({"stay", "led_time", "use"})
IMPLIED_UPPER = IMPLIED_LOWER | {"pull", "move", "mix", "stay_square", "move_square", "end_square", "work"}
"""Variables whose bounds the rows imply, or no optimum needs: the bounds are there for the bound that prices prove."""
DURATION_TOLERANCE_S = 0.5
"""A pull may miss a bound on its duration by this at the reference speeds (s)."""


@dataclass(frozen=True)
class Arc:
    """A possible pull: line ``line`` leads over segments ``first`` to ``end - 1``."""

    first: int
    end: int
    line: int


@dataclass(frozen=True)
class RotationData:
    """Sets and constants of one rotation model.

    Segments s, lines q, speed steps k and riders i; a *line* is the tuple of the riders in it, the leader first.

    Attributes
    ----------
    lines : tuple of tuple of int
        All lines that may occur.
    start_lines : tuple of int
        Indices of the lines that may start.
    successors : tuple of tuple of int
        For each line, the lines that may follow when its leader's pull ends.
    time_s : ndarray (n_segments, n_speeds)
        Riding time of segment s at speed k (s).
    speed_mps : ndarray (n_segments, n_speeds)
        Speeds of the grid (m/s), root mean square over the segment, rising along k.
    mean_mps : ndarray (n_segments, n_speeds)
        Mean speeds that go with them (m/s), of which surges are counted.
    road_work_j : ndarray (n_segments, n_lines, n_speeds, n_riders)
        Crank work for the road load of rider i (J), may be negative downhill; not used where i is not in q.
    kinetic_j_per_v2 : ndarray (n_riders,)
        Crank work per change of the square of speed (J s2/m2).
    changeover_j : ndarray (n_segments, n_lines, n_riders)
        Extra work of each rider when the leader of line q swings off at the start of segment s (J).
    changeover_use_j : ndarray (n_segments, n_lines)
        W' that the leader of line q uses beyond what his mean power in segment s says when he swings off at its start
        (J): he rides part of it above and part of it below critical power.
    changeover_dip_j : ndarray (n_segments, n_lines)
        W' above the reserve that the leader of line q needs when he swings off at the start of segment s (J): on the
        way back to the last wheel he rides above critical power before he recovers.
    changeover_s : ndarray (n_segments,)
        Time that a changeover at the start of segment s costs the line (s).
    cp_w, peak_w, on_wheel_w : ndarray (n_riders,)
        Sustainable power, highest power, highest power on a wheel (W).
    w_prime_j, reserve_j : ndarray (n_riders,)
        W' when fresh and W' that must be left (J).
    recovery_share : ndarray (n_segments, n_riders)
        Share of the power below ``cp_w`` that refills W', in (0, 1].
    spent_kept : ndarray (n_segments, n_riders)
        Share of the W' spent before segment s that is still spent after it, whatever is ridden there, in (0, 1]: below
        1 only where the constants are those of one plan, in which the emptier store fills the faster.
    also_used_j, also_work_j : ndarray (n_segments, n_riders)
        W' used, and work done on a wheel, in segment s beyond what the model says (J), as a ride of a plan showed.
    per_longest, per_shortest : ndarray (n_segments, n_riders)
        1 over the longest and 1 over the shortest pull of the leader on the terrain of s (1/s).
    on_wheel_applies : ndarray of bool (n_segments,)
        Where the limit on a wheel holds (not while accelerating).
    bend : ndarray of bool (n_segments,)
        Segments into which riders brake if they must, and in which they do not accelerate. In all segments the square
        of the speed is linear along the road, in the first one from standstill.
    average_load_w : ndarray (n_segments, n_speeds)
        Steady front power of the team's average rider (W).
    average_kinetic_j_per_v2 : float
        Crank work of the average rider per change of the square of speed (J s2/m2).
    reference_s : ndarray (n_segments,)
        Time at the reference speeds (s): it decides which pulls keep the bounds on their duration, and over it the
        average rider's work to accelerate is spread.
    asked_w, given_w : ndarray (n_segments, n_speeds)
        How much more, and how much less, steady front power the road asks in segment s than in segment s-1 at speed k
        of segment s-1 (W), not below 0. The first rows are not used.
    surge_w, drop_w, surge_mps : ndarray (n_segments,)
        Largest rise of front power beyond ``asked_w`` and largest fall beyond ``given_w`` (W), largest rise of speed
        (m/s) from segment s-1 to s; ``inf`` where there is no limit.
    change_allowed : ndarray of bool (n_segments,)
        Where a pull may start.
    kept_pulls : tuple of (int, int, int)
        Pulls (first segment, end, line) that are possible whatever their duration: those of a plan whose constants are
        being settled.
    only_kept : bool
        No pulls but the kept ones are possible.
    """

    lines: tuple[Line, ...]
    start_lines: tuple[int, ...]
    successors: tuple[tuple[int, ...], ...]
    time_s: FloatArray
    speed_mps: FloatArray
    mean_mps: FloatArray
    road_work_j: FloatArray
    kinetic_j_per_v2: FloatArray
    changeover_j: FloatArray
    changeover_use_j: FloatArray
    changeover_dip_j: FloatArray
    changeover_s: FloatArray
    cp_w: FloatArray
    peak_w: FloatArray
    on_wheel_w: FloatArray
    w_prime_j: FloatArray
    reserve_j: FloatArray
    recovery_share: FloatArray
    spent_kept: FloatArray
    also_used_j: FloatArray
    also_work_j: FloatArray
    per_longest: FloatArray
    per_shortest: FloatArray
    on_wheel_applies: BoolArray
    bend: BoolArray
    average_load_w: FloatArray
    average_kinetic_j_per_v2: float
    reference_s: FloatArray
    asked_w: FloatArray
    given_w: FloatArray
    surge_w: FloatArray
    drop_w: FloatArray
    surge_mps: FloatArray
    change_allowed: BoolArray
    kept_pulls: tuple[tuple[int, int, int], ...] = ()
    only_kept: bool = False

    def __post_init__(self) -> None:
        n_segments, n_speeds = self.time_s.shape
        n_lines, n_riders = len(self.lines), len(self.cp_w)
        shapes = {
            "speed_mps": (n_segments, n_speeds),
            "mean_mps": (n_segments, n_speeds),
            "road_work_j": (n_segments, n_lines, n_speeds, n_riders),
            "kinetic_j_per_v2": (n_riders,),
            "changeover_j": (n_segments, n_lines, n_riders),
            "changeover_use_j": (n_segments, n_lines),
            "changeover_dip_j": (n_segments, n_lines),
            "changeover_s": (n_segments,),
            "peak_w": (n_riders,),
            "on_wheel_w": (n_riders,),
            "w_prime_j": (n_riders,),
            "reserve_j": (n_riders,),
            "recovery_share": (n_segments, n_riders),
            "spent_kept": (n_segments, n_riders),
            "also_used_j": (n_segments, n_riders),
            "also_work_j": (n_segments, n_riders),
            "per_longest": (n_segments, n_riders),
            "per_shortest": (n_segments, n_riders),
            "on_wheel_applies": (n_segments,),
            "bend": (n_segments,),
            "average_load_w": (n_segments, n_speeds),
            "reference_s": (n_segments,),
            "asked_w": (n_segments, n_speeds),
            "given_w": (n_segments, n_speeds),
            "surge_w": (n_segments,),
            "drop_w": (n_segments,),
            "surge_mps": (n_segments,),
            "change_allowed": (n_segments,),
        }
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape}")
        if len(self.successors) != n_lines or not self.start_lines:
            raise ValueError("every line needs its successors, and some line must start")
        if not (self.speed_mps > 0.0).all() or not (np.diff(self.speed_mps, axis=1) > 0.0).all():
            raise ValueError("speed_mps must be above 0 and rise along the steps of the grid")
        for name in ("recovery_share", "spent_kept"):
            if not ((getattr(self, name) > 0.0) & (getattr(self, name) <= 1.0)).all():
                raise ValueError(f"{name} must be above 0 and at most 1")
        if not self.change_allowed[0]:
            raise ValueError("change_allowed must hold at the start: a pull starts there")
        powers = ("peak_w", "on_wheel_w", "asked_w", "given_w", "surge_w", "drop_w")
        for name in (*powers, "surge_mps", "per_longest", "per_shortest"):
            if not (getattr(self, name) >= 0.0).all():
                raise ValueError(f"{name} must not be below 0")

    @property
    def n_segments(self) -> int:
        """Number of segments."""
        return int(self.time_s.shape[0])

    @property
    def n_speeds(self) -> int:
        """Number of speed steps."""
        return int(self.time_s.shape[1])

    @property
    def n_riders(self) -> int:
        """Number of riders in the team."""
        return len(self.cp_w)

    @cached_property
    def arcs(self) -> tuple[Arc, ...]:
        """All pulls whose duration at the reference speeds keeps the bounds.

        Over mixed terrain each bound is used up in proportion to the time on each kind. The last pull of the race may
        be shorter than the shortest allowed: the road ends. A rider whom nobody can relieve, whose line only follows
        itself, pulls to the finish, however long that is. With ``only_kept`` they are the kept pulls, in their order.
        """
        if self.only_kept:
            return tuple(Arc(*pull) for pull in self.kept_pulls)
        found = []
        for q, line in enumerate(self.lines):
            if self.successors[q] == (q,):
                found += [Arc(first, self.n_segments, q) for first in np.flatnonzero(self.change_allowed).tolist()]
                continue
            leader = line[0]
            too_long = self.reference_s * self.per_longest[:, leader]
            long_enough = self.reference_s * self.per_shortest[:, leader]
            for first in np.flatnonzero(self.change_allowed).tolist():
                most = 1.0 + DURATION_TOLERANCE_S * self.per_longest[first, leader]
                least = 1.0 - DURATION_TOLERANCE_S * self.per_shortest[first, leader]
                used, done = 0.0, 0.0
                for end in range(first + 1, self.n_segments + 1):
                    used += too_long[end - 1]
                    done += long_enough[end - 1]
                    if used > most:
                        break
                    if end == self.n_segments or (self.change_allowed[end] and done >= least):
                        found.append(Arc(first, end, q))
        known = set(found)
        found.extend(Arc(*pull) for pull in self.kept_pulls if Arc(*pull) not in known)
        return tuple(found)


def rotating_lines(
    order: tuple[int, ...],
    sitters: tuple[int, ...] = (),
    min_riders: int | None = None,
    may_leave: tuple[int, ...] | None = None,
) -> tuple[tuple[Line, ...], tuple[tuple[int, ...], ...]]:
    """Lines that can occur in one cyclic order, and which line may follow which.

    Parameters
    ----------
    order : tuple of int
        Riders who pull, in cyclic order.
    sitters : tuple of int
        Riders who sit on behind them.
    min_riders : int, optional
        Riders who must stay in the line; fewer than all allows a leader to leave after a pull. By default all.
    may_leave : tuple of int, optional
        Riders who may leave; by default all who pull.

    Returns
    -------
    lines, successors
        As in :class:`RotationData`; the first ``len(order)`` lines are those of the full team.
    """
    min_riders = len(order) + len(sitters) if min_riders is None else min_riders
    lines = [order[i:] + order[:i] + sitters for i in range(len(order))]
    index = {line: q for q, line in enumerate(lines)}
    successors: list[list[int]] = []
    q = 0
    while q < len(lines):
        line = lines[q]
        pulling = line[: len(line) - len(sitters)]
        following = [pulling[1:] + pulling[:1] + sitters]
        if len(line) > min_riders and len(pulling) > 1 and (may_leave is None or line[0] in may_leave):
            following.append(pulling[1:] + sitters)
        for new in following:
            if new not in index:
                index[new] = len(lines)
                lines.append(new)
        successors.append([index[new] for new in following])
        q += 1
    return tuple(lines), tuple(tuple(row) for row in successors)


def most_squares(data: RotationData) -> FloatArray:
    """Highest square of the speed at the start of each segment, the first left aside ``(n_segments,)`` (m2/s2).

    That of the faster grid on both sides; before a bend, to which riders come faster than their mean and then brake,
    twice that of the segment before it, as from standstill, but no more than that of the fastest grid of all.
    """
    fastest_square = data.speed_mps.max(axis=1) ** 2
    before = np.roll(fastest_square, 1)
    carried = np.where(data.bend, np.minimum(2.0 * before, fastest_square.max()), before)
    return np.asarray(np.maximum(carried, fastest_square), dtype=np.float64)


def build_rotation(data: RotationData) -> pyo.ConcreteModel:
    """Build the rotation model.

    Returns
    -------
    pyomo.environ.ConcreteModel
        Minimises the time (s) at which the line reaches the finish; component names are those of ``rotation.md``.

    Raises
    ------
    ValueError
        Some segment is covered by no pull.
    """
    n_segments, speeds = data.n_segments, range(data.n_speeds)
    segments, later_segments = range(n_segments), range(1, n_segments)

    starting: dict[Node, list[int]] = {}
    ending: dict[Node, list[int]] = {}
    going_on: dict[Node, list[int]] = {}
    for a, arc in enumerate(data.arcs):
        starting.setdefault((arc.first, arc.line), []).append(a)
        ending.setdefault((arc.end, arc.line), []).append(a)
        for s in range(arc.first + 1, arc.end):
            going_on.setdefault((s, arc.line), []).append(a)
    stays = sorted(going_on)
    led = sorted(starting.keys() | going_on.keys())
    changes_from, changes_to = ([n for n in sorted(nodes) if 0 < n[0] < n_segments] for nodes in (ending, starting))
    moves = [(b, q, r) for b, q in changes_from for r in data.successors[q] if (b, r) in starting]
    leading: list[list[int]] = [[] for _ in segments]
    for s, q in led:
        leading[s].append(q)
    if not all(leading):
        raise ValueError("every segment must be covered by some pull")
    places = [(s, q, i) for s, q in led for i in data.lines[q]]
    followers = [(s, q, i) for s, q, i in places if i != data.lines[q][0] and data.on_wheel_applies[s]]
    held_on_wheel = {(s, q, i) for s, q, i in followers if data.on_wheel_w[i] <= data.peak_w[i]}

    time = data.time_s.tolist()
    mean = data.mean_mps.tolist()
    twice_square = (2.0 * data.speed_mps**2).tolist()
    fastest = data.speed_mps.max(axis=1)
    fastest_square = (fastest**2).tolist()
    most_square = most_squares(data).tolist()
    asked, given = ((power / JOULE_PER_UNIT).tolist() for power in (data.asked_w, data.given_w))
    average_power = (data.average_load_w / JOULE_PER_UNIT).tolist()
    average_kinetic = (data.average_kinetic_j_per_v2 / data.reference_s / JOULE_PER_UNIT).tolist()
    road_work_j = data.road_work_j.transpose(0, 1, 3, 2)
    road = (np.where(np.abs(road_work_j) < NEGLIGIBLE_J, 0.0, road_work_j) / JOULE_PER_UNIT).tolist()
    kinetic = (data.kinetic_j_per_v2 / JOULE_PER_UNIT).tolist()
    changeover = (data.changeover_j / JOULE_PER_UNIT).tolist()
    cp, peak, on_wheel, full = (
        (value / JOULE_PER_UNIT).tolist()
        for value in (data.cp_w, data.peak_w, data.on_wheel_w, data.w_prime_j - data.reserve_j)
    )
    changeover_use, changeover_dip, also_used, also_work = (
        (energy / JOULE_PER_UNIT).tolist()
        for energy in (data.changeover_use_j, data.changeover_dip_j, data.also_used_j, data.also_work_j)
    )
    kept = data.spent_kept.tolist()
    recovery = data.recovery_share.tolist()
    reference = data.reference_s.tolist()
    changeover_time = data.changeover_s.tolist()
    longest_time = (data.time_s.max(axis=1) + data.changeover_s).tolist()
    most_changeover = (np.maximum(data.changeover_j.max(axis=1), 0.0) / JOULE_PER_UNIT).tolist()

    m = pyo.ConcreteModel("rotation")
    m.pull = pyo.Var(range(len(data.arcs)), domain=pyo.Binary)
    m.move = pyo.Var(moves, bounds=(0, 1))
    m.stay = pyo.Var(stays, bounds=(0, 1))
    m.mix = pyo.Var([(s, q, k) for s, q in led for k in speeds], bounds=(0, 1))
    m.led_time = pyo.Var(led, bounds=lambda _, s, q: (0, longest_time[s]))
    m.stay_square = pyo.Var(stays, bounds=lambda _, s, q: (0, most_square[s]))
    m.move_square = pyo.Var(moves, bounds=lambda _, b, q, r: (0, most_square[b]))
    m.end_square = pyo.Var(leading[-1], bounds=(0, 2 * fastest_square[-1]))

    def most_use(s: int, i: int) -> float:
        """At peak power, with a changeover."""
        at_front = peak[i] * longest_time[s] + most_changeover[s][i]
        return float(at_front + max(changeover_use[s]) + max(also_work[s][i], 0.0))

    m.work = pyo.Var(places, bounds=lambda _, s, q, i: (0, most_use(s, i) + cp[i] * longest_time[s]))
    m.use = pyo.Var(
        places, bounds=lambda _, s, q, i: (-recovery[s][i] * cp[i] * longest_time[s], most_use(s, i))
    )
    least_spare = None if data.only_kept else 0.0
    m.spare = pyo.Var(
        range(n_segments + 1),
        range(data.n_riders),
        bounds=lambda _, b, i: (full[i] if b == 0 else least_spare, full[i]),
    )

    arcs = data.arcs
    kept_pulls = range(len(arcs)) if data.only_kept else range(0)
    m.pull_amiss = pyo.Var(kept_pulls, bounds=(0, None))
    m.surge_amiss = pyo.Var(later_segments if data.only_kept else (), bounds=(0, None))
    m.speed_amiss = pyo.Var(later_segments if data.only_kept else (), bounds=(0, None))
    m.power_amiss = pyo.Var(places if data.only_kept else (), bounds=(0, None))
    m.reserve_amiss = pyo.Var(range(data.n_riders) if data.only_kept else (), bounds=(0, None))
    m.finish_time = pyo.Objective(
        expr=pyo.quicksum(m.led_time.values())
        + PULL_AMISS_S * pyo.quicksum(m.pull_amiss.values())
        + SURGE_AMISS_S_PER_KW * pyo.quicksum(m.surge_amiss.values())
        + SPEED_AMISS_S_PER_MPS * pyo.quicksum(m.speed_amiss.values())
        + POWER_AMISS_S_PER_KW * pyo.quicksum(m.power_amiss.values())
        + RESERVE_AMISS_S_PER_KJ * pyo.quicksum(m.reserve_amiss.values())
        - SPARE_S_PER_KJ * pyo.quicksum(m.spare[n_segments, i] for i in range(data.n_riders))
    )

    mix = {(s, q): [m.mix[s, q, k] for k in speeds] for s, q in led}
    moves_into: dict[Node, list[tuple[int, pyo.Var]]] = {node: [] for node in led}
    moves_from: dict[Node, list[pyo.Var]] = {node: [] for node in changes_from}
    squares_at_start: dict[Node, list[pyo.Var]] = {node: [] for node in led}
    squares_at_end: dict[Node, list[pyo.Var]] = {node: [] for node in led}
    for s, q in stays:
        squares_at_start[s, q].append(m.stay_square[s, q])
        squares_at_end[s - 1, q].append(m.stay_square[s, q])
    for b, q, r in moves:
        moves_into[b, r].append((q, m.move[b, q, r]))
        moves_from[b, q].append(m.move[b, q, r])
        squares_at_start[b, r].append(m.move_square[b, q, r])
        squares_at_end[b - 1, q].append(m.move_square[b, q, r])
    for q in leading[-1]:
        squares_at_end[n_segments - 1, q].append(m.end_square[q])

    def pulls(arcs: list[int]) -> pyo.Expression:
        """Share of the line that rides any of these pulls."""
        return pyo.quicksum(m.pull[a] for a in arcs)

    def changes_into(s: int, q: int) -> pyo.Expression:
        """Share of the line that changes into line q at boundary s; none at the start."""
        return pyo.quicksum(move for _, move in moves_into[s, q])

    def at_speeds(values: list[float], s: int, q: int) -> list[pyo.Expression]:
        """A figure at the speeds of segment s, times their shares behind line q."""
        return [value * share for value, share in zip(values, mix[s, q], strict=True)]

    m.one_start = pyo.Constraint(
        expr=pyo.quicksum(pulls(starting[0, q]) for q in leading[0] if q in data.start_lines) == 1
    )
    m.no_other_start = pyo.Constraint(
        [q for q in leading[0] if q not in data.start_lines], rule=lambda _, q: pulls(starting[0, q]) == 0
    )
    m.pull_ends = pyo.Constraint(
        changes_from, rule=lambda _, b, q: pulls(ending[b, q]) == pyo.quicksum(moves_from[b, q])
    )
    m.pull_begins = pyo.Constraint(changes_to, rule=lambda _, b, r: changes_into(b, r) == pulls(starting[b, r]))
    m.pull_goes_on = pyo.Constraint(stays, rule=lambda _, s, q: m.stay[s, q] == pulls(going_on[s, q]))

    def share(s: int, q: int) -> pyo.Expression:
        """Share of segment s that line q leads."""
        if s == 0:
            return pulls(starting[0, q])
        return changes_into(s, q) + (m.stay[s, q] if (s, q) in going_on else 0.0)

    m.leads = pyo.Constraint(led, rule=lambda _, s, q: pyo.quicksum(mix[s, q]) == share(s, q))

    m.lasts = pyo.Constraint(
        led,
        rule=lambda _, s, q: m.led_time[s, q]
        == pyo.quicksum(at_speeds(time[s], s, q)) + changeover_time[s] * changes_into(s, q),
    )

    def duration(a: int, per_bound: FloatArray) -> pyo.Expression:
        """Duration of a pull over a bound of its leader, each second over that of its terrain."""
        arc, of_leader = arcs[a], per_bound[:, data.lines[arcs[a].line][0]].tolist()
        return pyo.quicksum(of_leader[s] * m.led_time[s, arc.line] for s in range(arc.first, arc.end))

    tolerance = [KEPT_TOLERANCE_S / float(data.reference_s[arc.first : arc.end].sum()) for arc in arcs]

    m.not_too_long = pyo.Constraint(
        [a for a in kept_pulls if data.successors[arcs[a].line] != (arcs[a].line,)],
        rule=lambda _, a: duration(a, data.per_longest) - m.pull_amiss[a] <= 1.0 + tolerance[a],
    )
    m.long_enough = pyo.Constraint(
        [a for a in kept_pulls if arcs[a].end < n_segments],
        rule=lambda _, a: duration(a, data.per_shortest) + m.pull_amiss[a] >= 1.0 - tolerance[a],
    )

    def twice_mean_square(s: int, q: int) -> list[pyo.Expression]:
        """Mean square of the speed of line q in segment s, twice."""
        return at_speeds(twice_square[s], s, q)

    def after_braking(s: int, q: int) -> list[pyo.Expression]:
        """Square of the speed with which line q begins a bend."""
        return twice_mean_square(s, q) + [-end for end in squares_at_end[s, q]]

    def rise_of_square(factor: float, s: int, q: int) -> list[pyo.Expression]:
        """Rise of the square of the speed along segment s behind line q, times a factor; braking does not count."""
        begin = after_braking(s, q) if data.bend[s] else squares_at_start[s, q]
        return [factor * end for end in squares_at_end[s, q]] + [-factor * start for start in begin]

    bends = [(s, q) for s, q in led if data.bend[s]]
    m.square_linear = pyo.Constraint(
        [(s, q) for s, q in led if not data.bend[s]],
        rule=lambda _, s, q: pyo.quicksum(twice_mean_square(s, q))
        == pyo.quicksum(squares_at_start[s, q] + squares_at_end[s, q]),
    )
    m.square_in_bend = pyo.Constraint(
        bends,
        rule=lambda _, s, q: 2 * pyo.quicksum(squares_at_end[s, q]) <= pyo.quicksum(twice_mean_square(s, q)),
    )
    m.square_into_bend = pyo.Constraint(
        bends, rule=lambda _, s, q: pyo.quicksum(after_braking(s, q)) <= pyo.quicksum(squares_at_start[s, q])
    )
    m.square_of_bend = pyo.Constraint(
        bends, rule=lambda _, s, q: pyo.quicksum(after_braking(s, q)) <= fastest_square[s] * pyo.quicksum(mix[s, q])
    )
    m.stay_square_most = pyo.Constraint(
        stays, rule=lambda _, s, q: m.stay_square[s, q] <= most_square[s] * m.stay[s, q]
    )
    m.move_square_most = pyo.Constraint(
        moves, rule=lambda _, s, q, r: m.move_square[s, q, r] <= most_square[s] * m.move[s, q, r]
    )

    def swing_off(s: int, q: int, i: int) -> list[pyo.Expression]:
        """Work that changeovers into line q cost rider i, which is not done on a wheel."""
        return [changeover[s][p][i] * move for p, move in moves_into[s, q]]

    def swing_off_use(s: int, q: int, i: int) -> pyo.Expression:
        """W' that swinging off costs beyond the mean power of the segment."""
        return pyo.quicksum(changeover_use[s][p] * move for p, move in moves_into[s, q] if data.lines[p][0] == i)

    def needed_work(s: int, q: int, i: int) -> pyo.Expression:
        on_wheel_too = also_work[s][i] and i != data.lines[q][0]
        also = [also_work[s][i] * share for share in mix[s, q]] if on_wheel_too else []
        return pyo.quicksum(
            at_speeds(road[s][q][i], s, q) + rise_of_square(kinetic[i], s, q) + swing_off(s, q, i) + also
        )

    m.works = pyo.Constraint(places, rule=lambda _, s, q, i: m.work[s, q, i] >= needed_work(s, q, i))
    m.spends = pyo.Constraint(
        places,
        rule=lambda _, s, q, i: m.use[s, q, i]
        >= m.work[s, q, i] - cp[i] * m.led_time[s, q] + swing_off_use(s, q, i),
    )
    m.recovers = pyo.Constraint(
        places,
        rule=lambda _, s, q, i: m.use[s, q, i]
        >= recovery[s][i] * m.work[s, q, i] - recovery[s][i] * cp[i] * m.led_time[s, q] + swing_off_use(s, q, i),
    )

    def beyond_power(s: int, q: int, i: int) -> list[pyo.Expression]:
        """Work by which rider i may exceed a limit on his power."""
        amiss = [reference[s] * m.power_amiss[s, q, i]] if data.only_kept else []
        return swing_off(s, q, i) + amiss

    m.below_peak = pyo.Constraint(
        [place for place in places if place not in held_on_wheel],
        rule=lambda _, s, q, i: m.work[s, q, i] <= peak[i] * m.led_time[s, q] + pyo.quicksum(beyond_power(s, q, i)),
    )
    m.on_wheel = pyo.Constraint(
        followers,
        rule=lambda _, s, q, i: m.work[s, q, i]
        <= on_wheel[i] * m.led_time[s, q] + pyo.quicksum(beyond_power(s, q, i)),
    )

    m.balance = pyo.Constraint(
        segments,
        range(data.n_riders),
        rule=lambda _, s, i: m.spare[s + 1, i]
        == kept[s][i] * m.spare[s, i]
        + (1.0 - kept[s][i]) * full[i]
        - also_used[s][i]
        - pyo.quicksum(m.use[s, q, i] for q in leading[s] if i in data.lines[q]),
    )

    m.above_reserve = pyo.Constraint(
        range(1, n_segments + 1) if data.only_kept else (),
        range(data.n_riders),
        rule=lambda _, b, i: m.spare[b, i] + m.reserve_amiss[i] >= 0,
    )

    ways_back: dict[tuple[int, int], list[pyo.Expression]] = {}
    for b, q, r in moves:
        leader = data.lines[q][0]
        if leader in data.lines[r]:
            ways_back.setdefault((b, leader), []).append(changeover_dip[b][q] * m.move[b, q, r])

    def reserve_amiss(i: int) -> pyo.Expression:
        return m.reserve_amiss[i] if data.only_kept else 0.0

    m.way_back = pyo.Constraint(
        ways_back, rule=lambda _, b, i: m.spare[b, i] + reserve_amiss(i) >= pyo.quicksum(ways_back[b, i])
    )

    def whoever_leads(values: list[float], s: int) -> list[pyo.Expression]:
        """A figure at the speeds of segment s, times their shares behind any line."""
        return [term for q in leading[s] for term in at_speeds(values, s, q)]

    def average_front_power(s: int) -> pyo.Expression:
        """Front power of the average rider in segment s (kW), whoever leads."""
        rise = [term for q in leading[s] for term in rise_of_square(average_kinetic[s], s, q)]
        return pyo.quicksum(whoever_leads(average_power[s], s) + rise)

    front_power = [average_front_power(s) for s in segments]

    def beyond_surge(s: int) -> pyo.Expression:
        return m.surge_amiss[s] if data.only_kept else 0.0

    m.surge_power = pyo.Constraint(
        [s for s in later_segments if np.isfinite(data.surge_w[s])],
        rule=lambda _, s: front_power[s] - front_power[s - 1] - pyo.quicksum(whoever_leads(asked[s], s - 1))
        <= data.surge_w[s] / JOULE_PER_UNIT + beyond_surge(s),
    )
    m.drop_power = pyo.Constraint(
        [s for s in later_segments if np.isfinite(data.drop_w[s])],
        rule=lambda _, s: front_power[s - 1] - front_power[s] - pyo.quicksum(whoever_leads(given[s], s - 1))
        <= data.drop_w[s] / JOULE_PER_UNIT + beyond_surge(s),
    )
    m.surge_speed = pyo.Constraint(
        [s for s in later_segments if np.isfinite(data.surge_mps[s])],
        rule=lambda _, s: pyo.quicksum(whoever_leads(mean[s], s))
        - pyo.quicksum(whoever_leads(mean[s - 1], s - 1))
        <= data.surge_mps[s] + (m.speed_amiss[s] if data.only_kept else 0.0),
    )
    return m
