"""Share of the solo drag for every place in the line.

Three published tables, by name:

``measured``
    Riders measured on a track, as power by place (Broker, Kyle & Burke 1999), converted to drag. The
    default: computed flow overstates the saving that riders get on the road.
``measured-track-women``
    Drag of elite women measured on a velodrome (Fitton, Symons & Caddy 2018).
``computed-flow``
    Computed flow around two to nine identical riders at five wheel gaps (Blocken et al. 2018).

All three describe a straight line in still air. What a cross wind leaves of the saving
(:func:`sheltered_share`), how the two measured tables change with the wheel gap, and what the size of the rider
ahead changes (:func:`behind_a_heavier_rider`), are assumptions of ours.

References
----------
Broker, Kyle & Burke 1999, "Racing cyclist power requirements in the 4000-m individual and team pursuits",
Medicine & Science in Sports & Exercise 31(11), 1677-1685: 607, 430, 389 and 389 W at 60 km/h (abstract).
Fitton, Symons & Caddy 2018, Proc IMechE Part P, doi 10.1177/1754337117692280: drag 4, 42, 48 and 47 %
lower than solo (abstract). Blocken, Toparlar, van Druenen & Andrianne 2018, "Aerodynamic drag in cycling
team time trials", Journal of Wind Engineering and Industrial Aerodynamics 182, 128-145: figures 9 to 13,
transcribed at second hand.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
FloatLike = float | FloatArray

TABLES = ("measured", "measured-track-women", "computed-flow")
LONGEST_LINE = 10

SMALLEST_GAP_M = 0.05
LARGEST_GAP_M = 5.0

BROKER_POWER_RATIO = (1.0, 0.708, 0.641, 0.640)
"""Power of places 1 to 4 over that of the leader (Broker et al. 1999)."""

BROKER_AERO_SHARE = 0.92
"""Share of the power at 60 km/h on a track that overcomes air resistance; converts power to drag."""

FITTON_DRAG_SHARE = (0.96, 0.58, 0.52, 0.53)
"""Drag of places 1 to 4 over solo drag (Fitton et al. 2018)."""

MEASURED_GAP_M = 0.3
"""Wheel gap ascribed to the two measured tables; the riders' gap was not published (our assumption)."""

MOST_BY_SIZE = 0.03
"""Largest change of a follower's drag by the size of the rider ahead: reversed places differ by at most 6 %, as
published (Fitton et al. 2018)."""

