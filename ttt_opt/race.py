"""A race: course, weather, rules and limits, and reading it from a race file (TOML)."""

from __future__ import annotations

import datetime
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path, PureWindowsPath

import numpy as np
from numpy.typing import NDArray

from ttt_opt.drafting import (
    LARGEST_GAP_M,
    LONGEST_LINE,
    SMALLEST_GAP_M,
    TABLES,
    behind_a_heavier_rider,
    draft_shares,
    own_shares,
)
from ttt_opt.physiology import RECOVERY_MODELS
from ttt_opt.team import LONGEST_NAME, Rider, Team, read_team
from ttt_opt.toml_input import Bounds, Table, describe, read_toml

TERRAINS = ("flat", "climb", "descent")
LONGEST_FILE_NAME = 255

WEATHER_BOUNDS = {
    "temperature_c": Bounds(-20.0, 45.0, "°C"),
    "pressure_hpa": Bounds(600.0, 1100.0, "hPa", "at the start of the course, not reduced to sea level"),
    "humidity": Bounds(0.0, 1.0, "", "a share, 0.6 for 60 %"),
    "wind_speed_mps": Bounds(0.0, 25.0, "m/s", "at 10 m, as forecast"),
    "wind_from_deg": Bounds(0.0, 360.0, "degrees", "where the wind comes from, clockwise from north"),
    "shelter": Bounds(0.0, 1.0, "", "share of the wind that reaches the riders"),
}
LIMIT_BOUNDS = {
    "surge_w": Bounds(1.0, 300.0, "W"),
    "surge_kmh": Bounds(0.1, 20.0, "km/h"),
    "top_speed_kmh": Bounds(40.0, 110.0, "km/h"),
    "on_wheel_share_of_cp": Bounds(0.5, 2.0, "", "share of critical power"),
    "w_prime_reserve_j": Bounds(0.0, 50000.0, "J", "joules, not kJ"),
    "sustainable_share_of_cp": Bounds(0.5, 1.1, "", "share of critical power"),
}
PULL_BOUNDS = Bounds(3.0, 3600.0, "s")
CRR_BOUNDS = Bounds(0.001, 0.02, "", "coefficient of rolling resistance")
GAP_BOUNDS = Bounds(SMALLEST_GAP_M, LARGEST_GAP_M, "m", "between wheels")
SHARE_BOUNDS = Bounds(0.0, 1.0, "", "share of the power below critical power")
PER_KG_BOUNDS = Bounds(0.0, 0.01, "", "share of the drag, 0.003 for 0.3 % for each kilogram")
DRAFT_SHARE_BOUNDS = Bounds(0.2, 1.2, "", "share of the solo drag, 0.65 for 65 %")


@dataclass(frozen=True)
class Weather:
    """Weather over the course.

    Attributes
    ----------
    temperature_c, pressure_hpa, humidity : float
        Air temperature (°C), pressure at the start of the course (hPa), relative humidity (0 to 1).
    wind_speed_mps : float
        Wind speed at 10 m above open ground, as forecasts give it (m/s).
    wind_from_deg : float
        Direction the wind comes from (degrees clockwise from north).
    shelter : float
        Share of the wind at rider height that reaches the riders, 1 on open land, less between hedges or
        houses.
    wet : bool
        Wet road: less grip in bends and for braking.
    """

    temperature_c: float = 18.0
    pressure_hpa: float = 1013.25
    humidity: float = 0.6
    wind_speed_mps: float = 0.0
    wind_from_deg: float = 0.0
    shelter: float = 0.8
    wet: bool = False

    def __post_init__(self) -> None:
        for name in WEATHER_BOUNDS:
            if not math.isfinite(getattr(self, name)):
                raise ValueError(f"{name}: {getattr(self, name)} is not finite")
        for name in ("humidity", "shelter"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name}: {getattr(self, name)} is not within 0 to 1")
        if self.pressure_hpa <= 0.0:
            raise ValueError(f"pressure_hpa: {self.pressure_hpa} is not positive")
        if self.wind_speed_mps < 0.0:
            raise ValueError(f"wind_speed_mps: {self.wind_speed_mps} is negative")


