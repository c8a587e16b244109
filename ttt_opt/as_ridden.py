"""What a simulated ride of a plan says of the model's constants: the plan is ridden, corrected and ridden again.

The model holds speeds by segment and W' at their boundaries, with recovery at a constant share; the ride
(:mod:`ttt_opt.ride`) has neither. Constants that are fitted to the ride of one plan give that plan the times, work and
W' of its ride, and the recovery its true slope: Newton's method with the ride as the function and the model as its
derivative.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ttt_models.rotation import RotationData
from ttt_opt.race import Race
from ttt_opt.ride import Ride

FloatArray = NDArray[np.float64]

LEAST_TIME_SHARE, MOST_TIME_SHARE = 0.6, 1.5
"""Bounds on the ride's time over the model's, so that one odd ride does not lead the next plan astray."""
LEAST_RECOVERY_SHARE = 0.01


@dataclass(frozen=True)
class Planned:
    """What a plan has in each segment.

    Attributes
    ----------
    leader : ndarray (n_segments,) of int
    time_s, riding_s, changeover_s, braking_s : ndarray (n_segments,)
        Time in all, at the model's speeds, lost to a changeover and to braking (s).
    needed_j, also_work_j : ndarray (n_segments, n_riders)
        Crank work that the model needs, below zero where riders brake, and what of it an earlier ride added (J).
    swing_off_j : ndarray (n_segments, n_riders)
        W' that swinging off uses beyond the mean power (J).
    """

    leader: NDArray[np.int64]
    time_s: FloatArray
    riding_s: FloatArray
    changeover_s: FloatArray
    braking_s: FloatArray
    needed_j: FloatArray
    also_work_j: FloatArray
    swing_off_j: FloatArray

    @property
    def work_j(self) -> FloatArray:
        """Crank work ``(n_segments, n_riders)`` (J)."""
        return np.maximum(self.needed_j, 0.0)


@dataclass(frozen=True)
class Ridden:
    """What a ride had in each segment.

    Attributes
    ----------
    time_s : ndarray (n_segments,)
        (s).
    work_j : ndarray (n_segments, n_riders)
        Crank work (J); nan once a rider has left.
    w_prime_j : ndarray (n_segments + 1, n_riders)
        W' left at the boundaries (J); nan once a rider has left.
    least_j : ndarray (n_segments, n_riders)
        Lowest W' within each segment (J); nan once a rider has left.
    """

    time_s: FloatArray
    work_j: FloatArray
    w_prime_j: FloatArray
    least_j: FloatArray

    @property
    def lowest_j(self) -> FloatArray:
        """Lowest W' of all ``(n_riders,)`` (J)."""
        return np.asarray(np.fmin(np.nanmin(self.w_prime_j, axis=0), np.nanmin(self.least_j, axis=0)), dtype=np.float64)

    @property
    def dip_j(self) -> FloatArray:
        """How far W' falls within each segment below the lower of its ends (J).

        As ``(n_segments, n_riders)``; 0 once a rider has left.
        """
        at_ends = np.minimum(self.w_prime_j[:-1], self.w_prime_j[1:])
        return np.asarray(np.nan_to_num(np.maximum(at_ends - self.least_j, 0.0)), dtype=np.float64)

    @classmethod
    def of(cls, ride: Ride) -> Ridden:
        """Sums of a ride over the segments of its schedule."""
        n_segments = len(ride.boundary_time_s) - 1
        middle_s = ride.time_s - 0.5 * ride.step_s
        segment = np.clip(np.searchsorted(ride.boundary_time_s, middle_s) - 1, 0, n_segments - 1)
        work = ride.power_w * ride.step_s[:, None]
        least = np.full((n_segments, ride.w_prime_j.shape[1]), np.nan)
        np.fmin.at(least, segment, ride.w_prime_j)
        return cls(
            time_s=np.diff(ride.boundary_time_s),
            work_j=np.column_stack([np.bincount(segment, column, n_segments) for column in work.T]),
            w_prime_j=ride.boundary_w_prime_j,
            least_j=least,
        )


def time_share(planned: Planned, ridden: Ridden) -> FloatArray:
    """Riding time of the ride over that of the model's speeds ``(n_segments,)``."""
    share = (ridden.time_s - planned.changeover_s - planned.braking_s) / planned.riding_s
    return np.asarray(np.clip(share, LEAST_TIME_SHARE, MOST_TIME_SHARE), dtype=np.float64)


def fitted_to_ride(data: RotationData, race: Race, planned: Planned, ridden: Ridden) -> RotationData:
    """Constants under which the plan uses the W' of its ride, and riders on a wheel do the work of it.

    The leader's work stays the model's: his power is what the ride is given.

    Parameters
    ----------
    data : RotationData
        Of the same path of pulls, at the speeds of the plan.
    race : Race
        How W' recovers.
    planned : Planned
        Under ``data``.
    ridden : Ridden
    """
    gone = np.isnan(ridden.w_prime_j[1:])
    work = np.where(gone, planned.work_j, ridden.work_j)
    above = work - data.cp_w * ridden.time_s[:, None]
    below = np.maximum(-above, 0.0)
    spent = np.where(np.isnan(ridden.w_prime_j), 0.0, data.w_prime_j - ridden.w_prime_j)
    if race.recovery == "differential":
        kept = np.exp(-below / data.w_prime_j)
        share = np.clip(spent[:-1] / data.w_prime_j * kept, LEAST_RECOVERY_SHARE, 1.0)
    else:
        kept, share = np.ones_like(below), data.recovery_share
    on_wheel = data.on_wheel_applies[:, None] & (np.arange(data.n_riders) != planned.leader[:, None]) & ~gone
    by_model = planned.needed_j - np.where(on_wheel, planned.also_work_j, 0.0)
    also_work = np.where(on_wheel & (by_model > 0.0), work - by_model, 0.0)  # where riders brake, work has no slope
    model_work = np.maximum(by_model + also_work, 0.0)
    model_above = model_work - data.cp_w * ridden.time_s[:, None]
    use = np.where(model_above > 0.0, model_above, model_above * share) + planned.swing_off_j
    also_used = spent[1:] - kept * spent[:-1] - use
    return replace(
        data,
        recovery_share=share,
        spent_kept=np.where(gone, 1.0, kept),
        also_used_j=np.where(gone, 0.0, also_used),
        also_work_j=also_work,
    )
