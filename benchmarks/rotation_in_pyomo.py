"""The rotation model written row by row in Pyomo, from its page: what the blocks of the product are compared with."""

from __future__ import annotations

import numpy as np
import pyomo.environ as pyo

from ttt_models.rotation import (
    JOULE_PER_UNIT,
    KEPT_TOLERANCE_S,
    NEGLIGIBLE_DIP_J,
    NEGLIGIBLE_J,
    POWER_AMISS_S_PER_KW,
    PULL_AMISS_S,
    RESERVE_AMISS_S_PER_KJ,
    SPARE_S_PER_KJ,
    SPEED_AMISS_S_PER_MPS,
    SURGE_AMISS_S_PER_KW,
    FloatArray,
    RotationData,
    most_squares,
)

Node = tuple[int, int]
"""A boundary, or the segment that follows it, and the line there."""


def rotation_in_pyomo(data: RotationData) -> pyo.ConcreteModel:
    """Write the rotation model.

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
    fastest = data.fastest_mps
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

    def reserve_amiss(i: int) -> pyo.Expression:
        return m.reserve_amiss[i] if data.only_kept else 0.0

    dips = [(s, i) for s, i in zip(*np.nonzero(data.dip_j > NEGLIGIBLE_DIP_J), strict=True)]

    def dip(s: int, i: int) -> pyo.Expression:
        return data.dip_j[s, i] / JOULE_PER_UNIT * pyo.quicksum(
            term for q in leading[s] if i in data.lines[q] for term in mix[s, q]
        )

    m.dips_after = pyo.Constraint(dips, rule=lambda _, s, i: m.spare[s, i] + reserve_amiss(i) >= dip(s, i))
    m.dips_before = pyo.Constraint(dips, rule=lambda _, s, i: m.spare[s + 1, i] + reserve_amiss(i) >= dip(s, i))

    ways_back: dict[tuple[int, int], list[pyo.Expression]] = {}
    for b, q, r in moves:
        leader = data.lines[q][0]
        if leader in data.lines[r]:
            ways_back.setdefault((b, leader), []).append(changeover_dip[b][q] * m.move[b, q, r])

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