@dataclass(frozen=True)
class Rules:
    """Rules of the event: how many start, and whose time counts.

    Attributes
    ----------
    counting_rider : int
        The team's time is that of the k-th rider; ``0``: the last one (everybody must finish in the line).
    team_size : int or None
        How many riders may start; ``None``: as many as the team file holds.
    """

    counting_rider: int = 0
    team_size: int | None = None

    def __post_init__(self) -> None:
        if self.counting_rider < 0:
            raise ValueError(f"counting_rider: {self.counting_rider} is negative")
        if self.team_size is not None and not 1 <= self.team_size <= LONGEST_LINE:
            raise ValueError(f"team_size: {self.team_size} is not within 1 to {LONGEST_LINE}")
        if self.team_size is not None and self.counting_rider > self.team_size:
            raise ValueError(
                f"counting_rider: {self.counting_rider} is more than the team_size of {self.team_size}; "
                f"allowed: 0 (the last rider) to {self.team_size}"
            )


@dataclass(frozen=True)
class PullBounds:
    """Shortest and longest pull on one kind of terrain (s)."""

    shortest_s: float
    longest_s: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.shortest_s <= self.longest_s < math.inf:
            raise ValueError(
                f"shortest_s: {self.shortest_s:g} s is more than the longest_s of {self.longest_s:g} s"
            )


@dataclass(frozen=True)
class Limits:
    """What the coach allows.

    Attributes
    ----------
    pulls : dict of str to PullBounds
        Keys ``flat``, ``climb``, ``descent``.
    surge_w : float
        Largest rise of front power from one stretch to the next beyond what the road itself asks (W, average
        rider).
    surge_kmh : float
        Largest rise of speed from one stretch to the next where the road does not get easier (km/h).
    top_speed_kmh : float
        Highest speed that the line rides anywhere (km/h): beyond it riders sit up or brake.
    on_wheel_share_of_cp : float
        Largest power of a rider on a wheel, as share of critical power.
    w_prime_reserve_j : float
        W' that every rider keeps (J).
    sustainable_share_of_cp : float or None
        Share of critical power that counts as sustainable over the race; ``None``: by duration.
    """

    pulls: dict[str, PullBounds] = field(
        default_factory=lambda: {
            "flat": PullBounds(15.0, 75.0),
            "climb": PullBounds(15.0, 75.0),
            "descent": PullBounds(10.0, 20.0),
        }
    )
    surge_w: float = 25.0
    surge_kmh: float = 1.0
    top_speed_kmh: float = 70.0
    on_wheel_share_of_cp: float = 1.1
    w_prime_reserve_j: float = 3000.0
    sustainable_share_of_cp: float | None = None

    def __post_init__(self) -> None:
        if set(self.pulls) != set(TERRAINS):
            raise ValueError(f"pulls: must hold exactly {', '.join(TERRAINS)}")
        for name in ("surge_w", "surge_kmh", "on_wheel_share_of_cp", "w_prime_reserve_j"):
            if not getattr(self, name) >= 0.0:
                raise ValueError(f"{name}: {getattr(self, name)} is negative")
        if not 0.0 < self.top_speed_kmh < math.inf:
            raise ValueError(f"top_speed_kmh: {self.top_speed_kmh} is not positive or not finite")
        if self.sustainable_share_of_cp is not None and not 0.0 < self.sustainable_share_of_cp < math.inf:
            raise ValueError(f"sustainable_share_of_cp: {self.sustainable_share_of_cp} is not positive")

    @property
    def top_speed_mps(self) -> float:
        """Highest speed of the line (m/s)."""
        return self.top_speed_kmh / 3.6


