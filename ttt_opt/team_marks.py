"""Short marks that stand for the riders where a name has no room."""

from __future__ import annotations

from collections import Counter

from ttt_opt.html_text import Html, element
from ttt_opt.palette import rider_colour
from ttt_opt.team import Team


def team_marks(team: Team) -> dict[str, str]:
    """The mark of each rider by name: the first letter, or the number in the team, or both where letters are alike."""
    letters = [next((letter for letter in rider.name if letter.isalpha()), "").upper()[:1] for rider in team.riders]
    count = Counter(letters)
    return {
        rider.name: letter if letter and count[letter] == 1 else f"{letter}{number}"
        for number, (rider, letter) in enumerate(zip(team.riders, letters, strict=True), start=1)
    }


def chip(team: Team, name: str) -> Html:
    """A rider's mark on the rider's colour, as a word of a page."""
    number = next(index for index, rider in enumerate(team.riders) if rider.name == name)
    return element("span", team_marks(team)[name], class_="chip", style=f"background:{rider_colour(number)}")
