"""The commands of the studies: ``lineups``, ``sizes``, ``ill`` and ``sensitivity``."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ttt_opt.command_parts import RaceFile, finite, silent_libraries
from ttt_opt.errors import InputError
from ttt_opt.interrupts import interrupts_wait
from ttt_opt.terminal_names import printable

if TYPE_CHECKING:
    from ttt_opt.course import Course
    from ttt_opt.race import Race
    from ttt_opt.search_control import Settings
    from ttt_opt.study_pool import Tell, Workers
    from ttt_opt.study_report import Report
    from ttt_opt.study_store import Store

Out = Annotated[
    Path,
    typer.Option(
        "--out", metavar="DIR", help="Folder for the results and for what is kept to go on from.", show_default=False
    ),
]
TimeLimit = Annotated[
    float, typer.Option("--time-limit", metavar="S", min=1.0, callback=finite, help="Longest search of one plan (s).")
]
Gap = Annotated[
    float,
    typer.Option("--gap", metavar="SHARE", min=0.0, max=1.0, callback=finite, help="As of ttt-opt plan, of each plan."),
]
Seed = Annotated[int, typer.Option("--seed", metavar="N", min=0, max=2**31 - 1, help="Same seed, same answer.")]
Processes = Annotated[
    int | None,
    typer.Option("--processes", metavar="N", min=1, max=1024, help="Plans searched at once; left out: one per core."),
]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Search on the workers of this Dask scheduler instead."),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Write the results without telling about them.")]
CountingRider = Annotated[
    int | None,
    typer.Option("--counting-rider", metavar="K", min=0, max=10, help="Instead of the race file's; 0: the last one."),
]

STUDY_TIME_LIMIT_S, STUDY_GAP = 60.0, 0.003


def lineups(
    race_file: RaceFile,
    out: Out,
    size: Annotated[
        int | None, typer.Option("--size", metavar="N", min=2, max=10, help="Team size; left out: rules.team_size.")
    ] = None,
    fixed: Annotated[
        list[str] | None, typer.Option("--fixed", metavar="NAME", help="Must start; may be repeated.")
    ] = None,
    unavailable: Annotated[
        list[str] | None, typer.Option("--unavailable", metavar="NAME", help="Cannot start; may be repeated.")
    ] = None,
    time_limit: TimeLimit = STUDY_TIME_LIMIT_S,
    gap: Gap = STUDY_GAP,
    seed: Seed = 0,
    processes: Processes = None,
    scheduler: Scheduler = None,
    quiet: Quiet = False,
) -> None:
    """The best teams of a roster: which riders should start.

    Every team of the size is planned, except those that a bound proves to be slower than the best one found.
    """
    with interrupts_wait():
        from ttt_opt.lineups import possible_teams, rank_teams, roster_races
        from ttt_opt.lineups_report import lineups_report

    race, course = _read(race_file)
    names = [_known(race, race_file, name, "--fixed") for name in fixed or []]
    absent = [_known(race, race_file, name, "--unavailable") for name in unavailable or []]
    n_riders = size or race.rules.team_size
    if n_riders is None:
        raise InputError(printable(str(race_file)), "rules.team_size", "is not given; give it or --size")
    if not possible_teams(race, n_riders, names, absent):
        raise InputError(
            printable(str(race_file)),
            "",
            f"no team of {n_riders} with two who pull can be chosen from "
            f"{len(race.team.riders) - len(set(absent))} available riders, {len(set(names))} of them fixed; "
            "allowed: fewer --fixed or --unavailable, or a smaller --size",
        )

    def study(settings: Settings, store: Store, workers: Workers, tell: Tell) -> Report:
        races = roster_races(race, n_riders, names, absent)
        (ranking,) = rank_teams([(course, races)], settings, store, workers, tell, best_once_more=True)
        return lineups_report(race, course, n_riders, names, absent, ranking)

    _run(study, out, time_limit, gap, seed, processes, scheduler, quiet)


def sizes(
    race_files: Annotated[
        list[Path], typer.Argument(metavar="RACE...", help="Race files (TOML), one a course.", show_default=False)
    ],
    out: Out,
    larger: Annotated[int, typer.Option("--larger", metavar="N", min=3, max=10, help="Size of the larger teams.")] = 4,
    smaller: Annotated[
        int, typer.Option("--smaller", metavar="N", min=2, max=9, help="Size of the smaller teams.")
    ] = 3,
    wind: Annotated[
        list[float] | None,
        typer.Option(
            "--wind",
            metavar="M_PER_S",
            min=0.0,
            max=25.0,
            help="Wind at 10 m to try besides the race's own, from the same direction; may be repeated.",
        ),
    ] = None,
    counting_rider: Annotated[
        list[int] | None,
        typer.Option(
            "--counting-rider",
            metavar="K",
            min=0,
            max=10,
            help="Rule to try instead of the race's: the K-th rider's time counts, 0: the last one's; may be repeated.",
        ),
    ] = None,
    time_limit: TimeLimit = STUDY_TIME_LIMIT_S,
    gap: Gap = STUDY_GAP,
    seed: Seed = 0,
    processes: Processes = None,
    scheduler: Scheduler = None,
    quiet: Quiet = False,
) -> None:
    """Fours against threes, or any two sizes: who is faster, why, and where the verdict flips."""
    with interrupts_wait():
        from ttt_opt.team_sizes import study_sizes
        from ttt_opt.team_sizes_report import team_sizes_report

    if smaller >= larger:
        raise typer.BadParameter(f"--smaller {smaller} is not below --larger {larger}")
    races = []
    for race_file in race_files:
        race, course = _read(race_file)
        if len(race.team.riders) < larger:
            raise InputError(
                printable(str(race_file)),
                "team",
                f"has {len(race.team.riders)} riders; allowed: at least --larger {larger}",
            )
        races.append((race, course))

    def study(settings: Settings, store: Store, workers: Workers, tell: Tell) -> Report:
        found = study_sizes(
            races,
            (larger, smaller),
            [finite(speed) for speed in wind or []],
            counting_rider or [None],
            settings,
            store,
            workers,
            tell,
        )
        return team_sizes_report(found)

    _run(study, out, time_limit, gap, seed, processes, scheduler, quiet)


def ill(
    race_file: RaceFile,
    out: Out,
    rider: Annotated[str, typer.Option("--rider", metavar="NAME", help="Who is below strength.", show_default=False)],
    below: Annotated[
        list[float] | None,
        typer.Option(
            "--below",
            metavar="SHARE",
            min=0.0,
            max=0.5,
            help="How far critical power and W' are below; may be repeated; left out: 0.05, 0.1 and 0.2.",
        ),
    ] = None,
    counting_rider: CountingRider = None,
    time_limit: TimeLimit = STUDY_TIME_LIMIT_S,
    gap: Gap = STUDY_GAP,
    seed: Seed = 0,
    processes: Processes = None,
    scheduler: Scheduler = None,
    quiet: Quiet = False,
) -> None:
    """Race day with a rider below strength: start without, leave early, sit on, pull short, or ride the old plan.

    With fever, chest symptoms or feeling unwell nobody starts: ask a doctor.
    """
    with interrupts_wait():
        from ttt_opt.weakened_rider import study_weakened_rider
        from ttt_opt.weakened_rider_report import weakened_rider_report

    race, course = _read(race_file, whole_team=True)
    name = _known(race, race_file, rider, "--rider")
    if counting_rider is not None:
        try:
            race = replace(race, rules=replace(race.rules, counting_rider=counting_rider))
        except ValueError as error:
            raise typer.BadParameter(f"--counting-rider: {error}") from error
    reductions = sorted({finite(share) for share in below or [0.05, 0.1, 0.2]})
    if len(race.team.riders) < 3:
        raise InputError(
            printable(str(race_file)), "team", "has two riders; allowed: at least 3, so that one can be missing"
        )
    number = next(i for i, other in enumerate(race.team.riders) if other.name == name)
    weakest_j = race.team.riders[number].w_prime_j * (1.0 - reductions[-1])
    if weakest_j <= race.limits.w_prime_reserve_j:
        raise InputError(
            printable(str(race_file)),
            "limits.w_prime_reserve_j",
            f"{race.limits.w_prime_reserve_j:g} J is not below the {weakest_j:g} J that {printable(name)} has "
            f"{100 * reductions[-1]:g} % below strength; allowed: a smaller --below or reserve",
        )

    def study(settings: Settings, store: Store, workers: Workers, tell: Tell) -> Report:
        found = study_weakened_rider(race, course, name, reductions, settings, store, workers, tell)
        return weakened_rider_report(race, found)

    _run(study, out, time_limit, gap, seed, processes, scheduler, quiet)


def sensitivity(
    race_file: RaceFile,
    out: Out,
    anew: Annotated[
        int, typer.Option("--anew", metavar="N", min=0, max=30, help="Search the plan anew for the N largest changes.")
    ] = 3,
    rides: Annotated[
        int,
        typer.Option("--rides", metavar="N", min=0, max=100000, help="Simulated rides of a plan on days that differ."),
    ] = 1000,
    robust: Annotated[
        bool,
        typer.Option("--robust", help="Ride plans that keep more W' too, and name the one that comes through best."),
    ] = False,
    time_limit: TimeLimit = STUDY_TIME_LIMIT_S,
    gap: Gap = STUDY_GAP,
    seed: Seed = 0,
    processes: Processes = None,
    scheduler: Scheduler = None,
    quiet: Quiet = False,
) -> None:
    """What the plan is sensitive to: one input changed at a time, then many simulated rides on days that differ."""
    with interrupts_wait():
        from ttt_opt.many_rides import Spread
        from ttt_opt.sensitivity import study_sensitivity
        from ttt_opt.sensitivity_report import sensitivity_report

    race, course = _read(race_file, whole_team=True)

    def study(settings: Settings, store: Store, workers: Workers, tell: Tell) -> Report:
        found = study_sensitivity(
            race, course, settings, store, workers, tell, n_anew=anew, n_rides=rides, spread=Spread(), robust=robust
        )
        return sensitivity_report(found)

    _run(study, out, time_limit, gap, seed, processes, scheduler, quiet)


def _read(race_file: Path, *, whole_team: bool = False) -> tuple[Race, Course]:
    """The race with its roster, and the course."""
    with interrupts_wait():
        from ttt_opt.course import read_course
        from ttt_opt.race import read_race

    race = read_race(race_file, larger_team=not whole_team)
    return race, read_course(race.course_file, flat=race.flat)


def _known(race: Race, race_file: Path, name: str, option: str) -> str:
    """The name of a rider as the team file has it."""
    alike = unicodedata.normalize("NFC", name).casefold()
    for rider in race.team.riders:
        if unicodedata.normalize("NFC", rider.name).casefold() == alike:
            return rider.name
    riders = ", ".join(printable(rider.name) for rider in race.team.riders)
    raise InputError(printable(str(race_file)), "team", f"has no rider {option} {printable(name)}; allowed: {riders}")


def _run(
    study: Callable[[Settings, Store, Workers, Tell], Report],
    out: Path,
    time_limit: float,
    gap: float,
    seed: int,
    processes: int | None,
    scheduler: str | None,
    quiet: bool,
) -> None:
    """Run a study, write what it found, and tell about it."""
    with interrupts_wait():
        import math

        from ttt_opt.progress_line import ProgressLine
        from ttt_opt.search_control import Settings
        from ttt_opt.study_pool import Workers
        from ttt_opt.study_report import report_files, report_text
        from ttt_opt.study_store import Store
        from ttt_opt.writing import prepare_folder, write_results

    prepare_folder(out)
    progress = None if quiet or sys.stderr is None else ProgressLine(sys.stderr)

    def tell(text: str) -> None:
        if progress is not None:
            progress(text, math.inf, -math.inf)

    try:
        with silent_libraries():
            report = study(
                Settings(time_limit_s=time_limit, gap=gap, seed=seed), Store(out), Workers(scheduler, processes), tell
            )
    finally:
        if progress is not None:
            progress.close()
    files = report_files(report)
    write_results(out, files)
    if not quiet:
        print(report_text(report), end="")
        print(f"\nWritten to {printable(str(out))}: {', '.join(reversed(files))}")
