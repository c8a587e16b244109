"""Rotation model: who leads from where to where and how fast, as a mixed-integer linear programme.

The written formulation, symbol by symbol, is ``rotation.md`` beside this file. Every pull is an arc of a network whose
nodes are (segment boundary, line); all drag, power, time and W' coefficients are constants of
:class:`RotationData`, computed outside the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ttt_models.programme import Programme, Terms

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Line = tuple[int, ...]

JOULE_PER_UNIT = 1000.0
"""Energies are kJ inside the model, so that coefficients stay near unity."""
NEGLIGIBLE_J = 1e-3
"""Work below this is left out of the model: tiny coefficients disturb solvers (J)."""
NEGLIGIBLE_DIP_J = 20.0
"""Dips of W' within segments up to this get no rows (J)."""
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
        All lines that may occur; two differ in who sits on where they do not in their riders.
    n_sitting : tuple of int
        Riders at the end of each line who share no pulls any more.
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
    fastest_mps : ndarray (n_segments,)
        Speeds up to which segments may begin and end (m/s): not below those of the grid, which may be narrow around one
        plan whose speed rises and falls more than that within a segment.
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
    dip_j : ndarray (n_segments, n_riders)
        How far W' of each rider falls within segment s below the lower of what he has at its ends (J).
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
        Pulls (first segment, end, number of the line) that are possible whatever their duration: those of a plan whose
        constants are being settled.
    only_kept : bool
        No pulls but the kept ones are possible.
    """

    lines: tuple[Line, ...]
    n_sitting: tuple[int, ...]
    start_lines: tuple[int, ...]
    successors: tuple[tuple[int, ...], ...]
    time_s: FloatArray
    speed_mps: FloatArray
    mean_mps: FloatArray
    fastest_mps: FloatArray
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
    dip_j: FloatArray
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
            "fastest_mps": (n_segments,),
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
            "dip_j": (n_segments, n_riders),
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
        if len(self.n_sitting) != n_lines or not all(
            0 <= n < len(line) for n, line in zip(self.n_sitting, self.lines, strict=True)
        ):
            raise ValueError("n_sitting must say of each line how many sit on, fewer than all")
        if not (self.speed_mps > 0.0).all() or not (np.diff(self.speed_mps, axis=1) > 0.0).all():
            raise ValueError("speed_mps must be above 0 and rise along the steps of the grid")
        if not (self.fastest_mps >= self.speed_mps.max(axis=1)).all():
            raise ValueError("fastest_mps must not be below the speeds of the grid")
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


@dataclass(frozen=True)
class RotatingLines:
    """Lines that can occur in one cyclic order, and which line may follow which.

    Attributes
    ----------
    lines, n_sitting, successors
        As in :class:`RotationData`; the first lines are those in which all pull, in the cyclic order of their leaders.
        The first successor of a line is the one in which its leader is last of those who pull.
    """

    lines: tuple[Line, ...]
    n_sitting: tuple[int, ...]
    successors: tuple[tuple[int, ...], ...]

    @property
    def of_the_full_team(self) -> tuple[int, ...]:
        """Numbers of the lines in which everybody still is, with which a race may start."""
        return tuple(q for q, line in enumerate(self.lines) if len(line) == len(self.lines[0]))


def rotating_lines(
    order: tuple[int, ...],
    sitters: tuple[int, ...] = (),
    min_riders: int | None = None,
    may_leave: tuple[int, ...] | None = None,
    may_sit_on: tuple[int, ...] = (),
) -> RotatingLines:
    """Lines that can occur in one cyclic order.

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
    may_sit_on : tuple of int
        Riders who may sit on from the start, or pull no more after one of their pulls and stay ahead of those who sit
        on already, as long as two others go on.
    """
    min_riders = len(order) + len(sitters) if min_riders is None else min_riders
    states = [(order[i:] + order[:i] + sitters, len(sitters)) for i in range(len(order))]
    index = {state: q for q, state in enumerate(states)}
    successors: list[list[int]] = []
    q = 0
    while q < len(states):
        line, n_sitting = states[q]
        pulling, sitting = line[: len(line) - n_sitting], line[len(line) - n_sitting :]
        turned = pulling[1:] + pulling[:1] + sitting
        following = [(turned, n_sitting)]
        if len(line) > min_riders and len(pulling) > 1 and (may_leave is None or line[0] in may_leave):
            following.append((line[1:], n_sitting))
        if len(pulling) > 2 and line[0] in may_sit_on:
            following.append((turned, n_sitting + 1))
        for new in following:
            if new not in index:
                index[new] = len(states)
                states.append(new)
        successors.append([index[new] for new in following])
        q += 1
    return RotatingLines(
        tuple(line for line, _ in states), tuple(n for _, n in states), tuple(tuple(row) for row in successors)
    )


def most_squares(data: RotationData) -> FloatArray:
    """Highest square of the speed at the start of each segment, the first left aside ``(n_segments,)`` (m2/s2).

    That of the faster of ``fastest_mps`` on both sides; before a bend, to which riders come faster than their mean and
    then brake, twice that of the segment before it, as from standstill, but no more than that of the fastest of all.
    """
    fastest_square = data.fastest_mps**2
    before = np.roll(fastest_square, 1)
    carried = np.where(data.bend, np.minimum(2.0 * before, fastest_square.max()), before)
    return np.asarray(np.maximum(carried, fastest_square), dtype=np.float64)


@dataclass(frozen=True)
class _Network:
    """Where lines lead: tables of nodes, each a boundary or the segment that follows it, and a line.

    Attributes
    ----------
    first, end, line : ndarray of int (n_arcs,)
        Of the pulls.
    part_arc, part_segment : ndarray of int (n_parts,)
        Segments of the pulls, pull by pull.
    stays, led, changes_from, changes_to : ndarray of int (n, 2)
        Nodes at which a pull goes on, leads, ends and begins, the latter two not at start and finish.
    moves : ndarray of int (n, 3)
        Boundary, line before and line after of each possible changeover.
    """

    first: IntArray
    end: IntArray
    line: IntArray
    part_arc: IntArray
    part_segment: IntArray
    stays: IntArray
    led: IntArray
    changes_from: IntArray
    changes_to: IntArray
    moves: IntArray

    @classmethod
    def of(cls, data: RotationData) -> _Network:
        table = np.array([(arc.first, arc.end, arc.line) for arc in data.arcs], dtype=np.int64).reshape(-1, 3)
        first, end, line = table.T
        length = end - first
        part_arc = np.repeat(np.arange(len(first)), length)
        part_segment = np.arange(len(part_arc)) - (np.cumsum(length) - length)[part_arc] + first[part_arc]
        shape = (data.n_segments + 1, len(data.lines))
        starting, ending, going_on = (np.zeros(shape, dtype=np.bool_) for _ in range(3))
        starting[first, line] = True
        ending[end, line] = True
        inside = part_segment > first[part_arc]
        going_on[part_segment[inside], line[part_arc[inside]]] = True
        changes_from, changes_to = (np.argwhere(nodes[1:-1]) + np.array([1, 0]) for nodes in (ending, starting))
        moves = [
            (b, q, r) for b, q in changes_from.tolist() for r in data.successors[q] if starting[b, r]
        ]
        return cls(
            first,
            end,
            line,
            part_arc,
            part_segment,
            np.argwhere(going_on),
            np.argwhere(starting | going_on),
            changes_from,
            changes_to,
            np.array(moves, dtype=np.int64).reshape(-1, 3),
        )


def _numbered(nodes: IntArray, data: RotationData) -> IntArray:
    """Number of each node in a table of them, -1 elsewhere ``(n_segments + 1, n_lines)``."""
    number = np.full((data.n_segments + 1, len(data.lines)), -1, dtype=np.int64)
    number[nodes[:, 0], nodes[:, 1]] = np.arange(len(nodes))
    return number


def build_rotation(data: RotationData) -> Programme:
    """Write the rotation model.

    Parameters
    ----------
    data : RotationData

    Returns
    -------
    Programme
        Minimises the time (s) at which the line reaches the finish; the names of its blocks are those of
        ``rotation.md``.

    Raises
    ------
    ValueError
        Some segment is covered by no pull.
    """
    net = _Network.of(data)
    n_segments, n_riders, n_speeds = data.n_segments, data.n_riders, data.n_speeds
    led_s, led_q = net.led.T
    if len(np.unique(led_s)) < n_segments:
        raise ValueError("every segment must be covered by some pull")
    move_b, move_q, move_r = net.moves.T
    stay_s, stay_q = net.stays.T
    n_led, led_of, stay_of = len(net.led), _numbered(net.led, data), _numbered(net.stays, data)
    leader = np.array([line[0] for line in data.lines])
    member = np.array([[i in line for i in range(n_riders)] for line in data.lines])
    place_led, place_i = np.nonzero(member[led_q])
    place_s, place_q = led_s[place_led], led_q[place_led]
    n_places = len(place_i)
    of_rider = [np.flatnonzero(place_i == i) for i in range(n_riders)]
    is_leader = place_i == leader[place_q]

    fastest = data.fastest_mps
    most_square = most_squares(data)
    cp, peak, on_wheel = (power / JOULE_PER_UNIT for power in (data.cp_w, data.peak_w, data.on_wheel_w))
    full = (data.w_prime_j - data.reserve_j) / JOULE_PER_UNIT
    road_work = np.where(np.abs(data.road_work_j) < NEGLIGIBLE_J, 0.0, data.road_work_j) / JOULE_PER_UNIT
    kinetic = data.kinetic_j_per_v2 / JOULE_PER_UNIT
    changeover, changeover_use, changeover_dip, also_used, also_work = (
        energy / JOULE_PER_UNIT
        for energy in (
            data.changeover_j, data.changeover_use_j, data.changeover_dip_j, data.also_used_j, data.also_work_j
        )
    )  # fmt: skip
    recovery = data.recovery_share[place_s, place_i]
    longest_time = data.time_s.max(axis=1) + data.changeover_s

    new = Programme()

    def columns(name: str, index: IntArray, lower: FloatArray | float, upper: FloatArray | float) -> IntArray:
        implied = "both" if name in IMPLIED_LOWER else "upper" if name in IMPLIED_UPPER else ""
        whole = name == "pull"
        return new.add_columns(name, len(index), lower, upper, implied=implied, integer=whole, index=index)

    arc_number = np.arange(len(net.first))[:, None]
    last_lines = led_q[led_s == n_segments - 1]
    mix_index = np.column_stack([np.repeat(net.led, n_speeds, axis=0), np.tile(np.arange(n_speeds), n_led)])
    place_index = np.column_stack([place_s, place_q, place_i])
    spare_index = np.argwhere(np.ones((n_segments + 1, n_riders), dtype=np.bool_))
    pull = columns("pull", arc_number, 0.0, 1.0)
    move = columns("move", net.moves, 0.0, 1.0)
    stay = columns("stay", net.stays, 0.0, 1.0)
    mix = columns("mix", mix_index, 0.0, 1.0)
    led_time = columns("led_time", net.led, 0.0, longest_time[led_s])
    stay_square = columns("stay_square", net.stays, 0.0, most_square[stay_s])
    move_square = columns("move_square", net.moves, 0.0, most_square[move_b])
    end_square = columns("end_square", last_lines[:, None], 0.0, 2.0 * fastest[-1] ** 2)
    most_use = (  # at peak power, with a changeover
        peak[place_i] * longest_time[place_s]
        + np.maximum(changeover.max(axis=1), 0.0)[place_s, place_i]
        + changeover_use.max(axis=1)[place_s]
        + np.maximum(also_work, 0.0)[place_s, place_i]
    )
    at_cp = cp[place_i] * longest_time[place_s]
    work = columns("work", place_index, 0.0, most_use + at_cp)
    use = columns("use", place_index, -recovery * at_cp, most_use)
    least_spare = np.full((n_segments + 1, n_riders), -np.inf if data.only_kept else 0.0)
    least_spare[0] = full
    spare = columns("spare", spare_index, least_spare.ravel(), np.tile(full, n_segments + 1)).reshape(-1, n_riders)

    too_long_counts = np.array([data.successors[arc.line] != (arc.line,) for arc in data.arcs], dtype=np.bool_)
    too_short_counts = net.end < n_segments
    surge, drop, speed_surge = (
        np.isfinite(limit) & (np.arange(n_segments) > 0) for limit in (data.surge_w, data.drop_w, data.surge_mps)
    )

    def amiss(name: str, price: float, index: IntArray, where: BoolArray | None = None) -> Terms:
        """By what a model of kept pulls may miss limits, one row for each that may be missed; rows without else."""
        may_be = np.ones(len(index), dtype=np.bool_) if where is None else where
        rows = np.flatnonzero(may_be & data.only_kept)
        added = Terms.of(columns(name, index[rows], 0.0, np.inf))
        new.add_cost(added * price)
        return added.onto(rows, len(index))

    segment_number = np.arange(n_segments)[:, None]
    pull_amiss = amiss("pull_amiss", PULL_AMISS_S, arc_number, too_long_counts | too_short_counts)
    surge_amiss = amiss("surge_amiss", SURGE_AMISS_S_PER_KW, segment_number, surge | drop)
    speed_amiss = amiss("speed_amiss", SPEED_AMISS_S_PER_MPS, segment_number, speed_surge)
    power_amiss = amiss("power_amiss", POWER_AMISS_S_PER_KW, place_index)
    reserve_amiss = amiss("reserve_amiss", RESERVE_AMISS_S_PER_KJ, np.arange(n_riders)[:, None])

    new.add_cost(Terms.of(led_time))
    new.add_cost(Terms.of(spare[-1]) * -SPARE_S_PER_KJ)

    # shares of the line
    def at_speeds(values: FloatArray) -> Terms:
        """A figure at the speeds of each segment, times their shares behind each line ``(n_led,)``."""
        return Terms(n_led, np.repeat(np.arange(n_led), n_speeds), mix, values[led_s].ravel())

    at_start = np.flatnonzero(net.first == 0)
    pulled_at_start = Terms.of(pull[at_start]).onto(led_of[0, net.line[at_start]], n_led)
    changes_into = Terms.of(move).onto(led_of[move_b, move_r], n_led)
    goes_on = Terms.of(stay).onto(led_of[stay_s, stay_q], n_led)
    mixed = at_speeds(np.ones((n_segments, n_speeds)))
    starts = np.isin(led_q, data.start_lines) & (led_s == 0)
    one = np.flatnonzero(starts)
    new.add_rows("one_start", pulled_at_start.take(one).onto(np.zeros(len(one), dtype=np.int64), 1), 1.0, 1.0)
    others = np.flatnonzero((led_s == 0) & ~starts)
    new.add_rows("no_other_start", pulled_at_start.take(others), 0.0, 0.0, index=led_q[others, None])
    for name, nodes, boundary, lines, moved in (
        ("pull_ends", net.changes_from, net.end, net.line, move_q),
        ("pull_begins", net.changes_to, net.first, net.line, move_r),
    ):
        number = _numbered(nodes, data)
        arcs = np.flatnonzero(number[boundary, lines] >= 0)
        pulled = Terms.of(pull[arcs]).onto(number[boundary[arcs], lines[arcs]], len(nodes))
        new.add_rows(
            name, pulled - Terms.of(move).onto(number[move_b, moved], len(nodes)), 0.0, 0.0, index=nodes
        )
    inside = np.flatnonzero(net.part_segment > net.first[net.part_arc])
    through = Terms.of(pull[net.part_arc[inside]]).onto(
        stay_of[net.part_segment[inside], net.line[net.part_arc[inside]]], len(stay)
    )
    new.add_rows("pull_goes_on", Terms.of(stay) - through, 0.0, 0.0, index=net.stays)
    new.add_rows("leads", mixed - pulled_at_start - changes_into - goes_on, 0.0, 0.0, index=net.led)

    # time
    lasts = Terms.of(led_time) - at_speeds(data.time_s) - changes_into * data.changeover_s[led_s]
    new.add_rows("lasts", lasts, 0.0, 0.0, index=net.led)
    part_led = led_of[net.part_segment, net.line[net.part_arc]]
    part_leader = leader[net.line[net.part_arc]]
    tolerance = KEPT_TOLERANCE_S / np.bincount(
        net.part_arc, data.reference_s[net.part_segment], minlength=len(net.first)
    )
    for name, per_bound, sign, counts in (
        ("not_too_long", data.per_longest, 1.0, too_long_counts),
        ("long_enough", data.per_shortest, -1.0, too_short_counts),
    ):
        arcs = np.flatnonzero(counts & data.only_kept)
        parts = Terms.of(led_time[part_led]) * per_bound[net.part_segment, part_leader]
        over = (parts.onto(net.part_arc, len(net.first)) * sign - pull_amiss).take(arcs)
        new.add_rows(name, over, upper=sign + tolerance[arcs], index=arcs[:, None])

    # speed
    twice_mean_square = at_speeds(2.0 * data.speed_mps**2)
    square_at_start = Terms.of(stay_square).onto(led_of[stay_s, stay_q], n_led) + Terms.of(move_square).onto(
        led_of[move_b, move_r], n_led
    )
    square_at_end = (
        Terms.of(stay_square).onto(led_of[stay_s - 1, stay_q], n_led)
        + Terms.of(move_square).onto(led_of[move_b - 1, move_q], n_led)
        + Terms.of(end_square).onto(led_of[n_segments - 1, last_lines], n_led)
    )
    after_braking = twice_mean_square - square_at_end  # the square of the speed with which a bend begins
    bend = data.bend[led_s]
    rise = square_at_end - after_braking * bend - square_at_start * ~bend  # braking does not count
    straights, bends = np.flatnonzero(~bend), np.flatnonzero(bend)
    for name, over, rows, lower in (
        ("square_linear", twice_mean_square - square_at_start - square_at_end, straights, 0.0),
        ("square_in_bend", square_at_end * 2.0 - twice_mean_square, bends, -np.inf),
        ("square_into_bend", after_braking - square_at_start, bends, -np.inf),
        ("square_of_bend", after_braking - mixed * fastest[led_s] ** 2, bends, -np.inf),
    ):
        new.add_rows(name, over.take(rows), lower, 0.0, index=net.led[rows])
    for name, square, on_way, most, index in (
        ("stay_square_most", stay_square, stay, most_square[stay_s], net.stays),
        ("move_square_most", move_square, move, most_square[move_b], net.moves),
    ):
        new.add_rows(name, Terms.of(square) - Terms.of(on_way) * most, upper=0.0, index=index)

    # work, power and W' of each rider in each line
    no_terms = Terms.of(use[:0]).onto(use[:0], n_places)
    swinging = swinging_use = needed = no_terms
    for i, rows in enumerate(of_rider):
        here = place_led[rows]
        on_way = Terms.of(move) * changeover[move_b, move_q, i]
        on_way_use = Terms.of(move) * np.where(leader[move_q] == i, changeover_use[move_b, move_q], 0.0)
        also = np.where(is_leader[rows], 0.0, also_work[place_s[rows], i])
        swing, used = (terms.onto(led_of[move_b, move_r], n_led).take(here) for terms in (on_way, on_way_use))
        road = Terms(n_led, np.repeat(np.arange(n_led), n_speeds), mix, road_work[led_s, led_q, :, i].ravel())
        need = (road + rise * kinetic[i]).take(here) + swing + mixed.take(here) * also
        swinging, swinging_use, needed = (
            total + terms.onto(rows, n_places)
            for total, terms in ((swinging, swing), (swinging_use, used), (needed, need))
        )
    works, lasting = Terms.of(work), Terms.of(led_time[place_led])
    spends = Terms.of(use) - swinging_use
    new.add_rows("works", works - needed, lower=0.0, index=place_index)
    new.add_rows("spends", spends - works + lasting * cp[place_i], lower=0.0, index=place_index)
    recovers = spends - works * recovery + lasting * (recovery * cp[place_i])
    new.add_rows("recovers", recovers, lower=0.0, index=place_index)
    beyond = works - swinging - power_amiss * data.reference_s[place_s]
    followers = ~is_leader & data.on_wheel_applies[place_s]
    held_on_wheel = followers & (on_wheel <= peak)[place_i]
    for name, power, where in (("below_peak", peak, ~held_on_wheel), ("on_wheel", on_wheel, followers)):
        rows = np.flatnonzero(where)
        over = (beyond - lasting * power[place_i]).take(rows)
        new.add_rows(name, over, upper=0.0, index=place_index[rows])
    kept = data.spent_kept.ravel()
    balance = Terms.of(spare[1:].ravel()) - Terms.of(spare[:-1].ravel()) * kept
    balance = balance + Terms.of(use).onto(place_s * n_riders + place_i, n_segments * n_riders)
    left = (1.0 - kept) * np.tile(full, n_segments) - also_used.ravel()
    new.add_rows("balance", balance, left, left, index=spare_index[:-n_riders])
    held = spare_index[n_riders:] if data.only_kept else spare_index[:0]
    above = Terms.of(spare[held[:, 0], held[:, 1]]) + reserve_amiss.take(held[:, 1])
    new.add_rows("above_reserve", above, lower=0.0, index=held)
    dip_s, dip_i = np.nonzero(data.dip_j > NEGLIGIBLE_DIP_J)
    in_line = mixed.take(place_led).onto(place_s * n_riders + place_i, n_segments * n_riders)
    dips = in_line.take(dip_s * n_riders + dip_i) * (data.dip_j[dip_s, dip_i] / JOULE_PER_UNIT)
    for name, boundary in (("dips_after", dip_s), ("dips_before", dip_s + 1)):
        stored = Terms.of(spare[boundary, dip_i]) + reserve_amiss.take(dip_i)
        new.add_rows(name, stored - dips, lower=0.0, index=np.column_stack([dip_s, dip_i]))
    back = np.flatnonzero(member[move_r, leader[move_q]])
    back_b, back_i = move_b[back], leader[move_q[back]]
    ways_back, of_way = np.unique(np.column_stack([back_b, back_i]), axis=0, return_inverse=True)
    dip = Terms.of(move[back]) * changeover_dip[back_b, move_q[back]]
    stored = Terms.of(spare[ways_back[:, 0], ways_back[:, 1]]) + reserve_amiss.take(ways_back[:, 1])
    new.add_rows("way_back", stored - dip.onto(of_way.ravel(), len(ways_back)), lower=0.0, index=ways_back)

    # surges, whoever leads
    def on_road(values: FloatArray) -> Terms:
        """A figure at the speeds of each segment, times their shares ``(n_segments,)``."""
        return at_speeds(values).onto(led_s, n_segments)

    speed_up = (rise * (data.average_kinetic_j_per_v2 / data.reference_s / JOULE_PER_UNIT)[led_s]).onto(
        led_s, n_segments
    )
    front_power = on_road(data.average_load_w / JOULE_PER_UNIT) + speed_up
    asked, given = (on_road(np.roll(power, -1, axis=0) / JOULE_PER_UNIT) for power in (data.asked_w, data.given_w))
    mean_speed = on_road(data.mean_mps)
    for name, later, earlier, missed, most, where in (
        ("surge_power", front_power, front_power + asked, surge_amiss, data.surge_w / JOULE_PER_UNIT, surge),
        ("drop_power", front_power * -1.0, given - front_power, surge_amiss, data.drop_w / JOULE_PER_UNIT, drop),
        ("surge_speed", mean_speed, mean_speed, speed_amiss, data.surge_mps, speed_surge),
    ):
        rows = np.flatnonzero(where)
        change = later.take(rows) - earlier.take(rows - 1) - missed.take(rows)
        new.add_rows(name, change, upper=most[rows], index=rows[:, None])
    return new
