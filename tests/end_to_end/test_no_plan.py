"""Infeasible by each limit in turn: the answer names the limit, the rider and the smallest change that helps.

Every change that an answer names is made in the files as a coach would make it, and searched anew: there is a plan
then, and there is none with clearly less of the change.
"""

from __future__ import annotations

import json
import math
import re
import signal
import sys
import tomllib
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from conftest import METRES_PER_DEGREE, RACE, TEAM, straight_road_gpx

from ttt_opt import cli, plan, remedies
from ttt_opt.course import read_course
from ttt_opt.errors import NoFeasiblePlanError
from ttt_opt.plan import make_plan, plan_on
from ttt_opt.race import read_race
from ttt_opt.remedies import Change, smallest, smallest_together
from ttt_opt.search_control import Settings

pytestmark = pytest.mark.usefixtures("listens_to_ctrl_c")
QUICK = Settings(time_limit_s=60.0, gap=0.2, processes=1)
ADD_UP = "the shortest and longest pulls allowed (limits.pulls and the riders' own) do not add up to the course"
NO_SCHEDULE = "no schedule keeps all limits"


def hill_gpx(grade: float) -> str:
    """600 m of flat, 1,200 m of climb, 600 m of flat, straight north."""
    points = "".join(
        f'<trkpt lat="{54.4 + metres / METRES_PER_DEGREE:.7f}" lon="4.6">'
        f"<ele>{10.0 + grade * min(max(metres - 600, 0), 1200):.2f}</ele></trkpt>"
        for metres in range(0, 2401, 30)
    )
    return f"<gpx><trk><name>Hill</name><trkseg>{points}</trkseg></trk></gpx>"


@dataclass(frozen=True)
class Case:
    """A race that nobody can ride as it stands.

    ``race`` holds sections of the race file, ``ben`` fields of the second rider; ``named`` are the limits that the
    answer has to name, each a regular expression with what follows the values.
    """

    why: str
    named: tuple[str, ...]
    race: Mapping[str, Any] = field(default_factory=dict)
    ben: Mapping[str, float] = field(default_factory=dict)
    grade: float = 0.0
    together: bool = False


FIVE_TO_SIX_S = {"shortest_s": 5, "longest_s": 6}
SHORT_ONES = {"longest pull on the flat", "longest pull on a climb", "longest pull of one rider"}
CASES = {
    "longest pull on the flat": Case(
        ADD_UP,
        (r"limits\.pulls\.flat\.longest_s at least \S+ \(now 6\)",),
        {"limits": {"pulls": {"flat": FIVE_TO_SIX_S}}},
    ),
    "longest pull on a climb": Case(
        ADD_UP,
        (r"limits\.pulls\.climb\.longest_s at least \S+ \(now 6\)",),
        {"limits": {"pulls": {"climb": FIVE_TO_SIX_S}}},
        grade=0.09,
    ),
    "longest pull of one rider": Case(
        ADD_UP,
        (r"longest_pull_s of Ben at least \S+ \(now 6\)",),
        ben={"shortest_pull_s": 5, "longest_pull_s": 6},
    ),
    "shortest pull on a climb": Case(
        ADD_UP,
        (r"limits\.pulls\.climb\.shortest_s at most \S+ \(now 74\)",),
        {"limits": {"pulls": {"climb": {"shortest_s": 74}}}},
        grade=0.09,
    ),
    "power on a wheel": Case(
        NO_SCHEDULE,
        (r"limits\.on_wheel_share_of_cp at least \S+ \(now 0\.5\), for \w+ at \d\.\d\d km",),
        {"limits": {"on_wheel_share_of_cp": 0.5}},
        grade=0.09,
    ),
    "reserve of W'": Case(
        NO_SCHEDULE,
        (r"limits\.w_prime_reserve_j at most \S+ \(now 16990\), for Ben",),
        {"limits": {"w_prime_reserve_j": 16990}},
    ),
    "peak power of one rider": Case(
        NO_SCHEDULE,
        (r"peak_power_w of Ben at least \S+ \(now 200\), at \d\.\d\d km",),
        {"limits": {"on_wheel_share_of_cp": 2.0}},
        {"cp_w": 180, "peak_power_w": 200},
        grade=0.12,
    ),
    "riders needed at the finish": Case(
        NO_SCHEDULE,
        (r"rules\.counting_rider at most 2 \(now 0: the last of 3\)",),
        ben={"cp_w": 100, "w_prime_j": 6000},
        grade=0.12,
    ),
    "pulls of the race and of a rider": Case(
        ADD_UP,
        (r"limits\.pulls\.climb\.longest_s at least \S+ \(now 6\)", r"longest_pull_s of Ben at least \S+ \(now 6\)"),
        {"limits": {"pulls": {"flat": FIVE_TO_SIX_S, "climb": FIVE_TO_SIX_S}}},
        {"shortest_pull_s": 5, "longest_pull_s": 6},
        grade=0.09,
        together=True,
    ),
    "pulls and power on a wheel": Case(
        ADD_UP,
        (
            r"limits\.pulls\.flat\.longest_s at least \S+ \(now 6\), of \w+ at \d\.\d\d km",
            r"limits\.on_wheel_share_of_cp at least \S+ \(now 0\.5\), for \w+ at \d\.\d\d km",
        ),
        {"limits": {"pulls": {"flat": FIVE_TO_SIX_S}, "on_wheel_share_of_cp": 0.5, "w_prime_reserve_j": 16990}},
        grade=0.09,
        together=True,
    ),
}


def merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """Nested tables with those of another one in place of their own."""
    result = dict(old)
    for key, value in new.items():
        result[key] = merged(result.get(key, {}), value) if isinstance(value, Mapping) else value
    return result


def toml_of(tables: Mapping[str, Any], section: str = "") -> str:
    """Nested tables as a TOML file; what is neither table nor list of tables is written as JSON, which TOML shares."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in tables.items() if not isinstance(value, dict | list)]
    for key, value in tables.items():
        name = f"{section}.{key}" if section else key
        if isinstance(value, dict):
            lines += [f"[{name}]", toml_of(value, name)]
        elif isinstance(value, list):
            for each in value:
                lines += [f"[[{name}]]", toml_of(each, name)]
    return "\n".join(lines)


@dataclass(frozen=True)
class Files:
    """Race and team as tables, and the folder in which they are written."""

    folder: Path
    race: dict[str, Any]
    team: dict[str, Any]
    grade: float

    def write(self) -> Path:
        self.folder.mkdir(parents=True, exist_ok=True)
        course = hill_gpx(self.grade) if self.grade else straight_road_gpx(3000.0)
        (self.folder / "course.gpx").write_text(course, encoding="utf-8")
        (self.folder / "team.toml").write_text(toml_of(self.team), encoding="utf-8")
        (self.folder / "race.toml").write_text(toml_of(self.race), encoding="utf-8")
        return self.folder / "race.toml"

    def there_is_a_plan(self) -> bool:
        """Whether a search finds one; with its first one it is interrupted, as better ones do not matter here."""
        race = read_race(self.write())
        found: list[float] = []

        def enough(_what: str, best_s: float, _bound_s: float) -> None:
            if math.isfinite(best_s) and not found:
                found.append(best_s)
                signal.raise_signal(signal.SIGINT)

        try:
            plan_on(read_course(race.course_file), race, QUICK, enough)
        except NoFeasiblePlanError:
            return False
        return True

    def with_value(self, limit: str, value: float) -> Files:
        """One value of the files in place of another, as the answer names it."""
        race, team = deepcopy(self.race), deepcopy(self.team)
        key, _, rider = limit.partition(" of ")
        table: dict[str, Any] = race
        if rider:
            table = next(each for each in team["riders"] if each["name"] == rider)
        *sections, key = key.split(".")
        for section in sections:
            table = table.setdefault(section, {})
        table[key] = round(value) if key == "counting_rider" else value
        return Files(self.folder, race, team, self.grade)


def files_of(case: Case, folder: Path) -> Files:
    race = {key: value for key, value in tomllib.loads(RACE).items() if key != "start_time"}
    team = tomllib.loads(TEAM)
    team["riders"][1].update(case.ben)
    return Files(folder, merged(race, case.race), team, case.grade)


CHANGE = re.compile(
    r"(?P<limit>[a-z_.]+(?: of \w+)?) at (?:least|most) (?P<value>[0-9.]+) \(now (?P<now>[0-9.]+)(?P<last>:[^)]*)?\)"
)
STEP = {"on_wheel_share_of_cp": 0.01, "w_prime_reserve_j": 10.0, "peak_power_w": 5.0}


def clearly_less(limit: str, value: float, now: float) -> float:
    """A tenth less of a change, or a step."""
    step = STEP.get(limit.partition(" of ")[0].rpartition(".")[2], 1.0)
    back = max(step, 0.1 * abs(value - now))
    return round(value - math.copysign(back, value - now), 3)


RunHere = Callable[..., tuple[int, str]]


@pytest.fixture
def run_here(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> RunHere:
    """Run the entry point in this process: exit code and what is on standard error."""

    def run(*words: str | Path) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["ttt-opt", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.run()
        assert isinstance(ended.value.code, int)
        return ended.value.code, capfd.readouterr().err

    return run


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in SHORT_ONES else pytest.mark.slow) for name in CASES]
)
def test_the_smallest_change_is_named_and_helps(name: str, tmp_path: Path, run_here: RunHere) -> None:
    case = CASES[name]
    files = files_of(case, tmp_path / "race")
    code, told = run_here("plan", files.write(), "--out", tmp_path / "out", "--quiet")
    assert code == 3
    assert told.startswith(f"ttt-opt: {case.why}")
    assert told.count("\n") == 1
    assert list((tmp_path / "out").iterdir()) == []
    for needed in case.named:
        assert re.search(needed, told), told
    assert case.together == ("; together these make one possible: " in told)
    changes = [(found["limit"], float(found["value"]), _now(found)) for found in CHANGE.finditer(told)]
    assert len(changes) >= len(case.named)
    if case.together:
        for limit, value, _ in changes:
            files = files.with_value(limit, value)
        assert files.there_is_a_plan()
    for limit, value, now in changes:
        assert case.together or files.with_value(limit, value).there_is_a_plan(), limit
        assert not files.with_value(limit, clearly_less(limit, value, now)).there_is_a_plan(), limit


def _now(found: re.Match[str]) -> float:
    """The value of the files; the number of riders where they say that the last one counts."""
    return float(found["last"].rpartition(" ")[2]) if found["last"] else float(found["now"])


# --- how it is looked for ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Amounts:
    """In place of a race: amounts of two limits, which must reach so much for a plan."""

    first: float = 10.0
    second: float = 10.0


def amount(key: str, extreme: float = 500.0) -> Change:
    def changed(race: Any, value: float) -> Any:
        return Amounts(**{"first": race.first, "second": race.second, key: value})

    return Change(key, 10.0, extreme, 1.0, changed)


def needing(first: float, second: float) -> Callable[[Any], dict[str, str] | None]:
    def missed_by(race: Any) -> dict[str, str] | None:
        missed = {}
        if race.first < first:
            missed["first"] = "for Arne"
        if race.second < second:
            missed["second"] = "for Bela"
        return missed or None

    return missed_by


@pytest.mark.parametrize("needed", [10.5, 11.0, 12.0, 13.0, 47.0, 123.0, 499.0, 500.0])
def test_halving_finds_what_is_needed(needed: float) -> None:
    """Within 2 % of the change, or one step; and it names who misses what is just too little."""
    race: Any = Amounts()
    change = amount("first")
    found = smallest(change, race, needing(needed, 0.0), lambda: False)
    assert found is not None
    n_steps, where = found
    assert needed <= change.value(n_steps) <= needed + max(1.0, 0.02 * (needed - 10.0)) + 1e-9
    assert where == "for Arne"


def test_a_limit_that_does_not_help_is_not_named() -> None:
    race: Any = Amounts()
    assert smallest(amount("first"), race, needing(501.0, 0.0), lambda: False) is None
    assert smallest(amount("second"), race, needing(50.0, 0.0), lambda: False) is None
    assert smallest(amount("first", extreme=10.0), race, needing(10.5, 0.0), lambda: False) is None


def test_when_time_is_up_what_helped_so_far_is_the_answer() -> None:
    race: Any = Amounts()
    assert smallest(amount("first"), race, needing(47.0, 0.0), lambda: True) == (490, "")


def test_two_limits_that_help_only_together() -> None:
    race: Any = Amounts()
    first, second = amount("first"), amount("second")
    told = smallest_together([first], [first, second], race, needing(20.0, 30.0), lambda: False)
    assert told == ["first at least 20 (now 10), for Arne", "second at least 30 (now 10), for Bela"]


def test_of_limits_that_were_named_together_only_those_that_are_needed_are_told() -> None:
    race: Any = Amounts()
    both = [amount("first"), amount("second")]
    told = smallest_together(both, both, race, needing(0.0, 30.0), lambda: False)
    assert told == ["second at least 30 (now 10), for Bela"]


def test_limits_that_do_not_help_even_together() -> None:
    race: Any = Amounts()
    both = [amount("first"), amount("second")]
    assert smallest_together(both[:1], both, race, needing(20.0, 501.0), lambda: False) == []


# --- interrupted, or no time left ----------------------------------------------------------------------------


def test_interrupted_while_looking_for_changes(
    tmp_path: Path, run_here: RunHere, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever has heard that there is no plan gets that answer, with what was found so far."""
    original = remedies.refuse_without_a_plan

    def pressed(*args: Any) -> None:
        signal.raise_signal(signal.SIGINT)
        original(*args)

    monkeypatch.setattr(remedies, "refuse_without_a_plan", pressed)
    files = files_of(CASES["reserve of W'"], tmp_path / "race")
    code, told = run_here("plan", files.write(), "--out", tmp_path / "out", "--quiet")
    assert code == 3
    assert told.startswith("ttt-opt: no schedule keeps all limits; ")
    assert told.count("\n") == 1


def test_no_time_for_changes_leaves_the_answer_of_the_search(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan, "REMEDY_SECONDS", 0.0)
    race = read_race(files_of(CASES["reserve of W'"], tmp_path / "race").write())
    with pytest.raises(
        NoFeasiblePlanError, match=r"the nearest one found needs .*w_prime_reserve_j at most \d+ for Ben$"
    ):
        make_plan(race, QUICK)
