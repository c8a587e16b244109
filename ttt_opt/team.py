"""Riders and teams, and reading them from a team file (TOML)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rider:
    """One rider, as a coach knows him or her.

    Attributes
    ----------
    name : str
    mass_kg, bicycle_mass_kg : float
        Body mass with clothing; bicycle with bottles (kg).
    cp_w : float
        Critical power (W).
    w_prime_j : float
        Work above critical power that the rider holds when fresh (J).
    cda_m2 : float
        Drag area alone, in the time-trial position (m2).
    height_m : float or None
    peak_power_w : float or None
        Highest power used in starts and out of bends (W); ``None``: critical power plus W' over 60 s.
    pulls : bool
        ``False``: the rider sits on for the whole race, on the last wheels.
    shortest_pull_s, longest_pull_s : float or None
        Own bounds on a pull on the flat (s); ``None``: those of the race file.
    """

    name: str
    mass_kg: float
    cp_w: float
    w_prime_j: float
    cda_m2: float
    bicycle_mass_kg: float = 8.5
    height_m: float | None = None
    peak_power_w: float | None = None
    pulls: bool = True
    shortest_pull_s: float | None = None
    longest_pull_s: float | None = None

    @property
    def total_mass_kg(self) -> float:
        """Rider and bicycle (kg)."""
        return self.mass_kg + self.bicycle_mass_kg

    @property
    def peak_w(self) -> float:
        """Highest power used (W), by default critical power plus W' spent in 60 s."""
        return self.peak_power_w if self.peak_power_w is not None else self.cp_w + self.w_prime_j / 60.0


@dataclass(frozen=True)
class Team:
    """A team as it starts: a name and its riders in the order of the file."""

    name: str
    riders: tuple[Rider, ...]
