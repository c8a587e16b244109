"""Licences of all that is installed with the package: listed in .ci/licences.txt, and compatible with its own, MIT.

What people install to use it must be free of conditions on their own work: permissive, or, used unchanged, the Mozilla
licence. What only tests use is handed on to nobody, so that the Lesser GNU licence will do there; benchmarks run beside
the package, with an optimiser that brings something under the GNU licence along, which we neither import nor hand on.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
KINDS = {
    "MIT": r"\bMIT\b",
    "BSD": r"\bBSD\b|BSD-[23]-Clause|0BSD",
    "Apache-2.0": r"Apache",
    "ISC": r"\bISC\b",
    "PSF-2.0": r"\bPSF|Python Software Foundation",
    "MPL-2.0": r"MPL|Mozilla Public",
    "LGPL": r"LGPL|Lesser General Public",
    "GPL": r"(?<!L)GPL|(?<!Lesser )General Public",
}
PERMISSIVE = {"MIT", "BSD", "Apache-2.0", "ISC", "PSF-2.0"}
FOR_USE = PERMISSIVE | {"MPL-2.0"}
ALLOWED = {
    "test": FOR_USE | {"LGPL"},
    "lint": FOR_USE,
    "cluster": FOR_USE,
    "bench": FOR_USE | {"LGPL", "GPL"},
}


def said_by(found: Distribution) -> str:
    """What a package says of its licence: an expression, else classifiers and the first line of a text."""
    said = found.metadata
    classified = [line for line in said.get_all("Classifier") or [] if line.startswith("License ::")]
    return said.get("License-Expression") or " ".join([*classified, (said.get("License") or "").split("\n")[0]])


def kind_of(found: Distribution) -> str:
    """The kind that a package names first: its own; those of what its wheel bundles follow."""
    said = said_by(found)
    places = {kind: match.start() for kind, pattern in KINDS.items() if (match := re.search(pattern, said))}
    return min(places, key=lambda kind: places[kind]) if places else f"unknown: {said}"


def installed(requirements: list[str]) -> dict[str, Distribution]:
    """What is installed for these requirements, and for what those require in turn."""
    found: dict[str, Distribution] = {}
    waiting = [(Requirement(line), frozenset[str]()) for line in requirements]
    while waiting:
        requirement, extras = waiting.pop()
        name = canonicalize_name(requirement.name)
        marker = requirement.marker
        needed = marker is None or any(marker.evaluate({"extra": extra}) for extra in (extras or {""}))
        if not needed or name in found:
            continue
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue  # not of this environment
        below = found[name].requires or []
        waiting.extend((Requirement(line), frozenset(requirement.extras)) for line in below)
    return found


def listed() -> dict[str, str]:
    """Package and licence by .ci/licences.txt."""
    lines = (ROOT / ".ci" / "licences.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split() for line in lines if line and not line.startswith("#")]
    assert len({name for name, _ in pairs}) == len(pairs)
    return dict(pairs)


def test_what_is_installed_for_use_is_listed_and_compatible() -> None:
    found = installed(PROJECT["dependencies"])
    kinds = {name: kind_of(there) for name, there in found.items()}
    assert len(kinds) >= len(PROJECT["dependencies"])
    assert {name: kind for name, kind in kinds.items() if kind not in FOR_USE} == {}
    assert {name: kind for name, kind in kinds.items() if listed().get(name) != kind} == {}


@pytest.mark.parametrize("extra", ALLOWED)
def test_what_is_installed_for_work_on_the_code_is_listed_and_compatible(extra: str) -> None:
    found = installed(PROJECT["optional-dependencies"][extra])
    kinds = {name: kind_of(there) for name, there in found.items()}
    assert {name: kind for name, kind in kinds.items() if kind not in ALLOWED[extra]} == {}
    assert {name: kind for name, kind in kinds.items() if listed().get(name) != kind} == {}


def test_our_own_licence_and_extras() -> None:
    assert PROJECT["license"] == "MIT"
    assert PROJECT["optional-dependencies"].keys() == ALLOWED.keys()


@pytest.mark.parametrize(
    ("said", "kind"),
    [
        ("License :: OSI Approved :: GNU General Public License v3 (GPLv3)", "GPL"),
        ("GPL-3.0-or-later", "GPL"),
        ("License :: OSI Approved :: GNU Lesser General Public License v3 or later (LGPLv3+)", "LGPL"),
        ("AGPL-3.0-only", "GPL"),
        ("Mozilla Public License 2.0 (MPL 2.0)", "MPL-2.0"),
        ("Proprietary", "unknown: Proprietary"),
    ],
)
def test_kinds_are_told_apart(said: str, kind: str, tmp_path: Path) -> None:
    folder = tmp_path / "some-1.0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Metadata-Version: 2.4\nName: some\nVersion: 1.0\nLicense-Expression: {said}\n")
    assert kind_of(Distribution.at(folder)) == kind


def test_bounds_of_dependencies_are_those_that_were_tested() -> None:
    """The lower bounds are the oldest versions that CI runs, and those of constraints.txt lie below the upper ones."""
    pins = {}
    for file in ("oldest.txt", "constraints.txt"):
        lines = (ROOT / ".ci" / file).read_text(encoding="utf-8").splitlines()
        pairs = [line.split("==") for line in lines if line and not line.startswith("#")]
        pins[file] = {canonicalize_name(name): version for name, version in pairs}
    for line in [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]:
        requirement = Requirement(line)
        name = canonicalize_name(requirement.name)
        for versions in pins.values():
            assert requirement.specifier.contains(versions[name]), f"{line}: {versions[name]}"
        (lower,) = (part.version for part in requirement.specifier if part.operator == ">=")
        oldest = pins["oldest.txt"][name]
        assert oldest == lower or oldest.startswith(f"{lower}."), f"{line}: the oldest tested is {oldest}"
    for line in PROJECT["dependencies"]:
        assert any(part.operator == "<" for part in Requirement(line).specifier), line
