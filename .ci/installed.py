"""What a wheel must hold, looked at from an environment in which it is installed alone: ``installed.py SOURCES``."""

from __future__ import annotations

import sys
from importlib.metadata import distribution
from pathlib import Path

import ttt_models.rotation
import ttt_opt.plan

sources = Path(sys.argv[1]).resolve()
for module in (ttt_opt.plan, ttt_models.rotation):
    assert module.__file__ is not None
    assert not Path(module.__file__).resolve().is_relative_to(sources), f"{module.__file__} is not of the wheel"
installed = {str(file) for file in distribution("ttt-opt").files or ()}
for folder, package in ((sources, "ttt_opt"), (sources / "models", "ttt_models")):
    wanted = {str(file.relative_to(folder)) for file in (folder / package).rglob("*") if file.is_file()}
    wanted = {name for name in wanted if "__pycache__" not in name}
    assert wanted <= installed, f"the wheel lacks {sorted(wanted - installed)}"
strange = {name.split("/")[0] for name in installed} - {"ttt_opt", "ttt_models", "..", "__pycache__"}
assert all(name.endswith(".dist-info") for name in strange), f"the wheel holds more than the packages: {strange}"
