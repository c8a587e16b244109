"""Draw a plan as a picture: speed, who leads, and the profile of the course, against the distance.

    python benchmarks/draw_demo.py plan-out/plan.json data/demo/plan.svg

Colours are those of Okabe and Ito, which people with any colour vision can tell apart; every rider has a row of his
own and an initial as well, so that nothing depends on colour alone.

References
----------
Okabe & Ito 2008, "Color universal design", jfly.uni-koeln.de/color.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

COLOURS = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#F0E442", "#999999", "#000000", "#FFFFFF")
WIDTH, LEFT, RIGHT = 1200.0, 92.0, 18.0
SPEED_TOP, SPEED_HEIGHT = 66.0, 190.0
ROW_HEIGHT, GAP = 22.0, 18.0
PROFILE_HEIGHT = 130.0
POINTS_PER_SEGMENT = 9
NARROWEST_INITIAL = 11.0
"""Width of a bar (pixels) from which on it holds the rider's initial."""


def initials(names: Sequence[str]) -> dict[str, str]:
    """The shortest beginning of each name that no other name shares."""
    return {
        name: next(
            (name[:n] for n in range(1, len(name)) if not any(o != name and o.startswith(name[:n]) for o in names)),
            name,
        )
        for name in names
    }


def speed_curve(segments: Sequence[Mapping[str, Any]]) -> tuple[FloatArray, FloatArray]:
    """Distance (m) and speed (m/s), its square linear along each segment, from standstill, braked before a bend."""
    distance, speed = [], []
    square = 0.0
    for segment in segments:
        left_at = float(segment["exit_speed_mps"]) ** 2
        came_at = max(2.0 * float(segment["speed_mps"]) ** 2 - left_at, 0.0) if segment["bend"] else square
        distance.append(np.linspace(segment["start_m"], segment["end_m"], POINTS_PER_SEGMENT))
        speed.append(np.sqrt(np.linspace(came_at, left_at, POINTS_PER_SEGMENT)))
        square = left_at
    return np.concatenate(distance), np.concatenate(speed)


