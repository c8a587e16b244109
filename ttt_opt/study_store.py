"""What a study has finished, kept in its folder: one file for each case, so that an interruption costs little."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

from ttt_opt.study_case import Outcome
from ttt_opt.writing import write_results

FOLDER = "cases"
LARGEST_FILE_BYTES = 20_000_000


@dataclass(frozen=True)
class Store:
    """Outcomes in a folder, each under the key of its case.

    Attributes
    ----------
    folder : Path
        The study's folder; outcomes lie in its subfolder ``cases``.
    """

    folder: Path

    def kept(self, key: str) -> Outcome | None:
        """The outcome of a case, ``None`` where there is none or what is there is damaged: then it is solved again."""
        path = self.folder / FOLDER / f"{key}.json"
        try:
            if path.stat().st_size > LARGEST_FILE_BYTES:
                return None
            held = json.loads(path.read_text(encoding="utf-8"))
            outcome: Outcome = held["outcome"]
            whole = held["key"] == key and held["digest"] == _digest(outcome)
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None
        return outcome if whole else None

    def keep(self, key: str, outcome: Outcome) -> None:
        """Keep an outcome at once and as a whole."""
        held = {"key": key, "digest": _digest(outcome), "outcome": outcome}
        write_results(self.folder / FOLDER, {f"{key}.json": json.dumps(held, allow_nan=False) + "\n"})


def _digest(outcome: Outcome) -> str:
    text = json.dumps(outcome, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
