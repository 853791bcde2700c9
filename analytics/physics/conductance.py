"""Conductance, overall coefficient, fouling resistance and what they are made of.

Lives here: UA, U, series resistance of films, wall and deposit, cleanliness factor. Not here: how a
film coefficient varies with flow and temperature (film.py), the mean temperature difference
(temperature_difference.py).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def _positive(value: ArrayLike) -> Array:
    """The value as array, NaN where it is not positive."""
    array = np.asarray(value, dtype=float)
    return np.where(array > 0, array, np.nan)


def conductance(duty_W: ArrayLike, lmtd_K: ArrayLike) -> Array:
    """Conductance UA, duty over the (corrected) LMTD; NaN unless both are positive. [W/K]"""
    return _positive(duty_W) / _positive(lmtd_K)


def overall_coefficient(conductance_W_K: ArrayLike, area_m2: ArrayLike) -> Array:
    """Overall heat-transfer coefficient U, conductance over area. [W/(m2 K)]"""
    return np.asarray(conductance_W_K, dtype=float) / _positive(area_m2)


def wall_resistance(thickness_m: ArrayLike, conductivity_W_mK: ArrayLike) -> Array:
    """Resistance of a flat plate to conduction, thickness over conductivity. [m2 K/W]"""
    return np.asarray(thickness_m, dtype=float) / _positive(conductivity_W_mK)


def coefficient_in_series(
    hot_film_W_m2K: ArrayLike,
    cold_film_W_m2K: ArrayLike,
    wall_m2K_W: ArrayLike = 0.0,
    fouling_m2K_W: ArrayLike = 0.0,
) -> Array:
    """Overall coefficient of two films, a wall and a deposit in series.

        1/U = 1/h_hot + 1/h_cold + R_wall + Rf

    Both films meet the same area: a plate has no inner and outer side. NaN unless the films and the
    sum are positive. [W/(m2 K)]
    """
    films = 1.0 / _positive(hot_film_W_m2K) + 1.0 / _positive(cold_film_W_m2K)
    rest = np.asarray(wall_m2K_W, dtype=float) + np.asarray(fouling_m2K_W, dtype=float)
    return 1.0 / _positive(films + rest)


def fouling_resistance(U_W_m2K: ArrayLike, U_clean_W_m2K: ArrayLike) -> Array:
    """Fouling resistance, ``Rf = 1/U - 1/U_clean``; negative if U is above clean. [m2 K/W]

    The two must hold at the same flows and temperatures; otherwise the films' change is taken for a
    deposit.
    """
    return 1.0 / _positive(U_W_m2K) - 1.0 / _positive(U_clean_W_m2K)


def fouled_coefficient(U_clean_W_m2K: ArrayLike, fouling_m2K_W: ArrayLike) -> Array:
    """Overall coefficient with a deposit, inverse of :func:`fouling_resistance`. [W/(m2 K)]"""
    fouling = np.asarray(fouling_m2K_W, dtype=float)
    return 1.0 / _positive(1.0 / _positive(U_clean_W_m2K) + fouling)


def cleanliness_factor(U_W_m2K: ArrayLike, U_clean_W_m2K: ArrayLike) -> Array:
    """U now over U clean at the same flows and temperatures."""
    return _positive(U_W_m2K) / _positive(U_clean_W_m2K)


def fouling_from_cleanliness(cleanliness: ArrayLike, U_clean_W_m2K: ArrayLike) -> Array:
    """Fouling resistance that belongs to a cleanliness factor, ``(1/CF - 1)/U_clean``. [m2 K/W]"""
    return (1.0 / _positive(cleanliness) - 1.0) / _positive(U_clean_W_m2K)


def oversurface(U_W_m2K: ArrayLike, U_clean_W_m2K: ArrayLike) -> Array:
    """Surface beyond what clean plates would need, as a ratio: ``U_clean Rf = 1/CF - 1``.

    References
    ----------
    .. [1] S. Kakac, H. Liu, Heat Exchangers, 2nd ed., CRC Press, 2002, ch. 5 (from memory).
    """
    return 1.0 / cleanliness_factor(U_W_m2K, U_clean_W_m2K) - 1.0
