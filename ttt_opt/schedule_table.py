"""The pulls of a plan as a table for a spreadsheet: ``schedule.csv``."""

from __future__ import annotations

import pandas as pd

from ttt_opt.plan import Plan

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
"""Texts that begin so are taken for formulas by spreadsheets."""
IGNORED_STARTS = " \u00a0\u200c\u200d\ufeff'"
"""Characters before such a beginning that do not make it safe."""


def schedule_table(plan: Plan) -> pd.DataFrame:
    """One row a pull; the unit of a number stands in the name of its column.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    DataFrame (n_pulls rows)
        Rounded to what can be ridden: metres, tenths of seconds, watts.
    """
    return pd.DataFrame(
        {
            "pull": range(1, len(plan.pulls) + 1),
            "rider": [harmless(pull.rider) for pull in plan.pulls],
            "start_m": [round(pull.start_m) for pull in plan.pulls],
            "end_m": [round(pull.end_m) for pull in plan.pulls],
            "start_s": [round(pull.start_s, 1) for pull in plan.pulls],
            "duration_s": [round(pull.duration_s, 1) for pull in plan.pulls],
            "front_power_w": [round(pull.front_power_w) for pull in plan.pulls],
            "front_power_w_per_kg": [round(pull.front_power_w_per_kg, 2) for pull in plan.pulls],
            "front_power_percent_of_cp": [round(100 * pull.front_power_share_of_cp) for pull in plan.pulls],
            "speed_kmh": [round(pull.speed_kmh, 1) for pull in plan.pulls],
            "terrain": [pull.terrain for pull in plan.pulls],
            "swing_off": [pull.swing_off for pull in plan.pulls],
            "then_sits_on": ["yes" if pull.sits_on else "no" for pull in plan.pulls],
        }
    )


def schedule_csv(plan: Plan) -> str:
    """The table as comma-separated text with a byte order mark, without which spreadsheets garble accents."""
    text: str = schedule_table(plan).to_csv(index=False, lineterminator="\r\n")
    return "\ufeff" + text


def harmless(text: str) -> str:
    """A text that no spreadsheet takes for a formula: one that would be gets an apostrophe in front.

    References
    ----------
    OWASP, CSV injection, owasp.org/www-community/attacks/CSV_Injection.
    """
    return f"'{text}" if text.lstrip(IGNORED_STARTS).startswith(FORMULA_STARTS) else text
