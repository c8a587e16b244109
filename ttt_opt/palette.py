"""Colours of the pages, for light and dark screens and for paper."""

from __future__ import annotations

from collections.abc import Mapping

LIGHT = {
    "page": "#ffffff",
    "panel": "#f2f2ee",
    "ink": "#1b1b1b",
    "soft": "#555555",
    "axis": "#767676",
    "land": "#d5d5cc",
    "first": "#00508a",
    "second": "#8f3b00",
    "good": "#00603a",
    "bad": "#a30000",
}
"""Page and panels, text and lesser text, axes, land below the road, two kinds of curves, met and not met."""
DARK = {
    "page": "#14161a",
    "panel": "#20242a",
    "ink": "#ececec",
    "soft": "#b4b4b4",
    "axis": "#8d8d8d",
    "land": "#3b4048",
    "first": "#7cc0f5",
    "second": "#f0a868",
    "good": "#6fd3a0",
    "bad": "#ff9a90",
}
BAND_INK = "#000000"
"""Letters on the riders' colours, on light and dark pages alike."""
RIDER_COLOURS = ("#f0e442", "#56b4e9", "#e69f00", "#009e73", "#cc79a7", "#d55e00")
"""Colours that people of all kinds of colour vision tell apart; riders beyond these begin again, since every band
also bears the rider's mark.

References
----------
Okabe & Ito (2008), Color universal design: how to make figures and presentations that are friendly to colorblind
people, University of Tokyo.
"""


def rider_colour(rider: int) -> str:
    """Colour of a rider by his number in the team, from 0."""
    return RIDER_COLOURS[rider % len(RIDER_COLOURS)]


def variables(colours: Mapping[str, str]) -> str:
    """A palette as custom properties of a style sheet."""
    return "".join(f"--{name}:{value};" for name, value in colours.items())
