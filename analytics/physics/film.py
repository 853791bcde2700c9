"""How a film coefficient on a plate varies with flow and temperature, and what was published of it.

Lives here: exponents of published plate correlations with their ranges, the prior drawn from them,
and the scaling of a film coefficient from one state to another. Not here: an absolute film
coefficient. Published correlations for like plates differ by a factor of two to three, and even the
chevron angle is counted from different axes, so only exponents carry over to a plate of which
nothing but the area is known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.physics.fluids import FluidProperties

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedExponent:
    """Exponent of the Reynolds number in ``Nu ~ Re^n``, over the plates a source covers.

    ``low`` and ``high`` span the chevron angles and, where the exponent varies with it, the Reynolds
    numbers in ``valid_reynolds``.
    """

    low: float
    high: float
    valid_reynolds: tuple[float, float]
    source: str


PLATE_EXPONENTS: tuple[PublishedExponent, ...] = (
    PublishedExponent(
        low=0.663, high=0.732, valid_reynolds=(500.0, 10_000.0),
        source="H. Kumar, IChemE Symp. Ser. 86, 1984, 1275-1286, chevron 30 to 65 deg, turbulent; "
               "as tabulated by Z. H. Ayub, Heat Transfer Eng. 24(5), 2003, 3-16",
    ),
    PublishedExponent(
        low=0.671, high=0.735, valid_reynolds=(1000.0, 10_000.0),
        source="H. Martin, Chem. Eng. Process. 35, 1996, 301-310, chevron 30 to 60 deg; local slope",
    ),
    PublishedExponent(
        low=0.702, high=0.783, valid_reynolds=(1000.0, 10_000.0),
        source="A. Muley, R. M. Manglik, J. Heat Transfer 121, 1999, 110-117, chevron 30 to 60 deg",
    ),
    PublishedExponent(
        low=0.738, high=0.838, valid_reynolds=(500.0, 2500.0),
        source="T. S. Khan et al., Appl. Therm. Eng. 30, 2010, 1058-1065, chevron 30 to 60 deg",
    ),
)  # fmt: skip

# A normal prior over the sources above: all lie within two standard deviations. The mean sits below
# their middle because a heating exchanger runs most of its hours at part load, where the local slope
# falls (Martin: to 0.6 at a Reynolds number of 300 to 500).
EXPONENT_MEAN = 0.70
EXPONENT_SD = 0.08


def film_coefficient(
    coefficient_W_m2K: ArrayLike,
    mass_flow_ratio: ArrayLike,
    temperature_degC: ArrayLike,
    reference_degC: ArrayLike,
    fluid: FluidProperties,
    exponent: ArrayLike = EXPONENT_MEAN,
) -> Array:
    """Film coefficient at another flow and temperature than where it is known.

        h = h_ref (m/m_ref)^n phi(T)/phi(T_ref),   phi = k^(2/3) cp^(1/3) mu^(1/3-n)

    Parameters
    ----------
    coefficient_W_m2K : array_like
        At the reference state. [W/(m2 K)]
    mass_flow_ratio : array_like
        Mass flow per channel over that of the reference state; positive.
    temperature_degC, reference_degC : array_like
        Mean bulk temperatures. [degC]
    fluid : FluidProperties
    exponent : array_like, optional
        ``n``.

    Returns
    -------
    ndarray
        NaN where the ratio is not positive or a temperature is out of range. [W/(m2 K)]

    Notes
    -----
    ``phi`` is derived at :meth:`analytics.physics.curves.FluidProperties.film_group`. The wall's
    viscosity, a matter of one per cent between two waters, is left out.
    """
    ratio = np.asarray(mass_flow_ratio, dtype=float)
    n = np.asarray(exponent, dtype=float)
    group = fluid.film_group(temperature_degC, n) / fluid.film_group(reference_degC, n)
    flow = np.where(ratio > 0, ratio, np.nan) ** n
    return np.asarray(np.asarray(coefficient_W_m2K, dtype=float) * flow * group)
