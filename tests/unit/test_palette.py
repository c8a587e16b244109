"""Colours of the pages: contrast, and riders told apart by people of all kinds of colour vision."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from ttt_opt.palette import BAND_INK, DARK, LIGHT, RIDER_COLOURS, rider_colour

TEXT_CONTRAST, DRAWING_CONTRAST = 4.5, 3.0
"""WCAG 2.2, success criteria 1.4.3 (AA) and 1.4.11."""
# Linear RGB as people without one kind of cone see it: Viénot, Brettel & Mollon (1999), Digital video colourmaps for
# checking the legibility of displays by dichromats, Color Research and Application 24. All in LMS of that paper.
TO_LMS = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
VISION = {
    "all cones": np.eye(3),
    "protanopia": np.array([[0.0, 2.02344, -2.52581], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    "deuteranopia": np.array([[1.0, 0.0, 0.0], [0.494207, 0.0, 1.24827], [0.0, 0.0, 1.0]]),
}


def linear(colour: str) -> NDArray[np.float64]:
    """Linear light of an sRGB colour (IEC 61966-2-1)."""
    share = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255.0
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(first: str, second: str) -> float:
    """WCAG 2.2, contrast ratio."""
    low, high = sorted([luminance(first), luminance(second)])
    return (high + 0.05) / (low + 0.05)


def lab(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* of linear sRGB light, white point D65."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = to_xyz @ np.clip(light, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    x, y, z = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def test_contrast_of_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("below", ["page", "panel"])
@pytest.mark.parametrize("text", ["ink", "soft", "good", "bad"])
def test_text_can_be_read(text: str, below: str, colours: dict[str, str]) -> None:
    assert contrast(colours[text], colours[below]) >= TEXT_CONTRAST


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("line", ["ink", "soft", "axis", "first", "second", "bad"])
def test_lines_can_be_seen(line: str, colours: dict[str, str]) -> None:
    assert contrast(colours[line], colours["page"]) >= DRAWING_CONTRAST


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("rider", RIDER_COLOURS)
def test_curves_can_be_seen_over_a_riders_own_pulls(rider: str, colours: dict[str, str]) -> None:
    """The blocks behind the curves are 45 % opaque."""
    mixed = [
        round(0.45 * int(rider[place : place + 2], 16) + 0.55 * int(colours["page"][place : place + 2], 16))
        for place in (1, 3, 5)
    ]
    block = "#" + "".join(f"{part:02x}" for part in mixed)
    assert contrast(colours["ink"], block) >= DRAWING_CONTRAST


@pytest.mark.parametrize("colour", RIDER_COLOURS)
def test_marks_can_be_read_on_every_riders_colour(colour: str) -> None:
    assert contrast(BAND_INK, colour) >= TEXT_CONTRAST


@pytest.mark.parametrize("vision", VISION)
def test_riders_are_told_apart_by_all_kinds_of_colour_vision(vision: str) -> None:
    seen = [lab(np.linalg.inv(TO_LMS) @ VISION[vision] @ TO_LMS @ linear(colour)) for colour in RIDER_COLOURS]
    distances = [float(np.linalg.norm(one - other)) for one, other in itertools.combinations(seen, 2)]
    assert min(distances) > 10.0  # 2.3 is a just noticeable difference in L*a*b*


def test_colours_begin_again() -> None:
    assert rider_colour(len(RIDER_COLOURS)) == rider_colour(0)