BLOCKEN_DRAG_PERCENT: dict[float, tuple[tuple[float, ...], ...]] = {
    0.05: (
        (97.6, 64.1),
        (97.2, 61.7, 51.7),
        (97.1, 61.2, 49.5, 45.9),
        (97.1, 61.1, 49.1, 43.9, 43.6),
        (97.1, 61.0, 48.9, 43.4, 41.7, 42.5),
        (97.0, 61.0, 48.8, 43.2, 41.2, 40.7, 41.9),
        (97.0, 61.0, 48.8, 43.2, 41.0, 40.2, 40.1, 41.5),
        (97.0, 61.0, 48.8, 43.2, 41.0, 40.1, 39.7, 39.8, 41.2),
    ),
    0.15: (
        (98.0, 64.4),
        (97.7, 62.2, 52.2),
        (97.6, 61.8, 50.2, 46.6),
        (97.5, 61.7, 49.8, 44.7, 44.3),
        (97.5, 61.6, 49.7, 44.3, 42.6, 43.3),
        (97.5, 61.6, 49.6, 44.2, 42.2, 41.7, 42.7),
        (97.5, 61.6, 49.6, 44.1, 42.0, 41.3, 41.1, 42.3),
        (97.5, 61.6, 49.6, 44.1, 42.0, 41.1, 40.7, 40.8, 42.0),
    ),
    0.50: (
        (98.7, 65.2),
        (98.4, 63.4, 53.6),
        (98.4, 63.4, 52.3, 48.6),
        (98.4, 63.4, 52.0, 47.1, 46.6),
        (98.4, 63.3, 51.9, 46.8, 45.2, 45.7),
        (98.4, 63.3, 51.9, 46.7, 44.9, 44.4, 45.2),
        (98.4, 63.3, 51.9, 46.7, 44.9, 44.1, 43.9, 44.8),
        (98.4, 63.3, 51.8, 46.7, 44.8, 44.0, 43.6, 43.6, 44.6),
    ),
    1.0: (
        (99.2, 66.5),
        (99.1, 65.5, 55.6),
        (99.0, 65.3, 54.6, 51.1),
        (99.0, 65.2, 54.4, 50.0, 49.3),
        (99.0, 65.2, 54.4, 49.9, 48.4, 48.5),
        (99.0, 65.2, 54.3, 49.7, 48.1, 47.5, 48.1),
        (99.0, 65.2, 54.3, 49.7, 48.0, 47.4, 47.2, 47.8),
        (99.0, 65.2, 54.3, 49.7, 48.0, 47.3, 47.0, 46.9, 47.5),
    ),
    5.0: (
        (99.9, 70.9),
        (99.9, 70.8, 63.1),
        (99.9, 70.8, 63.0, 61.1),
        (99.9, 70.8, 63.0, 61.0, 60.5),
        (99.9, 70.8, 63.0, 61.0, 60.4, 60.2),
        (99.9, 70.8, 63.0, 61.0, 60.4, 60.1, 60.1),
        (99.9, 70.8, 63.0, 61.0, 60.4, 60.1, 60.0, 60.1),
        (99.9, 70.8, 63.0, 61.0, 60.4, 60.1, 59.9, 60.0, 60.4),
    ),
}
"""Drag (% of solo) by wheel gap (m), line length 2 to 9, place.

Two transcriptions agree except in one cell: two riders at 5 m, 70.9 here and 79.9 in the other, which fits
neither its row nor its column.
"""


def _computed_flow(line_length: int, wheel_gap_m: float) -> FloatArray:
    """Blocken table, linear between gaps; beyond nine riders place 8 is repeated before the last wheel."""
    gaps = np.array(sorted(BLOCKEN_DRAG_PERCENT))
    rows = np.array([BLOCKEN_DRAG_PERCENT[gap][min(line_length, 9) - 2] for gap in gaps]) / 100.0
    shares = np.array([np.interp(wheel_gap_m, gaps, column) for column in rows.T])
    return np.insert(shares, len(shares) - 1, [shares[-2]] * max(0, line_length - 9))


def draft_shares(table: str, line_length: int, wheel_gap_m: float) -> FloatArray:
    """Share of the solo drag in each place of the line.

    Parameters
    ----------
    table : str
        One of :data:`TABLES`.
    line_length : int
        Riders in the line, 1 to 10.
    wheel_gap_m : float
        Gap between wheels (m), 0.05 to 5.

    Returns
    -------
    ndarray (line_length,)
        Leader first. A rider alone has 1.

    Raises
    ------
    ValueError
        If the table is unknown or length or gap lie outside what the tables cover.

    Notes
    -----
    ``measured``: the drag of a follower over that of the leader is ``1 - (1 - power ratio) / 0.92``; the
    leader himself has 1, no reduction having been measured. Both measured tables cover four places; from
    the fifth on the fourth's figure is used. Their followers' shares are multiplied by the computed
    flow's change from a gap of 0.3 m to the gap asked for (our assumption: the riders' gap was not
    published). Computed flow is linear between its gaps, which is coarse between 1 and 5 m only.
    """
    if table not in TABLES:
        raise ValueError(f"unknown drafting table {table!r}; choose one of {', '.join(TABLES)}")
    if not 1 <= line_length <= LONGEST_LINE:
        raise ValueError(f"line_length {line_length}: a line has 1 to {LONGEST_LINE} riders")
    if not SMALLEST_GAP_M <= wheel_gap_m <= LARGEST_GAP_M:
        raise ValueError(f"wheel_gap_m {wheel_gap_m}: the tables cover {SMALLEST_GAP_M} to {LARGEST_GAP_M} m")
    if line_length == 1:
        return np.ones(1)
    flow = _computed_flow(line_length, wheel_gap_m)
    if table == "computed-flow":
        return flow
    if table == "measured":
        by_place = 1.0 - (1.0 - np.array(BROKER_POWER_RATIO)) / BROKER_AERO_SHARE
    else:
        by_place = np.array(FITTON_DRAG_SHARE)
    shares = by_place[np.minimum(np.arange(line_length), len(by_place) - 1)]
    shares[1:] *= flow[1:] / _computed_flow(line_length, MEASURED_GAP_M)[1:]
    return shares


