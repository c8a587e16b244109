"""The registry of benchmark instances: what it must hold, and that the product's readers take it."""

from __future__ import annotations

from pathlib import Path

import pytest

from course_shapes import Shape, course_gpx
from instances import REGISTRY, RIDERS, Instance, write_instance
from solver_core import Problem, read_problem

USUAL = [name for name, instance in REGISTRY.items() if "growth" not in instance.purpose]


@pytest.fixture(scope="module")
def problems(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Problem]:
    return {name: read_problem(REGISTRY[name], tmp_path_factory.mktemp(name)) for name in USUAL}


def test_registry_covers_sizes_roads_and_lengths(problems: dict[str, Problem]) -> None:
    found = list(problems.values())
    assert len(found) >= 8
    assert {3, 4, 6, 8} <= {problem.instance.n_riders for problem in found}
    assert {"flat", "rolling", "mountain"} <= {problem.instance.shape.profile for problem in found}
    assert {15, 40, 100} <= {round(problem.course.length_m / 1000.0) for problem in found}
    assert any(p.instance.shape.there_and_back and p.race.weather.wind_speed_mps > 0.0 for p in found)
    assert min(problem.road.n_segments for problem in found) < 80
    assert max(problem.road.n_segments for problem in found) >= 400


@pytest.mark.parametrize(
    ("name", "n_riders", "km", "fewest_segments", "counting"),
    [
        ("rolling-4-40", 4, 40, 160, 0),
        ("rolling-6-40", 6, 40, 160, 0),
        ("rolling-8-50-fifth", 8, 50, 160, 5),
        ("rolling-6-100", 6, 100, 400, 0),
    ],
)
def test_acceptance_instances(
    problems: dict[str, Problem], name: str, n_riders: int, km: int, fewest_segments: int, counting: int
) -> None:
    problem = problems[name]
    assert len(problem.race.team.riders) == n_riders
    assert problem.course.length_m == pytest.approx(1000.0 * km, abs=5.0)
    assert problem.road.n_segments >= fewest_segments
    assert problem.race.rules.counting_rider == counting


def test_courses_have_the_profile_that_they_say(problems: dict[str, Problem]) -> None:
    climbs = {
        name: sum(terrain == "climb" for terrain in problem.road.segments.terrain) for name, problem in problems.items()
    }
    assert climbs["flat-3-15"] == climbs["wind-4-40"] == 0
    assert climbs["rolling-4-40"] > 20
    mountain = problems["mountain-4-40"].course.elevation_m
    assert mountain.max() - mountain.min() > 300.0


def test_there_and_back_comes_home(problems: dict[str, Problem]) -> None:
    road = problems["wind-4-40"].road
    assert road.headwind_mps.min() < -2.0 < 2.0 < road.headwind_mps.max()
    assert road.segments.bend.sum() == 1


def test_the_same_shape_gives_the_same_bytes(tmp_path: Path) -> None:
    shape = Shape("rolling", 12.0, 3)
    assert course_gpx(shape, "x") == course_gpx(shape, "x") != course_gpx(Shape("rolling", 12.0, 4), "x")
    files = [write_instance(REGISTRY["flat-3-15"], tmp_path / place) for place in ("a", "b")]
    for name in ("race.toml", "team.toml", "course.gpx"):
        assert (files[0].parent / name).read_bytes() == (files[1].parent / name).read_bytes()


def test_what_no_instance_can_be_is_refused() -> None:
    with pytest.raises(ValueError, match="n_riders"):
        Instance("x", len(RIDERS) + 1, Shape("flat", 10.0, 1), "")
    with pytest.raises(ValueError, match="profile"):
        Shape("lunar", 10.0, 1)
    with pytest.raises(ValueError, match="length_km"):
        Shape("flat", 0.5, 1)
