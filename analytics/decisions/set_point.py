"""How the secondary supply is held at its set point: beside it, or swinging about it.

A controller keeps the supply that it reads at the set point. Where the logged thermometer is another
than the controller's, its error shows as a distance from the set point that is the same at all loads; where
it is the same, nothing shows, which is no word for it. A loop that hunts swings about the set point,
even where the logger, in step with it, meets the valve at the same place each time.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.comparable import loaded_hours, on_usual_days, reference_and_recent
from analytics.trends.account import Account
from analytics.trends.hours import T2_OUT
from analytics.trends.model import Array
from analytics.trends.reference_condition import estimate
from analytics.vocabulary.quantities import SECONDARY_SUPPLY
from analytics.vocabulary.records import Deed, Estimate

OPEN_VALVE = 0.85  # and further: the set point may be out of reach
HELD_SD_K = 0.15  # of the middle of a fortnight, from one fortnight to another (by simulation)
LEFT_K = 0.5  # beside the set point by what matters
CALM = (
    0.25  # share of the hours nearest to their middle: charging a store disturbs some, hunting all
)
SWING_RATIO, SWING_LEAST_K, SWING_FINEST_K = 1.8, 0.15, 0.05
# Variance of the days' residuals over the model's: charging a store of hot water disturbs most hours as well,
# and leaves the balance of steady ones alone.
RESTLESS = 1.3
# Chance that the logged thermometer is not the one that the controller reads, and that a supply comes to lie
# beside its set point, by so much, for another reason (judgement).
APART, OTHERWISE, OTHERWISE_K = 0.5, 0.01, 1.5
DOUBT_K, DOUBT = 0.3, 0.4  # of an error as the account has it: at least, and as a share


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPointHold:
    """Reading minus set point in hours with load, valve within its travel.

    Attributes
    ----------
    left_K : Estimate
        Middle of the last hours minus that of the reference period.
    swing_K, swing_before_K : float
        Median distance from the middle of the week.
    steady : bool
        It lies beside the set point as calmly as it lay on it.
    swings : bool
    """

    left_K: Estimate
    swing_K: float
    swing_before_K: float
    steady: bool
    swings: bool

    @property
    def left(self) -> bool:
        """Tell whether the supply lies beside its set point steadily, by what matters."""
        return self.steady and abs(self.left_K.value) > LEFT_K


def held_set_point(account: Account) -> SetPointHold | None:
    """Compare how the set point is held with the reference period; ``None``: too few hours, or no set point."""
    beside = account.table.temperature[:, T2_OUT] - account.table.set_point_degC
    reached = ~(account.table.valve > OPEN_VALVE)
    held = np.isfinite(beside) & reached & loaded_hours(account)
    masks = reference_and_recent(account, on_usual_days(account, held))
    if masks is None:
        return None
    before, now = (beside[mask] for mask in masks)
    swing_before, swing = (_about_weeks(beside[mask], account.table.day[mask]) for mask in masks)
    calm_before, calm = (float(np.quantile(s, CALM)) for s in (swing_before, swing))
    swings = bool(
        calm > SWING_LEAST_K
        and calm > SWING_RATIO * max(calm_before, SWING_FINEST_K)
        and np.median(swing) > SWING_RATIO * np.median(swing_before)
    )
    return SetPointHold(
        left_K=estimate(float(np.median(now) - np.median(before)), HELD_SD_K),
        swing_K=float(np.median(swing)), swing_before_K=float(np.median(swing_before)),
        steady=not swings and not _calibrated(account),
        swings=swings and (account.exchanger.service == "hot water" or _restless(account, masks[1])),
    )  # fmt: skip


def thermometer_evidence(hold: SetPointHold | None, moved: Estimate, sd_K: float) -> float:
    """Return the log likelihood ratio of an error of the supply's thermometer against none.

    Parameters
    ----------
    moved : Estimate
        The error as the account has it, K.
    sd_K : float
        Its standard deviation.
    """
    if hold is None or not hold.steady:
        return 0.0
    left = hold.left_K.value
    doubt = float(np.hypot(sd_K, max(DOUBT_K, DOUBT * abs(moved.value))))
    apart = _normal(left - moved.value, float(np.hypot(doubt, HELD_SD_K)))
    off = APART * apart + (1.0 - APART) * _normal(left, HELD_SD_K)
    right = (1.0 - OTHERWISE) * _normal(left, HELD_SD_K) + OTHERWISE * _normal(left, OTHERWISE_K)
    return float(np.log(off + 1e-12) - np.log(right + 1e-12))


def borne_out(hold: SetPointHold | None, moved: Estimate) -> bool:
    """Tell whether the distance from the set point bears an error of the supply's thermometer out."""
    return bool(hold is not None and hold.left and hold.left_K.value * moved.value > 0)


def _calibrated(account: Account) -> bool:
    """Tell whether the supply's thermometer was set right since: it lies beside what it read before."""
    return any(
        e.deed is Deed.THERMOMETER_CALIBRATED and e.role == SECONDARY_SUPPLY for e in account.events
    )


def _restless(account: Account, hours: NDArray[np.bool_]) -> bool:
    """Tell whether the days of those hours are restless; a summer of hot water alone is for other reasons."""
    info = account.info
    assert info is not None
    same = np.isin(info.day, account.table.day[hours])
    return bool(same.any() and np.median(info.scale[same]) > RESTLESS)


def _about_weeks(values: Array, day: NDArray[np.int64]) -> Array:
    """Return the distances from the middle of each week: a thermometer that drifts is no loop that swings."""
    weekly = pd.Series(values).groupby(day // 7).transform("median").to_numpy()
    return np.asarray(np.abs(values - weekly))


def _normal(x: float, sd: float) -> float:
    return float(np.exp(-((x / sd) ** 2) / 2.0) / sd / np.sqrt(2.0 * np.pi))