@dataclass(frozen=True)
class Race:
    """Everything that a plan depends on, apart from the course's shape.

    Attributes
    ----------
    course_file : Path
        GPX file of the course.
    flat : bool
        Treat the course as level (for files without elevation).
    crr : float
        Coefficient of rolling resistance.
    drafting : str
        Name of a drafting table, see :mod:`ttt_opt.drafting`.
    wheel_gap_m : float
        Gap between wheels (m).
    drafting_shares : tuple of float
        The team's own shares of the solo drag by place, leader first, as a ride showed them; empty: those of the
        table. Places behind the last have its share.
    drafting_per_kg : float
        Drag less for each kilogram that the rider ahead is heavier, see
        :func:`ttt_opt.drafting.behind_a_heavier_rider`.
    recovery : str
        ``differential`` or ``constant``, see :mod:`ttt_opt.physiology`.
    recovery_share : float
        Share of the power below critical power that refills W' when recovery is ``constant``.
    start_order : tuple of str
        Names of all riders in the order in which they start, the first leader first; empty: the plan decides.

    Raises
    ------
    ValueError
        Values that no race can have, or that do not fit together; the text begins with the field of the race
        file.
    """

    name: str
    team: Team
    course_file: Path
    weather: Weather = Weather()
    rules: Rules = Rules()
    limits: Limits = field(default_factory=Limits)
    start_time: str | None = None
    flat: bool = False
    crr: float = 0.004
    drafting: str = "measured"
    wheel_gap_m: float = 0.5
    drafting_shares: tuple[float, ...] = ()
    drafting_per_kg: float = 0.0
    recovery: str = "differential"
    recovery_share: float = 0.5
    start_order: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n_riders = len(self.team.riders)
        if self.rules.counting_rider > n_riders:
            raise ValueError(
                f"rules.counting_rider: {self.rules.counting_rider} but the team has {n_riders} riders; "
                f"allowed: 0 (the last rider) to {n_riders}"
            )
        if self.drafting not in TABLES:
            raise ValueError(f"drafting.table: {self.drafting!r} is not one of {', '.join(TABLES)}")
        if self.recovery not in RECOVERY_MODELS:
            raise ValueError(f"recovery.model: {self.recovery!r} is not one of {', '.join(RECOVERY_MODELS)}")
        if not SHARE_BOUNDS.low <= self.recovery_share <= SHARE_BOUNDS.high:
            raise ValueError(
                f"recovery.constant_share: {self.recovery_share} is not within {SHARE_BOUNDS.allowed}"
            )
        if not GAP_BOUNDS.low <= self.wheel_gap_m <= GAP_BOUNDS.high:
            raise ValueError(f"drafting.wheel_gap_m: {self.wheel_gap_m} is not within {GAP_BOUNDS.allowed}")
        if self.drafting_shares and not 2 <= len(self.drafting_shares) <= LONGEST_LINE:
            count = len(self.drafting_shares)
            raise ValueError(f"drafting.shares: holds {count} numbers; allowed: 2 to {LONGEST_LINE}")
        if not all(DRAFT_SHARE_BOUNDS.low <= share <= DRAFT_SHARE_BOUNDS.high for share in self.drafting_shares):
            raise ValueError(
                f"drafting.shares: {self.drafting_shares} are not all within {DRAFT_SHARE_BOUNDS.allowed}"
            )
        if not PER_KG_BOUNDS.low <= self.drafting_per_kg <= PER_KG_BOUNDS.high:
            raise ValueError(f"drafting.per_kg: {self.drafting_per_kg} is not within {PER_KG_BOUNDS.allowed}")
        if not 0.0 <= self.crr < math.inf:
            raise ValueError(f"surface.crr: {self.crr} is negative or not finite")
        if self.start_order:
            self._check_start_order()

    def draft_shares(self, line_length: int) -> NDArray[np.float64]:
        """Share of the solo drag in each place of a line, leader first, ``(line_length,)``."""
        if self.drafting_shares:
            return own_shares(self.drafting_shares, line_length)
        return draft_shares(self.drafting, line_length, self.wheel_gap_m)

    def line_shares(self, riders: Sequence[Rider]) -> NDArray[np.float64]:
        """Share of the solo drag of each rider of a line, leader first, with the size of who is ahead."""
        shares = np.array(self.draft_shares(len(riders)))
        mass = np.array([rider.mass_kg for rider in riders])
        shares[1:] *= behind_a_heavier_rider(mass[1:], mass[:-1], self.drafting_per_kg)
        return shares

    def _check_start_order(self) -> None:
        names = [rider.name for rider in self.team.riders]
        if sorted(self.start_order) != sorted(names):
            raise ValueError(
                f"start_order: {_quoted(self.start_order)} does not name every rider of the team once; "
                f"allowed: {_quoted(names)} in any order, or no start_order"
            )
        sitting = {rider.name for rider in self.team.riders if not rider.pulls}
        if set(self.start_order[len(names) - len(sitting) :]) != sitting:
            raise ValueError(f"start_order: riders who sit on ({_quoted(sorted(sitting))}) must come last")


