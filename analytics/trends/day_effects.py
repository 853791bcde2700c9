"""What the hours of one day share: an error of each instrument that is integrated out.

Lives here: the sums of a day's information at a fixed point, and the day effects. Used by the clean
fit and by the daily account alike, so that both weigh the same evidence the same way.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.trends.model import DEPOSIT, Array

STUDENT = 4.0  # degrees of freedom of the residuals' weights
# Independent error that stays constant over a day: thermometers K, meters, and U itself.
DAY_EFFECT_TEMPERATURE_K = 0.05
DAY_EFFECT_METER = 0.005
DAY_EFFECT_U = 0.003
DAY_EFFECT_ASSUMED_FLOW = 0.05


def day_effect_sd(assumed_secondary: bool) -> tuple[NDArray[np.int64], Array]:
    """Return the unknowns that carry a day effect and its standard deviations."""
    index = np.array([0, 1, 2, 3, 4, 5, DEPOSIT])
    flow_2 = DAY_EFFECT_ASSUMED_FLOW if assumed_secondary else DAY_EFFECT_METER
    sd = np.array([*[DAY_EFFECT_TEMPERATURE_K] * 4, DAY_EFFECT_METER, flow_2, DAY_EFFECT_U])
    return index, sd


def day_sums(
    e: Array,
    J: Array,
    W: Array,
    weight: Array,
    day: NDArray[np.int64],
    effects: tuple[NDArray[np.int64], Array],
) -> tuple[NDArray[np.int64], Array, Array]:
    """Return the days, and each day's matrix and vector with its own effects integrated out.

    Parameters
    ----------
    e, J, W, weight : (n, 2), (n, 2, s), (n, 2, 2), (n,)
        Residuals, their derivatives, inverse covariances and weights of the hours.
    day : (n,) rising
    effects : as :func:`day_effect_sd` returns them
    """
    WJ = np.einsum("n,nij,njk->nik", weight, W, J)
    days, first = np.unique(day, return_index=True)
    L = np.add.reduceat(np.einsum("nij,nik->njk", J, WJ), first)
    E = np.add.reduceat(-np.einsum("nik,ni->nk", WJ, e), first)
    return days, *integrate_day_effects(L, E, *effects)


def integrate_day_effects(
    L: Array, E: Array, index: NDArray[np.int64], sd: Array
) -> tuple[Array, Array]:
    """Integrate the day effects out: ``B = L_K (L_KK + Q^-1)^-1; L - B L_K'; E - B E_K``."""
    LK = L[:, :, index]
    middle = LK[:, index, :] + np.diag(sd**-2.0)
    B = np.swapaxes(np.linalg.solve(middle, np.swapaxes(LK, 1, 2)), 1, 2)
    L_day = L - B @ np.swapaxes(LK, 1, 2)
    return (L_day + np.swapaxes(L_day, 1, 2)) / 2, E - np.einsum("dij,dj->di", B, E[:, index])