def own_shares(shares: Sequence[float], line_length: int) -> FloatArray:
    """A team's own shares by place, for a line of any length.

    Parameters
    ----------
    shares : sequence of float
        Leader first, at least one; places behind the last have its share.
    line_length : int
        Riders in the line. A rider alone has 1, and so has every rider without a share.

    Returns
    -------
    ndarray (line_length,)

    Raises
    ------
    ValueError
        There is no share, or nobody in the line.
    """
    if not shares or line_length < 1:
        raise ValueError(f"{len(shares)} shares for a line of {line_length}: needs one or more of both")
    if line_length == 1:
        return np.ones(1)
    return np.asarray(shares, dtype=np.float64)[np.minimum(np.arange(line_length), len(shares) - 1)]


def behind_a_heavier_rider(mass_kg: FloatLike, ahead_kg: FloatLike, per_kg: float) -> FloatArray:
    """What a follower's share of the solo drag is multiplied by, for the size of the rider whose wheel he is on.

    Parameters
    ----------
    mass_kg, ahead_kg : float or ndarray
        Body mass of the follower and of the rider ahead (kg).
    per_kg : float
        Drag less for each kilogram that the rider ahead is heavier, and more for each that he is lighter, as share.

    Returns
    -------
    ndarray
        Between ``1 - MOST_BY_SIZE`` and ``1 + MOST_BY_SIZE``.

    Notes
    -----
    Elite women had up to 6 % less drag with the lighter one of two behind the heavier one than in reversed places;
    their drag areas and the saving were explained by mass and stature (Fitton, Symons & Caddy 2018, abstract). That it
    is proportional to the difference, half of it gained and half lost, is OUR ASSUMPTION; with 0.003 per kilogram the
    6 % are those of riders 10 kg apart.
    """
    heavier = np.asarray(ahead_kg, dtype=np.float64) - np.asarray(mass_kg, dtype=np.float64)
    return np.asarray(1.0 - np.clip(per_kg * heavier, -MOST_BY_SIZE, MOST_BY_SIZE), dtype=np.float64)


def sheltered_share(share: FloatLike, yaw_deg: FloatLike) -> FloatArray:
    """Share of the solo drag that is left when the wind comes at an angle.

    Parameters
    ----------
    share : float or ndarray
        Share in still air (see :func:`draft_shares`).
    yaw_deg : float or ndarray
        Angle between riding direction and felt wind (degrees, either sign, -180 to 180).

    Returns
    -------
    ndarray
        Share with the saving multiplied by ``cos(2 * yaw)``; 1 (no saving) from 45 degrees on.

    Notes
    -----
    OUR ASSUMPTION: no table of drag by place and yaw has been published. It keeps the whole saving in
    still air, 94 % of it at 10 degrees and half at 30, and gives none where the wake no longer reaches
    the rider behind.
    """
    angle = np.minimum(np.abs(np.asarray(yaw_deg, dtype=np.float64)), 45.0)
    kept = np.cos(np.radians(2.0 * angle))
    sheltered: FloatArray = 1.0 - (1.0 - np.asarray(share, dtype=np.float64)) * kept
    return sheltered
