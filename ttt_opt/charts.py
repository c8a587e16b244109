"""Charts against distance that stretch with the page: curves in SVG, words beside them as ordinary text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ttt_opt.html_text import Html, element, joined

FloatArray = NDArray[np.float64]

WIDTH, HEIGHT = 1000.0, 100.0
"""Units of a chart's own coordinates; the page stretches them."""
STEPS = (1.0, 2.0, 5.0, 10.0)
"""Steps between marks on an axis, times a power of ten."""


@dataclass(frozen=True)
class Axes:
    """What a chart shows: a stretch of road from left to right, a range of values from bottom to top.

    Attributes
    ----------
    start_m, end_m : float
        (m)
    low, high : float
        In the unit of what is shown.
    """

    start_m: float
    end_m: float
    low: float
    high: float

    def x(self, distance_m: float) -> float:
        """Place of a distance from the left, as share of the width."""
        return (distance_m - self.start_m) / (self.end_m - self.start_m)

    def y(self, value: float) -> float:
        """Place of a value from the top, as share of the height."""
        return (self.high - value) / (self.high - self.low)

    def points(self, distance_m: FloatArray, values: FloatArray) -> str:
        """Points of a path in the chart's own coordinates."""
        pairs = zip(distance_m.tolist(), values.tolist(), strict=True)
        return " ".join(f"{WIDTH * self.x(d):.1f},{HEIGHT * self.y(v):.1f}" for d, v in pairs)


def axes_around(start_m: float, end_m: float, values: Iterable[float]) -> Axes:
    """Axes that hold all values, from one round number to another."""
    low, high = min(found := list(values)), max(found)
    step = round_step(high - low, 3)
    return Axes(start_m, end_m, step * math.floor(low / step), max(step * math.ceil(high / step), low + step))


def round_step(width: float, about: int) -> float:
    """A round step that divides a width into about so many parts, at most twice as many."""
    wanted = max(width, 1e-9) / about
    power = 10.0 ** math.floor(math.log10(wanted))
    return power * max(step for step in STEPS if step <= wanted / power * (1.0 + 1e-9))


def round_values(low: float, high: float, about: int) -> list[float]:
    """Round values from low to high."""
    step = round_step(high - low, about)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [step * number for number in range(first, last + 1)]


def curve(axes: Axes, distance_m: FloatArray, values: FloatArray, kind: str) -> Html:
    """A line through values at places; ``kind`` is its class in the style sheet."""
    return element("polyline", points=axes.points(distance_m, values), class_=kind)


def area(axes: Axes, distance_m: FloatArray, values: FloatArray, kind: str, base: float) -> Html:
    """The area between a curve and a value."""
    around = np.concatenate([distance_m[:1], distance_m, distance_m[-1:]])
    return element("polygon", points=axes.points(around, np.concatenate([[base], values, [base]])), class_=kind)


def stairs(axes: Axes, boundary_m: FloatArray, values: FloatArray, kind: str) -> Html:
    """A line that keeps one value from boundary to boundary."""
    return curve(axes, np.repeat(boundary_m, 2)[1:-1], np.repeat(values, 2), kind)


def level(axes: Axes, value: float, kind: str) -> Html:
    """A level line across the chart."""
    return curve(axes, np.array([axes.start_m, axes.end_m]), np.array([value, value]), kind)


def upright(axes: Axes, distance_m: float, kind: str) -> Html:
    """An upright line at a place."""
    return curve(axes, np.array([distance_m, distance_m]), np.array([axes.low, axes.high]), kind)


def block(axes: Axes, start_m: float, end_m: float, **attributes: str) -> Html:
    """A block over the whole height, from one place to another."""
    return element(
        "rect",
        x=f"{WIDTH * axes.x(start_m):.1f}",
        y="0",
        width=f"{WIDTH * (axes.x(end_m) - axes.x(start_m)):.1f}",
        height=f"{HEIGHT:g}",
        **attributes,
    )


def label(text: str, kind: str, *, left: float | None = None, top: float | None = None) -> Html:
    """A word in a chart, at shares of its width and height; ``kind`` is its class in the style sheet."""
    places = [f"{side}:{100 * share:.2f}%" for side, share in (("left", left), ("top", top)) if share is not None]
    return element("span", text, class_=f"label {kind}", style=";".join(places))


def values_beside(axes: Axes, about: int = 3) -> Html:
    """Round values beside a chart."""
    return joined(
        label(f"{value + 0.0:g}", "beside", top=axes.y(value)) for value in round_values(axes.low, axes.high, about)
    )


def distances_below(axes: Axes, about: int = 5) -> Html:
    """Round distances below a chart (km)."""
    kilometres = round_values(axes.start_m / 1000.0, axes.end_m / 1000.0, about)
    return joined(label(f"{km + 0.0:g}", "below", left=axes.x(1000.0 * km)) for km in kilometres)


def drawing(height: str, told: str, shapes: Sequence[str], labels: Sequence[str] = ()) -> Html:
    """A chart.

    Parameters
    ----------
    height : str
        Class of its height in the style sheet.
    told : str
        What it shows, for those who do not see it.
    shapes, labels : sequence of str
        Shapes as of :func:`curve` and labels as of :func:`label`.
    """
    drawn = element(
        "svg",
        *shapes,
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        preserveAspectRatio="none",
        role="img",
        aria_label=told,
    )
    return element("div", drawn, *labels, class_=f"plot {height}")
