"""How a glycol mixture is counted.

Lives here: mass against volume fraction, the range of the fits. Not here: the properties
themselves (``fluids.py``).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.physics.fluids import fluid_properties
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Fluid

Array = NDArray[np.float64]

# The fractions for which there are fits, by how they are counted.
FRACTIONS = {"mass": (0.0, 0.6), "volume": (0.1, 0.6)}
MIXTURES_TO_degC = 100.0  # where the fits end

# Density of the pure glycol at 20 degC in kg/m3 and its slope in kg/(m3 K) (Lange's Handbook, by way of the
# specific gravities 1.1155 and 1.038 of glycol concentration guides; slopes from memory).
_PURE_GLYCOL = {"ethylene glycol": (1113.5, -0.70), "propylene glycol": (1036.3, -0.76)}


def mass_fraction(
    kind: str, volume_fraction: ArrayLike, temperature_degC: ArrayLike = 20.0
) -> Array:
    """Mass fraction of a glycol mixture made up of volumes measured at one temperature.

        w = v rho_glycol/(v rho_glycol + (1 - v) rho_water)

    Parameters
    ----------
    kind : {"ethylene glycol", "propylene glycol"}
    volume_fraction : array_like
        Glycol's volume over the sum of both volumes before mixing, 0 to 1: mixing shrinks them by up to
        one per cent, which does not enter.
    temperature_degC : array_like, optional
        At which the volumes were measured, 0 to 100. [degC]

    Returns
    -------
    ndarray
        NaN outside 0 to 1.

    Raises
    ------
    EvaluationError
        If the glycol is not known.
    """
    glycol, water_density = _pure_densities(kind, temperature_degC)
    v = np.asarray(volume_fraction, dtype=float)
    v = np.where((v >= 0) & (v <= 1), v, np.nan)
    return np.asarray(v * glycol / (v * glycol + (1.0 - v) * water_density))


def volume_fraction(
    kind: str, mass_fraction: ArrayLike, temperature_degC: ArrayLike = 20.0
) -> Array:
    """Volume fraction of a glycol mixture; inverse of :func:`mass_fraction`."""
    glycol, water_density = _pure_densities(kind, temperature_degC)
    w = np.asarray(mass_fraction, dtype=float)
    w = np.where((w >= 0) & (w <= 1), w, np.nan)
    return np.asarray(w / glycol / (w / glycol + (1.0 - w) / water_density))


def _pure_densities(kind: str, temperature_degC: ArrayLike) -> tuple[Array, Array]:
    if kind not in _PURE_GLYCOL:
        raise EvaluationError(
            f"{kind!r} is no glycol known here. Use one of {sorted(_PURE_GLYCOL)}."
        )
    at_20, slope = _PURE_GLYCOL[kind]
    t = np.asarray(temperature_degC, dtype=float)
    return np.asarray(at_20 + slope * (t - 20.0)), fluid_properties(Fluid()).density(t)
