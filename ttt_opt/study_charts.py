"""Charts of the studies: bars to both sides of zero, columns, and lines over a figure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ttt_opt.charts import (
    HEIGHT,
    WIDTH,
    Axes,
    axes_around,
    curve,
    drawing,
    label,
    level,
    round_values,
    upright,
    values_beside,
)
from ttt_opt.html_text import Html, element, joined

FloatArray = NDArray[np.float64]

LINE_KINDS = ("first", "second", "third")
"""Lines differ in dashes as well as in colour, and bear their names."""


def both_ways(rows: Sequence[tuple[str, Sequence[float], str]]) -> Html:
    """Bars from zero to the left (faster) and to the right (slower), one row each, with the figures in words.

    Parameters
    ----------
    rows : sequence of (str, sequence of float, str)
        What, differences of the finish time (s), and what is told below the bars.
    """
    values = [value for _, of_row, _ in rows for value in of_row]
    low, high = min([0.0, *values]), max([0.0, *values])
    axes = Axes(low, high if high > low else low + 1.0, 0.0, 1.0)
    return joined(_bar(what, of_row, told, axes) for what, of_row, told in rows)


def _bar(what: str, values: Sequence[float], told: str, axes: Axes) -> Html:
    shapes = []
    for value in values:
        left, right = sorted((WIDTH * axes.x(0.0), WIDTH * axes.x(value)))
        shapes.append(
            element(
                "rect",
                x=f"{left:.1f}",
                y="15",
                width=f"{right - left:.1f}",
                height="70",
                class_="slower" if value > 0 else "faster",
            )
        )
    drawn = element(
        "svg",
        *shapes,
        upright(axes, 0.0, "axis"),
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        preserveAspectRatio="none",
        role="img",
        aria_label=f"{what}: {told}",
    )
    return element(
        "div",
        element("div", what),
        element("div", drawn, class_="drawn"),
        element("div", told, class_="told"),
        class_="bar",
    )


def columns(edges: FloatArray, counts: FloatArray, unit: str, told: str) -> Html:
    """A histogram: columns between edges.

    Parameters
    ----------
    edges : ndarray (n_columns + 1,)
    counts : ndarray (n_columns,)
        In the unit of what is shown beside the columns.
    unit, told : str
        What the edges are in; what the chart shows, for those who do not see it.
    """
    axes = axes_around(float(edges[0]), float(edges[-1]), [0.0, *counts.tolist()])
    shapes = [
        element(
            "rect",
            x=f"{WIDTH * axes.x(low) + 1.0:.1f}",
            y=f"{HEIGHT * axes.y(count):.1f}",
            width=f"{max(WIDTH * (axes.x(high) - axes.x(low)) - 2.0, 0.5):.1f}",
            height=f"{HEIGHT * (axes.y(0.0) - axes.y(count)):.1f}",
            class_="column",
        )
        for low, high, count in zip(edges[:-1], edges[1:], counts, strict=True)
    ]
    return _with_unit(drawing("high", told, shapes, [values_beside(axes), _below(axes)]), unit)


def lines(x: FloatArray, series: Sequence[tuple[str, FloatArray]], unit: str, told: str) -> Html:
    """Lines over a figure, with the level of zero, and which of them is which.

    Parameters
    ----------
    x : ndarray (n_points,)
    series : sequence of (str, ndarray (n_points,))
        Name and values; nan where there is none.
    unit, told : str
        What ``x`` is in; what the chart shows, for those who do not see it.
    """
    known = [value for _, values in series for value in values.tolist() if np.isfinite(value)]
    axes = axes_around(float(x[0]), float(x[-1]), [0.0, *known])
    shapes, legend = [level(axes, 0.0, "axis")], []
    for number, (name, values) in enumerate(series):
        there = np.isfinite(values)
        kind = LINE_KINDS[number % len(LINE_KINDS)]
        shapes.append(curve(axes, x[there], values[there], kind))
        stroke = element("polyline", points="0,5 40,5", class_=kind)
        sample = element("svg", stroke, viewBox="0 0 40 10", class_="sample")
        legend.append(element("li", sample, " ", name))
    drawn = drawing("high", told, shapes, [values_beside(axes), _below(axes)])
    return joined([_with_unit(drawn, unit), element("ul", *legend, class_="legend")])


def _below(axes: Axes) -> Html:
    return joined(
        label(f"{value + 0.0:g}", "below", left=axes.x(value)) for value in round_values(axes.start_m, axes.end_m, 5)
    )


def _with_unit(drawn: Html, unit: str) -> Html:
    return element("figure", drawn, element("p", unit, class_="unit"))
