"""The command line: ``ttt-opt check RACE``, ``ttt-opt plan RACE --out DIR``, ``ttt-opt simulate PLAN``,
for the numbers of a team file ``ttt-opt fit EFFORTS`` and ``ttt-opt drag RIDE``, after the race
``ttt-opt debrief PLAN RIDE...``, and the studies (:mod:`ttt_opt.study_commands`).

Exit codes: 0 done; 1 the plan fails its ride check; 2 bad input; 3 no feasible plan; 4 solver failure;
70 a fault in this program; 130 interrupted.
"""

from __future__ import annotations

import errno
import io
import os
import sys
import traceback
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ttt_opt import study_commands
from ttt_opt.command_parts import INTERRUPTED, RaceFile, finite, interruptible, say, silent_libraries
from ttt_opt.errors import InputError, NoFeasiblePlanError, SolverFailureError
from ttt_opt.interrupts import interrupts_wait
from ttt_opt.terminal_names import printable

if TYPE_CHECKING:
    from ttt_opt.plan import Plan

CHECK_FAILED, BAD_INPUT, NO_PLAN, SOLVER_FAILED, FAULT = 1, 2, 3, 4, 70
SHORTEST_PATTERN_SEARCH_S = 120.0
"""However short the time limit, patterns may be searched for so long (s)."""
DISK_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

