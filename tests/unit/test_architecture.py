"""Arrows run one way: who may import whom, and what the distribution asks to be installed."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from graphlib import TopologicalSorter
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = {"ttt_opt": ROOT / "ttt_opt", "ttt_models": ROOT / "models" / "ttt_models"}

RIDE_SIDE = ("ttt_opt.ride", "ttt_opt.ride_check")
COMMAND_LINE = {"ttt_opt.cli", "ttt_opt.command_parts", "ttt_opt.study_commands"}
SOLVING = ("pyomo", "highspy", "ttt_models", "ttt_opt.solver", "ttt_opt.plan")


def modules() -> dict[str, Path]:
    """Every module of the product by its full name; a package goes by its own name."""
    found = {}
    for package, folder in PACKAGES.items():
        for path in sorted(folder.glob("*.py")):
            found[package if path.stem == "__init__" else f"{package}.{path.stem}"] = path
    return found


def imports_of(source: str) -> set[str]:
    """Names of all modules that a source imports, wherever in it: ``from a import b`` counts as a and as a.b."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, "relative imports hide where an arrow points"
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


MODULES = modules()
IMPORTS = {name: imports_of(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}
OUR_IMPORTS = {name: found & set(MODULES) - {name} - set(PACKAGES) for name, found in IMPORTS.items()}


def reached_from(module: str) -> set[str]:
    """All our modules that a module imports, and that those import."""
    reached: set[str] = set()
    waiting = [module]
    while waiting:
        for following in OUR_IMPORTS[waiting.pop()] - reached:
            reached.add(following)
            waiting.append(following)
    return reached


def outside(names: set[str]) -> set[str]:
    """Top-level packages among imported names that are neither ours nor of the standard library."""
    return {name.partition(".")[0] for name in names} - set(PACKAGES) - set(sys.stdlib_module_names)


def declared(section: list[str]) -> set[str]:
    """Names of distributions in a list of requirements, in the spelling that comparisons use."""
    return {normal(re.split(r"[<>=!~ \[;]", line)[0]) for line in section}


def normal(distribution: str) -> str:
    """PEP 503."""
    return re.sub(r"[-_.]+", "-", distribution).lower()


def test_the_reader_of_imports_sees_them_wherever_they_are() -> None:
    source = "import a.b\nfrom c import d\ndef f():\n    from e.f import g\n    import h as i\n"
    assert imports_of(source) == {"a.b", "c", "c.d", "e.f", "e.f.g", "h"}


def test_models_know_nothing_of_the_package() -> None:
    for name in MODULES:
        if name.startswith("ttt_models"):
            assert not {found for found in IMPORTS[name] if found.partition(".")[0] == "ttt_opt"}, name
            assert outside(IMPORTS[name]) <= {"pyomo", "numpy"}, name


@pytest.mark.parametrize("module", RIDE_SIDE)
def test_ride_and_ride_check_know_nothing_of_the_search(module: str) -> None:
    """Neither directly nor through what they import: otherwise the ride check would not be independent."""
    for name in {module} | reached_from(module):
        for found in IMPORTS[name]:
            assert found not in SOLVING and found.partition(".")[0] not in SOLVING, f"{name} imports {found}"
            assert not found.startswith("ttt_opt.rotation_"), f"{name} imports {found}"


def test_one_module_talks_to_each_solver() -> None:
    assert {name for name in MODULES if "highspy" in outside(IMPORTS[name])} == {"ttt_opt.solver"}
    assert {name for name in MODULES if "clarabel" in outside(IMPORTS[name])} == {"ttt_opt.interior_point"}


def test_pyomo_stays_in_the_models_and_beside_the_solver() -> None:
    users = {name for name in MODULES if "pyomo" in outside(IMPORTS[name])}
    assert users == {"ttt_models.stretches", "ttt_opt.solver"}


def test_no_circles() -> None:
    assert len(list(TopologicalSorter(OUR_IMPORTS).static_order())) == len(MODULES)  # raises CycleError on a circle


def test_nothing_imports_the_command_line() -> None:
    """But for its own parts."""
    for part in COMMAND_LINE:
        assert {name for name in MODULES if part in OUR_IMPORTS[name]} <= COMMAND_LINE


def test_the_command_line_loads_no_heavy_library_before_a_command_runs() -> None:
    """``--help`` stays quick: pyomo takes 0.2 s and highspy 0.1 s to import (measured)."""
    quick = {"ttt_opt", "ttt_opt.errors", "ttt_opt.interrupts", "ttt_opt.terminal_names"}
    for name in COMMAND_LINE:
        tree = ast.parse(MODULES[name].read_text(encoding="utf-8"))
        at_once = "\n".join(ast.unparse(node) for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom))
        assert imports_of(at_once) & set(MODULES) <= quick | COMMAND_LINE, name


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    used = set().union(*(outside(found) for found in IMPORTS.values()))
    distributions = packages_distributions()
    named = declared(project["dependencies"]) | declared(project["optional-dependencies"]["cluster"])
    assert {normal(distributions[name][0]) for name in used} == named


def test_one_module_knows_the_cluster_and_only_when_it_is_asked_for() -> None:
    users = {name for name in MODULES if "distributed" in outside(IMPORTS[name])}
    assert users == {"ttt_opt.study_cluster"}
    tree = ast.parse(MODULES["ttt_opt.study_cluster"].read_text(encoding="utf-8"))
    at_once = "\n".join(ast.unparse(node) for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom))
    assert "distributed" not in outside(imports_of(at_once))


def test_tests_import_only_what_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    allowed = declared(project["dependencies"]) | declared(project["optional-dependencies"]["test"])
    own = {path.stem for folder in ("tests", "benchmarks") for path in (ROOT / folder).rglob("*.py")}
    used: set[str] = set()
    for path in (ROOT / "tests").rglob("*.py"):
        used |= outside(imports_of(path.read_text(encoding="utf-8"))) - own
    distributions = packages_distributions()
    assert {normal(distributions[name][0]) for name in used} <= allowed


def test_benchmarks_import_only_what_is_declared_and_the_product_never_imports_them() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    allowed = declared(project["dependencies"]) | declared(project["optional-dependencies"]["bench"])
    sources = {path.stem: path.read_text(encoding="utf-8") for path in (ROOT / "benchmarks").glob("*.py")}
    own = set(sources) | {path.stem for path in (ROOT / "tests").rglob("*.py")}
    used = set().union(*(outside(imports_of(source)) for source in sources.values())) - own
    assert {normal(name) for name in used} <= allowed
    assert not [name for name, found in IMPORTS.items() if outside(found) & set(sources)]


def test_the_constraints_name_every_direct_dependency_once() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = declared(project["dependencies"]) | declared(extras["test"]) | declared(extras["bench"])
    wanted |= declared(extras["lint"])
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = [normal(line.partition("==")[0]) for line in lines if line and not line.startswith("#")]
    assert sorted(pinned) == sorted(wanted | declared(extras["cluster"]))
