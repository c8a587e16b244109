"""A race: course, weather, rules and limits, and reading it from a race file (TOML)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from ttt_opt.team import Team

TERRAINS = ("flat", "climb", "descent")


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
        Share of the wind at rider height that reaches the riders, 1 on open land, less between hedges or houses.
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


@dataclass(frozen=True)
class Rules:
    """Rules of the event: how many start, and whose time counts.

    Attributes
    ----------
    counting_rider : int
        The team's time is that of the k-th rider; ``0``: the last one (everybody must finish in the line).
    """

    counting_rider: int = 0


@dataclass(frozen=True)
class PullBounds:
    """Shortest and longest pull on one kind of terrain (s)."""

    shortest_s: float
    longest_s: float


@dataclass(frozen=True)
class Limits:
    """What the coach allows.

    Attributes
    ----------
    pulls : dict of str to PullBounds
        Keys ``flat``, ``climb``, ``descent``.
    surge_w : float
        Largest rise of front power from one stretch to the next beyond what the road itself asks (W, average rider).
    surge_kmh : float
        Largest rise of speed from one stretch to the next where the road does not get easier (km/h).
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
    on_wheel_share_of_cp: float = 1.1
    w_prime_reserve_j: float = 3000.0
    sustainable_share_of_cp: float | None = None


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
    recovery : str
        ``differential`` or ``constant``, see :mod:`ttt_opt.physiology`.
    recovery_share : float
        Share of the power below critical power that refills W' when recovery is ``constant``.
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
    recovery: str = "differential"
    recovery_share: float = 0.5