def read_race(path: Path, *, larger_team: bool = False) -> Race:
    """Read a race file and the team file that it names.

    Parameters
    ----------
    path : Path
        TOML file. Needed: ``name``, ``course`` (GPX file) and ``team`` (TOML file), both at or below the
        folder of the race file. Everything else has a default, see README.md of the data folder for all
        fields.
    larger_team : bool
        Accept more riders than ``rules.team_size``, for studies that choose who starts.

    Returns
    -------
    Race
        With the course file's path, not yet read.

    Raises
    ------
    InputError
        A file cannot be read, a field is wrong or fields do not fit together; the text names file, field,
        value and what is allowed.
    """
    top = read_toml(path)
    top.refuse_unknown(
        (
            "name",
            "course",
            "team",
            "flat",
            "start_time",
            "start_order",
            "weather",
            "rules",
            "limits",
            "surface",
            "drafting",
            "recovery",
        )
    )
    surface, drafting, recovery = top.subtable("surface"), top.subtable("drafting"), top.subtable("recovery")
    surface.refuse_unknown(("crr",))
    drafting.refuse_unknown(("table", "wheel_gap_m", "shares", "per_kg"))
    name = top.text("name", LONGEST_NAME)
    model, share = _recovery(recovery)
    course_file = _file_below(top, "course", path.parent)
    weather, rules, limits = _weather(top.subtable("weather")), _rules(top.subtable("rules")), _limits(top)
    team = read_team(_file_below(top, "team", path.parent))
    _check_team(top, team, rules, limits, larger_team=larger_team)
    try:
        return Race(
            name=name,
            team=team,
            course_file=course_file,
            weather=weather,
            rules=rules,
            limits=limits,
            start_time=_start_time(top),
            flat=top.truth_or("flat", Race.flat),
            crr=surface.number_or("crr", CRR_BOUNDS, Race.crr),
            drafting=drafting.choice_or("table", TABLES, Race.drafting),
            wheel_gap_m=drafting.number_or("wheel_gap_m", GAP_BOUNDS, Race.wheel_gap_m),
            drafting_shares=_drafting_shares(drafting),
            drafting_per_kg=drafting.number_or("per_kg", PER_KG_BOUNDS, Race.drafting_per_kg),
            recovery=model,
            recovery_share=share,
            start_order=tuple(
                unicodedata.normalize("NFC", name) for name in top.words_or("start_order", LONGEST_NAME, ())
            ),
        )
    except ValueError as error:
        raise top.rephrased(error) from error


def _weather(section: Table) -> Weather:
    section.refuse_unknown([item.name for item in fields(Weather)])
    numbers = {
        key: section.number_or(key, bounds, getattr(Weather, key)) for key, bounds in WEATHER_BOUNDS.items()
    }
    return Weather(**numbers, wet=section.truth_or("wet", Weather.wet))


def _rules(section: Table) -> Rules:
    section.refuse_unknown([item.name for item in fields(Rules)])
    lines = Bounds(2, LONGEST_LINE, "riders", "a line of more is not covered by the drafting tables")
    try:
        return Rules(
            counting_rider=section.whole_number_or(
                "counting_rider",
                Bounds(0, LONGEST_LINE, "", "0: the last rider's time counts"),
                Rules.counting_rider,
            ),
            team_size=section.whole_number_or("team_size", lines, Rules.team_size),
        )
    except ValueError as error:
        raise section.rephrased(error) from error


def _limits(top: Table) -> Limits:
    section, standard = top.subtable("limits"), Limits()
    section.refuse_unknown([item.name for item in fields(Limits)])
    numbers = {
        key: section.number_or(key, bounds, getattr(standard, key)) for key, bounds in LIMIT_BOUNDS.items()
    }
    return Limits(pulls=_pulls(section.subtable("pulls"), standard), **numbers)


def _pulls(section: Table, standard: Limits) -> dict[str, PullBounds]:
    section.refuse_unknown(TERRAINS)
    pulls = {}
    for terrain in TERRAINS:
        bounds, usual = section.subtable(terrain), standard.pulls[terrain]
        bounds.refuse_unknown([item.name for item in fields(PullBounds)])
        try:
            pulls[terrain] = PullBounds(
                bounds.number_or("shortest_s", PULL_BOUNDS, usual.shortest_s),
                bounds.number_or("longest_s", PULL_BOUNDS, usual.longest_s),
            )
        except ValueError as error:
            raise bounds.rephrased(error) from error
    return pulls