app = typer.Typer(
    help="Plans a cycling team time trial: who pulls where, in which order and at which power.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.command()
@interruptible
def check(race_file: RaceFile) -> None:
    """Read a race with its team and course and say what was understood, without a search."""
    with interrupts_wait():
        from ttt_opt.course import read_course
        from ttt_opt.race import read_race
        from ttt_opt.race_text import race_text
        from ttt_opt.rotation_problem import road_of, segments_of

    race = read_race(race_file)
    course = read_course(race.course_file, flat=race.flat)
    road = road_of(segments_of(course, race), race, float(course.elevation_m[0]))
    print(race_text(race, course, road), end="")


@app.command()
@interruptible
def plan(
    race_file: RaceFile,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.", show_default=False)],
    time_limit: Annotated[
        float,
        typer.Option(
            "--time-limit",
            metavar="S",
            min=1.0,
            callback=finite,
            help="Longest search (s); as long again, at least 120 s, for patterns.",
        ),
    ] = 240.0,
    gap: Annotated[
        float,
        typer.Option(
            "--gap",
            metavar="SHARE",
            min=0.0,
            max=1.0,
            callback=finite,
            help="Stop when the plan is proven to be this close to the best, as share of the finish time.",
        ),
    ] = 0.001,
    seed: Annotated[int, typer.Option("--seed", metavar="N", min=0, max=2**31 - 1, help="Same seed, same plan.")] = 0,
    quiet: Annotated[bool, typer.Option("--quiet", help="Write the results without telling about them.")] = False,
) -> None:
    """Search the best plan, ride it to check it, and write it down.

    Writes plan.json, plan.txt, schedule.csv, briefing.html, cards.html and cues.gpx.

    Ctrl-C during the search ends it with the best plan so far; a second one ends the program.
    """
    with interrupts_wait():
        from ttt_opt.briefing import briefing_html
        from ttt_opt.cues import cues_gpx
        from ttt_opt.plan import make_plan, with_patterns, with_quick_bound
        from ttt_opt.plan_document import document_text, plan_document
        from ttt_opt.plan_text import plan_text
        from ttt_opt.progress_line import ProgressLine
        from ttt_opt.race import read_race
        from ttt_opt.rider_cards import cards_html
        from ttt_opt.schedule_table import schedule_csv
        from ttt_opt.search_control import Settings
        from ttt_opt.writing import prepare_folder, write_results

    race = read_race(race_file)
    prepare_folder(out)
    settings = Settings(time_limit_s=time_limit, gap=gap, seed=seed)
    progress = None if quiet or sys.stderr is None else ProgressLine(sys.stderr)
    try:
        with silent_libraries():
            made = with_quick_bound(make_plan(race, settings, progress))
            made = with_patterns(made, progress, max(time_limit, SHORTEST_PATTERN_SEARCH_S))
    finally:
        if progress is not None:
            progress.close()
    text = plan_text(made)
    results = {
        "cues.gpx": cues_gpx(made),
        "cards.html": cards_html(made),
        "briefing.html": briefing_html(made),
        "schedule.csv": schedule_csv(made),
        "plan.txt": text,
        "plan.json": document_text(plan_document(made)),
    }
    write_results(out, results)
    if not quiet:
        print(text, end="")
        print(f"\nWritten to {printable(str(out))}: {', '.join(reversed(results))}")
    _end_with_check(made)


@app.command()
@interruptible
def simulate(
    plan_file: Annotated[
        Path, typer.Argument(metavar="PLAN", help="A plan.json, with all that it takes.", show_default=False)
    ],
) -> None:
    """Ride a stored plan again, from its file alone, and check it."""
    with interrupts_wait():
        from ttt_opt.plan_reading import read_plan
        from ttt_opt.plan_text import plan_text

    ridden = read_plan(plan_file)
    print(plan_text(ridden), end="")
    _end_with_check(ridden)


class Given(StrEnum):
    """What a rider was given in a maximal effort."""

    DURATION = "duration"
    POWER = "power"


@app.command()
@interruptible
def fit(
    efforts_file: Annotated[
        Path | None,
        typer.Argument(
            metavar="EFFORTS",
            help="Maximal efforts (CSV: seconds, watts; rider where there are several).",
            show_default=False,
        ),
    ] = None,
    ride: Annotated[
        list[Path] | None,
        typer.Option(
            "--ride",
            metavar="FILE",
            help="Instead of efforts: a recorded ride with power (GPX, CSV), for its best efforts; may be repeated.",
            show_default=False,
        ),
    ] = None,
    rider: Annotated[
        str | None, typer.Option("--rider", metavar="NAME", help="Only this rider.", show_default=False)
    ] = None,
    given: Annotated[
        Given, typer.Option("--given", help="What the rider was given: a duration, or a power to exhaustion.")
    ] = Given.DURATION,
    threshold_power: Annotated[
        float | None,
        typer.Option(
            "--threshold-power",
            metavar="W",
            min=80.0,
            max=550.0,
            help="Instead of efforts: highest mean power over one hour (W).",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="New file for the lines of a team file.", show_default=False),
    ] = None,
) -> None:
    """Critical power and W' from maximal efforts, with their uncertainty, as lines for a team file."""
    with interrupts_wait():
        from ttt_opt.critical_power_fit import fit_critical_power, from_threshold_power
        from ttt_opt.critical_power_text import fit_text, team_fragment, threshold_text
        from ttt_opt.efforts import BEST_EFFORTS_CAUTION, NAMELESS, best_efforts, read_efforts, rider_name
        from ttt_opt.recorded_ride import read_recorded_ride
        from ttt_opt.writing import write_new_file

    if sum(source is not None for source in (efforts_file, threshold_power, ride or None)) != 1:
        raise typer.BadParameter("give either a file of efforts, or recorded rides (--ride), or --threshold-power")
    answers, text = {}, ""
    if threshold_power is not None:
        name = NAMELESS if rider is None else rider_name(rider, "--rider")
        answers[name] = from_threshold_power(finite(threshold_power))
        text = threshold_text(name, threshold_power, answers[name])
    elif efforts_file is not None:
        for name, efforts in read_efforts(efforts_file, rider).items():
            try:
                fitted = fit_critical_power(efforts, given.value)
            except ValueError as error:
                raise InputError(printable(str(efforts_file)), name, str(error)) from error
            answers[name] = fitted.answer
            text += fit_text(name, fitted, given.value)
    elif ride:
        name = NAMELESS if rider is None else rider_name(rider, "--rider")
        rides = [read_recorded_ride(path) for path in ride]
        try:
            fitted = fit_critical_power(best_efforts(rides), Given.DURATION.value)
        except ValueError as error:
            raise InputError(" and ".join(printable(str(path)) for path in ride), "", str(error)) from error
        answers[name] = fitted.answer
        cautious = replace(fitted, cautions=(BEST_EFFORTS_CAUTION, *fitted.cautions))
        text = fit_text(name, cautious, Given.DURATION.value)
    fragment = team_fragment(answers)
    if out is not None:
        write_new_file(out, fragment)
    print(text.lstrip("\n"), end="")
    print(f"\nWritten to {printable(str(out))}" if out is not None else f"\n{fragment.rstrip()}")


@app.command()
@interruptible
def drag(
    ride_file: Annotated[
        Path,
        typer.Argument(
            metavar="RIDE",
            help="Recorded ride (GPX with power, or CSV: seconds, watts, speed_mps or distance_m; elevation_m, "
            "latitude, longitude).",
            show_default=False,
        ),
    ],
    mass_kg: Annotated[
        float | None,
        typer.Option(
            "--mass-kg",
            metavar="KG",
            min=40.0,
            max=180.0,
            help="Rider, clothing, bicycle and bottles (kg); left out: 83.5 is assumed.",
            show_default=False,
        ),
    ] = None,
    temperature_c: Annotated[
        float,
        typer.Option(
            "--temperature-c",
            metavar="C",
            min=-20.0,
            max=45.0,
            callback=finite,
            help="Air temperature (°C).",
        ),
    ] = 18.0,
    pressure_hpa: Annotated[
        float,
        typer.Option(
            "--pressure-hpa",
            metavar="HPA",
            min=600.0,
            max=1100.0,
            callback=finite,
            help="At the start, not reduced to sea level.",
        ),
    ] = 1013.25,
    humidity: Annotated[
        float,
        typer.Option("--humidity", metavar="SHARE", min=0.0, max=1.0, callback=finite, help="Relative humidity."),
    ] = 0.6,
    air_density: Annotated[
        float | None,
        typer.Option(
            "--air-density",
            metavar="KG_PER_M3",
            min=0.6,
            max=1.5,
            help="Instead of temperature, pressure and humidity (kg/m3).",
            show_default=False,
        ),
    ] = None,
    wind_speed_mps: Annotated[
        float,
        typer.Option(
            "--wind-speed-mps",
            metavar="M_PER_S",
            min=0.0,
            max=25.0,
            callback=finite,
            help="At 10 m, as forecast.",
        ),
    ] = 0.0,
    wind_from_deg: Annotated[
        float,
        typer.Option(
            "--wind-from-deg",
            metavar="DEG",
            min=0.0,
            max=360.0,
            callback=finite,
            help="Where the wind comes from.",
        ),
    ] = 0.0,
    find_wind: Annotated[
        bool, typer.Option("--find-wind", help="Find a steady wind from a ride in several directions.")
    ] = False,
    shelter: Annotated[
        float,
        typer.Option(
            "--shelter",
            metavar="SHARE",
            min=0.0,
            max=1.0,
            callback=finite,
            help="Share of the wind that reaches the rider.",
        ),
    ] = 0.8,
    crr: Annotated[
        float,
        typer.Option(
            "--crr",
            metavar="CRR",
            min=0.001,
            max=0.02,
            callback=finite,
            help="Rolling resistance where the ride cannot tell it.",
        ),
    ] = 0.004,
    efficiency: Annotated[
        float,
        typer.Option(
            "--efficiency",
            metavar="SHARE",
            min=0.8,
            max=1.0,
            callback=finite,
            help="Power at the wheel over power shown; 1 for a meter in the hub.",
        ),
    ] = 0.976,
) -> None:
    """Drag area and rolling resistance from a recorded ride with power, with their uncertainty."""
    with interrupts_wait():
        from ttt_opt.drag_fit import drag_area_if, fit_drag
        from ttt_opt.drag_text import drag_text
        from ttt_opt.race import Weather
        from ttt_opt.recorded_ride import read_recorded_ride
        from ttt_opt.ride_stretches import Assumptions

    ride = read_recorded_ride(ride_file)
    weather = Weather(temperature_c, pressure_hpa, humidity, wind_speed_mps, wind_from_deg, shelter)
    assumed = Assumptions(weather=weather, air_density=air_density, crr=crr, efficiency=efficiency)
    if mass_kg is not None:
        assumed = replace(assumed, mass_kg=mass_kg)
    try:
        fitted = fit_drag(ride, assumed, find_wind=find_wind)
        changes = drag_area_if(ride, fitted)
    except ValueError as error:
        raise InputError(printable(str(ride_file)), "", str(error)) from error
    print(drag_text(ride, fitted, changes, mass_kg is not None), end="")


@app.command()
@interruptible
def debrief(
    plan_file: Annotated[
        Path, typer.Argument(metavar="PLAN", help="The plan.json that was ridden.", show_default=False)
    ],
    ride_files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RIDE...",
            help="Recorded rides (GPX or CSV) whose file names hold the riders' names.",
            show_default=False,
        ),
    ] = None,
    rider: Annotated[
        list[str] | None,
        typer.Option("--rider", metavar="NAME=FILE", help="A ride and whose it is.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for the results.", show_default=False),
    ] = None,
) -> None:
    """Compare recorded rides with the plan: time lost and why, who led when, surges, gaps, W'; drag, shelter and wind.

    Writes debrief.html, debrief.txt, debrief.csv and debrief.json where a folder is given.
    """
    with interrupts_wait():
        from ttt_opt.debrief import debrief as compare
        from ttt_opt.debrief_page import debrief_html
        from ttt_opt.debrief_tables import debrief_csv, debrief_json
        from ttt_opt.debrief_text import debrief_text
        from ttt_opt.plan_reading import read_plan
        from ttt_opt.recorded_ride import read_recorded_ride
        from ttt_opt.rides_of_riders import rides_of_riders
        from ttt_opt.writing import prepare_folder, write_results

    ridden = read_plan(plan_file)
    files = rides_of_riders(ridden.race.team, ride_files or [], rider or [])
    rides = {name: read_recorded_ride(path, needs_power=False) for name, path in files.items()}
    if out is not None:
        prepare_folder(out)
    found = compare(ridden, rides, {name: printable(str(path)) for name, path in files.items()})
    text = debrief_text(found)
    if out is not None:
        results = {
            "debrief.json": debrief_json(found),
            "debrief.csv": debrief_csv(found),
            "debrief.txt": text,
            "debrief.html": debrief_html(found),
        }
        write_results(out, results)
    print(text, end="")
    if out is not None:
        print(f"\nWritten to {printable(str(out))}: {', '.join(reversed(results))}")