def nice_step(span: float, about: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that divides a span into about so many parts."""
    power = 10.0 ** np.floor(np.log10(span / about))
    return float(power * next(factor for factor in (1.0, 2.0, 5.0, 10.0) if span / (factor * power) <= about))


def ink_on(colour: str) -> str:
    """Black or white, whichever is easier to read on a colour (relative luminance of sRGB, WCAG 2.2)."""
    channels = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return "#000" if float(linear @ [0.2126, 0.7152, 0.0722]) > 0.179 else "#fff"


def polyline(x: FloatArray, y: FloatArray) -> str:
    """Points as SVG writes them."""
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def text(x: float, y: float, words: str, *, anchor: str = "start", size: int = 13, more: str = "") -> str:
    """One line of text."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{more}>{escape(words)}</text>'


def axis(values: FloatArray, y: FloatArray, unit: str, right: float) -> Iterator[str]:
    """Horizontal lines with their figures."""
    for value, height in zip(values, y, strict=True):
        yield f'<line x1="{LEFT}" x2="{right}" y1="{height:.1f}" y2="{height:.1f}" stroke="#ccc"/>'
        yield text(LEFT - 6.0, height + 4.0, f"{value:.0f}", anchor="end", size=12)
    yield text(LEFT - 6.0, float(y[-1]) - 10.0, unit, anchor="end", size=12)


def draw(plan: Mapping[str, Any]) -> str:
    """The picture of a plan document as SVG."""
    segments, pulls, samples = plan["segments"], plan["pulls"], plan["course"]["samples"]
    names = [rider["name"] for rider in plan["riders"]]
    colour = dict(zip(names, COLOURS, strict=False))
    initial = initials(names)
    length_m = float(plan["course"]["length_m"])
    right = WIDTH - RIGHT
    rows_top = SPEED_TOP + SPEED_HEIGHT + 2.0 * GAP
    profile_top = rows_top + ROW_HEIGHT * len(names) + 2.0 * GAP
    bottom = profile_top + PROFILE_HEIGHT
    height = bottom + 44.0

    def across(distance_m: FloatArray) -> FloatArray:
        return np.asarray(LEFT + (right - LEFT) * np.asarray(distance_m) / length_m)

    def title() -> str:
        minutes, seconds = divmod(round(plan["finish_time_s"]), 60)
        weather = plan["race"]["weather"]
        return (
            f"{plan['race']['name']}: {length_m / 1000:.1f} km in {minutes}:{seconds:02d} min, "
            f"wind {weather['wind_speed_mps']:g} m/s from {weather['wind_from_deg']:g}°"
        )

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {height:.0f}" '
        'font-family="sans-serif" fill="#222" role="img">',
        f"<title>{escape(title())}</title>",
        "<desc>Speed, leader and elevation against distance.</desc>",
        '<rect width="100%" height="100%" fill="#fff"/>',
        text(LEFT, 28.0, title(), size=18),
    ]

    distance, speed = speed_curve(segments)
    step = nice_step(3.6 * float(speed.max()), 4)
    ticks = np.arange(0.0, 3.6 * float(speed.max()) + step, step)

    def up(speed_kmh: FloatArray) -> FloatArray:
        return np.asarray(SPEED_TOP + SPEED_HEIGHT * (1.0 - speed_kmh / ticks[-1]))

    out += axis(ticks, up(ticks), "km/h", right)
    out.append(
        f'<polyline points="{polyline(across(distance), up(3.6 * speed))}" fill="none" stroke="#222" '
        'stroke-width="1.8" stroke-linejoin="round"/>'
    )

    for row, name in enumerate(names):
        top = rows_top + row * ROW_HEIGHT
        bar = f'y="{top:.1f}" height="{ROW_HEIGHT - 3.0}"'
        out.append(f'<rect x="{LEFT}" width="{right - LEFT}" {bar} fill="#f2f2f2"/>')
        out.append(text(LEFT - 6.0, top + 14.0, name, anchor="end"))
        for pull in pulls:
            if pull["rider"] != name:
                continue
            x, end = across(np.array([pull["start_m"], pull["end_m"]]))
            out.append(
                f'<rect x="{x:.1f}" width="{end - x:.1f}" {bar} fill="{colour[name]}" stroke="#222" '
                'stroke-width="0.6"/>'
            )
            if end - x >= NARROWEST_INITIAL * len(initial[name]):
                bold = f' font-weight="bold" fill="{ink_on(colour[name])}"'
                out.append(text((x + end) / 2.0, top + 14.5, initial[name], anchor="middle", more=bold))
    out.append(text(LEFT, rows_top - 5.0, "Who leads", size=12))

    where, elevation = np.array(samples["distance_m"]), np.array(samples["elevation_m"])
    low, high = float(elevation.min()), float(elevation.max())
    step = nice_step(max(high - low, 10.0), 3)
    ticks = np.arange(step * np.floor(low / step), max(high, low + 10.0) + step, step)

    def level(elevation_m: FloatArray) -> FloatArray:
        return np.asarray(bottom - PROFILE_HEIGHT * (elevation_m - ticks[0]) / (ticks[-1] - ticks[0]))

    out += axis(ticks, level(ticks), "m", right)
    for pull in pulls:
        inside = where[(where > pull["start_m"]) & (where < pull["end_m"])]
        x = np.concatenate([[pull["start_m"]], inside, [pull["end_m"]]])
        y = level(np.interp(x, where, elevation))
        edges = np.concatenate([across(x), across(x[[-1, 0]])])
        points = polyline(edges, np.concatenate([y, [bottom, bottom]]))
        out.append(f'<polygon points="{points}" fill="{colour[pull["rider"]]}" stroke="#222" stroke-width="0.4"/>')
        if edges[-2] - edges[-1] >= NARROWEST_INITIAL * len(initial[pull["rider"]]):
            out.append(
                text(float(edges[:-2].mean()), bottom + 15.0, initial[pull["rider"]], anchor="middle", size=11)
            )
    step = nice_step(length_m / 1000.0, 14)
    for km in np.arange(0.0, length_m / 1000.0, step):
        x_km = float(across(np.array(1000.0 * km)))
        out.append(f'<line x1="{x_km:.1f}" x2="{x_km:.1f}" y1="{bottom}" y2="{bottom + 4.0}" stroke="#888"/>')
        out.append(text(x_km, bottom + 31.0, f"{km:g}", anchor="middle", size=12))
    out.append(text(right, bottom + 31.0, "km", anchor="end", size=12))
    return "\n".join([*out, "</svg>"]) + "\n"


def main() -> None:
    """Read the plan named first, write the picture named second."""
    if len(sys.argv) != 3:
        sys.exit("usage: python benchmarks/draw_demo.py PLAN.json PICTURE.svg")
    plan_file, picture_file = map(Path, sys.argv[1:])
    picture_file.write_text(draw(json.loads(plan_file.read_text(encoding="utf-8"))), encoding="utf-8")


if __name__ == "__main__":
    main()
