"""Is a signal steady? The ratio of two estimates of its variance.

Lives here: the published ratio statistic. Not here: which intervals are used in the end.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from analytics.vocabulary.errors import EvaluationError

Array = NDArray[np.float64]


def steadiness_ratio(
    values: ArrayLike,
    noise_sd: float,
    mean_weight: float = 0.2,
    spread_weight: float = 0.1,
    difference_weight: float = 0.1,
) -> Array:
    """Variance about a moving mean over variance from successive differences.

    Noise about a constant level makes both estimates agree; a moving level raises only the first.

        M_i = a x_i + (1-a) M_(i-1)
        n_i = b (x_i - M_(i-1))^2 + (1-b) n_(i-1)
        d_i = c (x_i - x_(i-1))^2 + (1-c) d_(i-1)
        R_i = (2-a) n_i / d_i

    Parameters
    ----------
    values : array_like, shape (n,)
        Evenly spaced. A NaN is passed over, and the ratio is NaN there.
    noise_sd : float
        Expected standard deviation of the noise; both estimates start from it, so that ``R`` starts
        at 1 and the first samples do not decide alone. Units of ``values``.
    mean_weight, spread_weight, difference_weight : float, optional
        ``a``, ``b``, ``c``, each above 0 and up to 1.

    Returns
    -------
    ndarray, shape (n,)
        About 1 when steady: with the default weights and independent normal noise below 1.44 in 95 of
        100 samples and below 2 in 99.7. NaN at the first sample, and where nothing ever changes.

    Notes
    -----
    Autocorrelated noise raises the ratio: first-order with a coefficient of 0.5 has a median of 1.6,
    so trends of slow sensors must be thinned first. The ratio stays high for some samples after a new
    level is reached, since the moving mean lags.

    References
    ----------
    .. [1] S. Cao, R. R. Rhinehart, J. Process Control 5(6), 1995, 363-374 (equations from memory).
    """
    for weight in (mean_weight, spread_weight, difference_weight):
        if not 0 < weight <= 1:
            raise EvaluationError(
                f"steadiness: weights must lie above 0 and up to 1, got {weight!r}."
            )
    series = np.asarray(values, dtype=float)
    known = np.isfinite(series)
    ratio = np.full(series.shape, np.nan)
    x = series[known]
    if len(x) < 2:
        return ratio
    mean = _smooth(x[1:], mean_weight, x[0])
    before = np.concatenate(([x[0]], mean[:-1]))
    variance = 2.0 * noise_sd**2
    spread = _smooth((x[1:] - before) ** 2, spread_weight, variance / (2.0 - mean_weight))
    differences = _smooth(np.diff(x) ** 2, difference_weight, variance)
    moving = np.where(differences > 0, differences, np.nan)
    ratio[np.flatnonzero(known)[1:]] = (2.0 - mean_weight) * spread / moving
    return ratio


def _smooth(x: Array, weight: float, start: float) -> Array:
    smoothed, _ = lfilter([weight], [1.0, weight - 1.0], x, zi=[(1.0 - weight) * start])
    return np.asarray(smoothed)