for study in (study_commands.lineups, study_commands.sizes, study_commands.ill, study_commands.sensitivity):
    app.command()(interruptible(study))


def _end_with_check(made: Plan) -> None:
    """End the program with its exit code, and a sentence on stderr, where the ride check failed."""
    failed = made.check.failed
    if failed:
        worst = printable(failed[0].name)
        more = f" and {len(failed) - 1} more" if len(failed) > 1 else ""
        say(f"the plan fails its ride check: not met: {worst}{more}")
        raise typer.Exit(CHECK_FAILED)


def _forget_output() -> None:
    """Where the answer could not be written, keep Python from trying once more at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _open_standard_streams() -> None:
    """Open on nothing what the caller closed: else the next file or pipe takes its number, and gets its output."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115 - as long as we run


def run() -> None:
    """Entry point of the command ``ttt-opt``: run it and turn errors into one sentence and an exit code."""
    _open_standard_streams()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that lacks a letter must not end the program
            stream.reconfigure(errors="backslashreplace")
    try:
        try:
            app()
        finally:
            sys.stdout.flush()
    except InputError as error:
        say(str(error))
        sys.exit(BAD_INPUT)
    except BrokenPipeError:  # whoever reads has read enough
        _forget_output()
        sys.exit(1)
    except NoFeasiblePlanError as error:
        say(str(error))
        sys.exit(NO_PLAN)
    except SolverFailureError as error:
        say(str(error))
        sys.exit(SOLVER_FAILED)
    except KeyboardInterrupt:
        say("interrupted")
        sys.exit(INTERRUPTED)
    except Exception as error:
        if isinstance(error, OSError) and error.errno in DISK_FULL:
            _forget_output()
            say(f"cannot write: {error.strerror}; make room and run again")
            sys.exit(BAD_INPUT)
        place = traceback.extract_tb(error.__traceback__)[-1]
        say(
            f"a fault in this program, please report it: {type(error).__name__} in "
            f"{Path(place.filename).name}, line {place.lineno}: {printable(str(error))}"
        )
        sys.exit(FAULT)


if __name__ == "__main__":
    run()
