"""What the README promises: its commands, its defaults, its files."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest
import typer.main

from ttt_opt import cli
from ttt_opt.changeover import DRIFT_SPEED_MPS
from ttt_opt.course_notes import NOTABLE_WIND_MPS
from ttt_opt.physics import DRIVETRAIN_EFFICIENCY, ROUGHNESS_LENGTH_M, braking_deceleration, cornering_speed
from ttt_opt.physiology import ENDURANCE_EXPONENT, FULL_CP_DURATION_S, LOWEST_SUSTAINABLE_SHARE
from ttt_opt.race import Limits, Race, Rules, Weather
from ttt_opt.ride_check import FINISH_TIME_TOLERANCE, W_PRIME_TOLERANCE_J
from ttt_opt.rotation_optimum import MOST_ORDERS
from ttt_opt.rotation_problem import FINE_GRID
from ttt_opt.team import Rider

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = ("README.md", "DEVELOPERS.md", "benchmarks/README.md")


def shell_blocks(page: str) -> list[str]:
    return [block.strip() for block in re.findall(r"```sh\n(.*?)```", page, re.DOTALL)]


def commands(page: str) -> list[str]:
    """Every command line with ``ttt-opt`` and arguments, in blocks or between backticks."""
    quoted = re.findall(r"`(ttt-opt [^`\n]+)`", page)
    in_blocks = [
        part.strip()[part.strip().index("ttt-opt ") :]
        for block in shell_blocks(page)
        for line in block.splitlines()
        for part in line.split("&&")
        if "ttt-opt " in part
    ]
    return [line for line in quoted + in_blocks if not line.endswith("plan")]


def table_after(start: str) -> list[dict[str, str]]:
    """The first table after a text, as rows of heading to cell."""
    lines = iter(README[README.index(start) :].splitlines())
    rows: list[list[str]] = []
    for line in lines:
        if line.startswith("|"):
            rows.append([cell.strip().strip("`") for cell in line.strip("|").split("|")])
        elif rows:
            break
    return [dict(zip(rows[0], row, strict=True)) for row in rows[2:]]


def defaults(thing: type | object, prefix: str = "") -> dict[str, Any]:
    """Default of every field of a dataclass that has one."""
    found: dict[str, Any] = {}
    assert is_dataclass(thing)
    for item in fields(thing):
        if item.default is not MISSING:
            found[prefix + item.name] = item.default
    return found


def race_defaults() -> dict[str, Any]:
    """Defaults of all fields of a race file, under the names that the file has for them."""
    limits = Limits()
    found = {
        **defaults(Weather, "weather."),
        **defaults(Rules, "rules."),
        **defaults(Limits, "limits."),
        "flat": Race.flat,
        "start_time": Race.start_time,
        "start_order": Race.start_order,
        "surface.crr": Race.crr,
        "drafting.table": Race.drafting,
        "drafting.wheel_gap_m": Race.wheel_gap_m,
        "drafting.shares": Race.drafting_shares,
        "drafting.per_kg": Race.drafting_per_kg,
        "recovery.model": Race.recovery,
        "recovery.constant_share": Race.recovery_share,
    }
    for terrain, bounds in limits.pulls.items():
        found[f"limits.pulls.{terrain}.shortest_s"] = bounds.shortest_s
        found[f"limits.pulls.{terrain}.longest_s"] = bounds.longest_s
    return found


WORDS_FOR_NOTHING = {
    "none",
    "by CP and W′",
    "of the race",
    "the plan decides",
    "as the team file",
    "by duration",
    "of the table",
}


def agree(cell: str, default: object) -> bool:
    """A cell of the column *default* says what the code does."""
    if default is None or default == ():
        return cell in WORDS_FOR_NOTHING
    return tomllib.loads(f"value = {cell}")["value"] == default


def compare(rows: list[dict[str, str]], in_code: Mapping[str, Any], needed: set[str]) -> None:
    stated = {row["field"]: row["default"] for row in rows}
    assert len(stated) == len(rows), "a field is there twice"
    assert {field for field, cell in stated.items() if cell == "needed"} == needed
    assert set(stated) - needed == set(in_code)
    wrong = {field: cell for field, cell in stated.items() if field not in needed and not agree(cell, in_code[field])}
    assert not wrong


def test_the_job_comes_first_in_one_paragraph() -> None:
    heading, first, *_ = README.split("\n\n")
    assert heading == "# ttt-opt"
    for word in ("team time trial", "mixed-integer", "starting order", "counting rider", "critical power", "surge",
                 "best possible", "simulation", "schedule"):  # fmt: skip
        assert word in " ".join(first.split()), word


def test_two_commands_set_up_plan_and_test() -> None:
    plan, test = shell_blocks(README)
    for line in (plan, test):
        assert "\n" not in line
        assert line.startswith("python3.11 -m venv .venv && .venv/bin/pip install -c .ci/constraints.txt ")
    assert plan.endswith("&& .venv/bin/ttt-opt plan data/demo/race.toml --out plan-out --time-limit 140")
    assert test.endswith("&& .venv/bin/python -m pytest")
    assert (ROOT / "data/demo/race.toml").is_file()
    assert "plan-out/" in (ROOT / ".gitignore").read_text(encoding="utf-8").split()


def test_ci_runs_the_same_tests() -> None:
    words = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert re.search(r'^"\$bin/python" -m pytest( +#.*)?$', words, re.MULTILINE)


@pytest.mark.parametrize("page", PAGES)
def test_every_command_line_is_understood(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    lines = commands(text)
    assert lines or page != "README.md"
    group = typer.main.get_command(cli.app)
    for line in lines:
        name, *words = shlex.split(line)[1:]
        command = group.commands[name]  # type: ignore[attr-defined]  # a group, since there are several
        assert command.make_context(name, words).params, line


def test_options_of_plan_are_named_with_their_defaults() -> None:
    group = typer.main.get_command(cli.app)
    options = {
        parameter.opts[0]: parameter.default
        for parameter in group.commands["plan"].params  # type: ignore[attr-defined]  # a group
        if parameter.opts[0].startswith("--")
    }
    for option, default in options.items():
        assert f"`{option}" in README or option == "--out", option
        if isinstance(default, float | int) and not isinstance(default, bool):
            assert re.search(rf"`{option} \w+` \({default:g}:", README), option


def test_exit_codes() -> None:
    stated = {int(row["exit code"]) for row in table_after("| exit code |")}
    code = {cli.CHECK_FAILED, cli.BAD_INPUT, cli.NO_PLAN, cli.SOLVER_FAILED, cli.FAULT, cli.INTERRUPTED}
    assert stated == {0} | code


def test_fields_and_defaults_of_a_team_file() -> None:
    compare(table_after("**Team**"), defaults(Rider), {"name", "mass_kg", "cp_w", "w_prime_j", "cda_m2"})


def test_fields_and_defaults_of_a_race_file() -> None:
    compare(table_after("**Race**"), race_defaults(), {"name", "course", "team"})


def test_every_number_says_where_it_comes_from() -> None:
    for start in ("**Team**", "**Race**"):
        for row in table_after(start):
            if re.match(r"[\d.]", row["default"]):
                assert row["default comes from"], row["field"]


def test_other_figures_are_those_of_the_code() -> None:
    text = " ".join(README.split())
    across = [float(cornering_speed(1.0, wet)) ** 2 for wet in (False, True)]
    for sentence in (
        f"drivetrain efficiency {DRIVETRAIN_EFFICIENCY:g}",
        f"roughness {ROUGHNESS_LENGTH_M:g} m",
        f"up to {across[0]:.1f} m/s² across, {across[1]:.1f} m/s² when wet",
        f"braked for at {braking_deceleration(False):.1f} m/s², {braking_deceleration(True):.1f} m/s² when wet",
        f"drifts back at {DRIFT_SPEED_MPS:.1f} m/s",
        f"1 up to {FULL_CP_DURATION_S / 60:g} min, then (duration / 30 min)^−{-ENDURANCE_EXPONENT:g}, "
        f"at least {LOWEST_SUSTAINABLE_SHARE:g}",
        f"within {100 * FINISH_TIME_TOLERANCE:g} % of the time and {W_PRIME_TOLERANCE_J / 1000:g} kJ",
        f"from {FINE_GRID[0]:g} to {FINE_GRID[-1]:g} times the reference speed",
        f"({MOST_ORDERS} at most, 6 for four riders)",
        f"cross wind is below {NOTABLE_WIND_MPS:g} m/s",
    ):
        assert sentence in text, sentence


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page: str) -> None:
    path = ROOT / page
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), target


def test_cautions_are_there() -> None:
    cautions = README[README.index("## Before you ride") :]
    for words in ("open road", "rules of the event", "half a metre", "In heat", "chest symptoms", "do not start"):
        assert words in cautions, words
