"""The benchmark instances: invented teams on invented courses, written as files and read by the product's readers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from course_shapes import Shape, course_gpx
from ttt_opt.race import Race, read_race

RIDERS: tuple[tuple[str, float, float, float, float], ...] = (
    ("Arne", 80.0, 364.0, 24000.0, 0.265),
    ("Bela", 71.0, 348.0, 20000.0, 0.235),
    ("Carl", 58.0, 273.0, 14000.0, 0.205),
    ("Dirk", 74.0, 312.0, 18000.0, 0.245),
    ("Emil", 68.0, 330.0, 21000.0, 0.230),
    ("Finn", 77.0, 340.0, 16000.0, 0.250),
    ("Gerd", 64.0, 292.0, 19000.0, 0.220),
    ("Hans", 83.0, 345.0, 22000.0, 0.270),
)
"""Invented riders: name, body mass (kg), critical power (W), W' (J), drag area (m2); teams are the first so many."""


@dataclass(frozen=True)
class Instance:
    """One benchmark instance.

    Attributes
    ----------
    name : str
    n_riders : int
    shape : Shape
    counting_rider : int
        As in the race file; 0: the last one's time counts.
    wind_speed_mps, wind_from_deg : float
        Wind at 10 m (m/s) and where it comes from (degrees).
    purpose : str
        What it is there for.
    """

    name: str
    n_riders: int
    shape: Shape
    purpose: str
    counting_rider: int = 0
    wind_speed_mps: float = 0.0
    wind_from_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 2 <= self.n_riders <= len(RIDERS):
            raise ValueError(f"n_riders: {self.n_riders} is not within 2 to {len(RIDERS)}")


_STEADY = tuple(
    Instance(f"steady-{n}-riders", n, Shape("rolling", 20.0, 7), "growth with riders") for n in (3, 4, 5, 6, 8)
)
_LONGER = tuple(
    Instance(f"longer-{km}-km", 3, Shape("rolling", float(km), 7), "growth with segments") for km in (10, 20, 40, 80)
)

REGISTRY: dict[str, Instance] = {
    instance.name: instance
    for instance in (
        Instance("flat-3-15", 3, Shape("flat", 15.0, 1), "short and flat"),
        Instance("rolling-4-40", 4, Shape("rolling", 40.0, 2), "acceptance: four riders, all orders"),
        Instance("rolling-6-40", 6, Shape("rolling", 40.0, 3), "acceptance: six riders"),
        Instance("rolling-8-50-fifth", 8, Shape("rolling", 50.0, 4), "acceptance: eight riders, time on the fifth", 5),
        Instance("rolling-6-100", 6, Shape("rolling", 100.0, 5), "acceptance: long, six riders"),
        Instance("wind-4-40", 4, Shape("flat", 40.0, 6, 250.0, True), "out and back in wind", 3, 7.0, 240.0),
        Instance("mountain-4-40", 4, Shape("mountain", 40.0, 8), "one long climb and its descent"),
        Instance("mountain-3-100", 3, Shape("mountain", 100.0, 9), "four climbs", 0, 4.0, 290.0),
        Instance("flat-8-15-fifth", 8, Shape("flat", 15.0, 10), "short, many riders", 5, 3.0, 160.0),
        *_STEADY,
        *_LONGER,
    )
}


def write_instance(instance: Instance, folder: Path) -> Path:
    """Write race, team and course file into a folder, and give the race file."""
    folder.mkdir(parents=True, exist_ok=True)
    team = [f'[team]\nname = "Invented {instance.n_riders}"']
    for name, mass_kg, cp_w, w_prime_j, cda_m2 in RIDERS[: instance.n_riders]:
        team.append(
            f'[[riders]]\nname = "{name}"\nmass_kg = {mass_kg}\ncp_w = {cp_w}\n'
            f"w_prime_j = {w_prime_j}\ncda_m2 = {cda_m2}"
        )
    race = (
        f'name = "{instance.name}"\ncourse = "course.gpx"\nteam = "team.toml"\n\n'
        f"[weather]\nwind_speed_mps = {instance.wind_speed_mps}\nwind_from_deg = {instance.wind_from_deg}\n\n"
        f"[rules]\ncounting_rider = {instance.counting_rider}\n"
    )
    race_file = folder / "race.toml"
    race_file.write_text(race, encoding="utf-8")
    (folder / "team.toml").write_text("\n\n".join(team) + "\n", encoding="utf-8")
    (folder / "course.gpx").write_text(course_gpx(instance.shape, instance.name), encoding="utf-8")
    return race_file


def read_instance(instance: Instance, folder: Path) -> Race:
    """Write an instance into a folder and read it back with the product's readers."""
    return read_race(write_instance(instance, folder))
