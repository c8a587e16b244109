"""Critical power and W': what a rider spends above critical power, and how it comes back.

References
----------
Monod & Scherrer 1965, "The work capacity of a synergic muscular group", Ergonomics 8, 329-338: the
two-parameter model. Skiba, Fulford, Clarke, Vanhatalo & Jones 2015, "Intramuscular determinants of the
ability to recover work capacity above critical power", European Journal of Applied Physiology 115,
703-713: differential form of the recovery. Bartram et al. 2022, IJSPP 17, 170: at the end of team
pursuits the differential form was off by -2.7 ± 2.0 kJ, which is why a plan keeps a reserve.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
FloatLike = float | FloatArray

RECOVERY_MODELS = ("differential", "constant")

FULL_CP_DURATION_S = 1800.0
ENDURANCE_EXPONENT = -0.07
LOWEST_SUSTAINABLE_SHARE = 0.8


def sustainable_share(duration_s: FloatLike) -> FloatArray:
    """Share of critical power that a rider can hold over a race of that duration.

    Parameters
    ----------
    duration_s : float or ndarray
        Duration of the race (s), above 0.

    Returns
    -------
    ndarray
        1 up to 30 min, then the power law ``(duration / 30 min) ** -0.07``, not below 0.8.

    Raises
    ------
    ValueError
        If a duration is not above 0.

    Notes
    -----
    The hyperbola of critical power holds for about 2 to 30 min (Skiba & Clarke 2021); beyond, power falls
    with a power of time (Drake, Finke & Ferguson, doi 10.1007/s00421-023-05274-5). The exponent 0.07 is
    typical of trained riders, from memory, and so is the floor: 0.952 at one hour, 0.907 at two.
    """
    duration = np.asarray(duration_s, dtype=np.float64)
    if not np.all(duration > 0.0):
        raise ValueError("duration_s must be above 0")
    beyond = np.maximum(duration / FULL_CP_DURATION_S, 1.0)
    share: FloatArray = np.maximum(beyond**ENDURANCE_EXPONENT, LOWEST_SUSTAINABLE_SHARE)
    return share


def _check_model(model: str, constant_share: float) -> None:
    if model not in RECOVERY_MODELS:
        raise ValueError(f"unknown recovery model {model!r}; choose one of {', '.join(RECOVERY_MODELS)}")
    if not 0.0 <= constant_share <= 1.0:
        raise ValueError(f"recovery share {constant_share} must lie between 0 and 1")


def recovery_share(
    model: str, w_prime_left_j: FloatLike, w_prime_j: FloatLike, constant_share: float
) -> FloatArray:
    """Share of the power below critical power that refills W' at this moment.

    Parameters
    ----------
    model : str
        ``differential``: the emptier, the faster, ``1 - left / full``; ``constant``: always
        ``constant_share``.
    w_prime_left_j, w_prime_j : float or ndarray
        W' left and W' when fresh (J).
    constant_share : float
        Share for ``constant``, 0 to 1.

    Raises
    ------
    ValueError
        If the model is unknown or the constant share lies outside 0 to 1.
    """
    _check_model(model, constant_share)
    left = np.asarray(w_prime_left_j, dtype=np.float64)
    emptied: FloatArray = 1.0 - left / w_prime_j
    return emptied if model == "differential" else np.full_like(emptied, constant_share)


def w_prime_balance(
    power_w: FloatArray,
    dt_s: FloatLike,
    cp_w: FloatLike,
    w_prime_j: FloatLike,
    model: str,
    constant_share: float,
) -> FloatArray:
    """W' left after each step of constant power, starting full (J).

    Parameters
    ----------
    power_w : ndarray (n_steps,) or (n_steps, n_riders)
        Mean power of each step (W).
    dt_s : float or ndarray (n_steps,)
        Duration of the steps (s).
    cp_w, w_prime_j : float or ndarray (n_riders,)
        Critical power (W) that counts as sustainable, and W' when fresh (J).
    model : str
        ``differential`` or ``constant``, see :func:`recovery_share`.
    constant_share : float
        For ``constant``.

    Returns
    -------
    ndarray, shape of ``power_w``
        Never above ``w_prime_j``; below zero where the model says that the rider has cracked. A power of
        nan (a rider no longer in the line) gives nan from there on.

    Raises
    ------
    ValueError
        If the model is unknown, the constant share outside 0 to 1, or W' or a step not above 0.

    Notes
    -----
    Both forms are exact for constant power within a step: above critical power W' falls linearly; below
    it the differential form closes the distance to full by ``exp(-(cp - power) * dt / w_prime)``.
    """
    _check_model(model, constant_share)
    power = np.asarray(power_w, dtype=np.float64)
    full = np.asarray(w_prime_j, dtype=np.float64)
    steps = np.broadcast_to(np.asarray(dt_s, dtype=np.float64), power.shape[:1])
    if not (np.all(full > 0.0) and np.all(steps > 0.0)):
        raise ValueError("w_prime_j and dt_s must be above 0")
    columns = (slice(None),) + (None,) * (power.ndim - 1)
    surplus = (power - cp_w) * steps[columns]
    used = np.maximum(surplus, 0.0)
    kept = np.exp(np.minimum(surplus, 0.0) / full)
    gained = np.maximum(-surplus, 0.0) * constant_share
    balance = np.empty_like(power)
    spent = np.zeros(power.shape[1:])
    for step in range(len(power)):
        if model == "differential":
            spent = spent * kept[step] + used[step]
        else:
            spent = np.maximum(spent - gained[step], 0.0) + used[step]
        balance[step] = full - spent
    return balance


def time_to_exhaustion(power_w: FloatLike, cp_w: FloatLike, w_prime_j: FloatLike) -> FloatArray:
    """Time a fresh rider holds a steady power: W' over power above CP (s); infinite up to CP."""
    above = np.maximum(np.asarray(power_w, dtype=np.float64) - cp_w, 0.0)
    with np.errstate(divide="ignore"):
        duration: FloatArray = np.asarray(w_prime_j, dtype=np.float64) / above
    return duration