def _recovery(section: Table) -> tuple[str, float]:
    section.refuse_unknown(("model", "constant_share"))
    model = section.choice_or("model", RECOVERY_MODELS, Race.recovery)
    if section.has("constant_share") and model != "constant":
        raise section.error(
            "constant_share", f'has no effect with the model "{model}"; set model = "constant" or drop it'
        )
    return model, section.number_or("constant_share", SHARE_BOUNDS, Race.recovery_share)


def _drafting_shares(section: Table) -> tuple[float, ...]:
    shares = section.numbers_or("shares", DRAFT_SHARE_BOUNDS, ())
    if shares and section.has("table"):
        raise section.error("table", "has no effect beside shares, the team's own figures; keep one of the two")
    return shares


def _start_time(top: Table) -> str | None:
    """Local date and time of the start, written as a TOML date-time or as text."""
    allowed = "local date and time without a zone, e.g. 2030-05-01T14:00:00"
    value = top.values.get("start_time")
    if value is None:
        return None
    if isinstance(value, str):
        try:
            value = datetime.datetime.fromisoformat(value)
        except ValueError:
            raise top.error(
                "start_time", f"{describe(value)} is no date and time; allowed: {allowed}"
            ) from None
    if not isinstance(value, datetime.datetime) or value.tzinfo is not None:
        raise top.error("start_time", f"{describe(value)} is not allowed; allowed: {allowed}")
    return value.isoformat(timespec="seconds")


def _file_below(top: Table, key: str, folder: Path) -> Path:
    """A file that the race file names, which must lie in the race file's folder or below it."""
    name = top.text(key, LONGEST_FILE_NAME)
    allowed = "a file in the folder of the race file or below it, written with forward slashes"
    if name.startswith("/") or "\\" in name or PureWindowsPath(name).drive:
        raise top.error(key, f"{describe(name)} is not a relative path; allowed: {allowed}")
    path = folder / name
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
        exists = inside and path.is_file()
    except (OSError, RuntimeError):  # names too long for the file system, links in a circle
        raise top.error(key, f"{describe(name)} cannot be looked up; allowed: {allowed}") from None
    if not inside:
        raise top.error(key, f"{describe(name)} leaves the folder of the race file; allowed: {allowed}")
    if not exists:
        raise top.error(key, f"{describe(name)} is not there; allowed: {allowed}")
    return path


def _check_team(top: Table, team: Team, rules: Rules, limits: Limits, *, larger_team: bool) -> None:
    """Refuse a team that cannot start under these rules and limits."""
    n_riders, size = len(team.riders), rules.team_size
    if size is not None and n_riders > size and not larger_team:
        raise top.error(
            "rules.team_size",
            f"is {size} but the team file has {n_riders} riders; keep only those who start in it, "
            "or let the study of line-ups choose among them",
        )
    if n_riders > LONGEST_LINE and not (larger_team and size is not None):
        raise top.error(
            "team",
            f"has {n_riders} riders; allowed: {LONGEST_LINE} in one line, so set rules.team_size and choose",
        )
    pulling = sum(rider.pulls for rider in team.riders)
    if pulling < 2:
        raise top.error("team", f"riders who pull (pulls = true) number {pulling}; allowed: at least 2")
    for rider in team.riders:
        if limits.w_prime_reserve_j >= rider.w_prime_j:
            raise top.error(
                "limits.w_prime_reserve_j",
                f"{limits.w_prime_reserve_j:g} J is not below the {rider.w_prime_j:g} J of {rider.name}",
            )
        shortest_s, longest_s = _own_pulls(rider, limits.pulls["flat"])
        if shortest_s > longest_s:
            raise top.error(
                "limits.pulls.flat",
                f"with the own bounds of {rider.name} in the team file the shortest pull of {shortest_s:g} s "
                f"is longer than the longest of {longest_s:g} s",
            )


def _own_pulls(rider: Rider, flat: PullBounds) -> tuple[float, float]:
    return (
        flat.shortest_s if rider.shortest_pull_s is None else rider.shortest_pull_s,
        flat.longest_s if rider.longest_pull_s is None else rider.longest_pull_s,
    )


def _quoted(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
