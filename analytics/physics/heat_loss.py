"""What an exchanger without insulation loses to its room.

Lives here: natural convection from upright surfaces, radiation, and their sum. Not here: how the loss
enters the balance of the streams.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

STEFAN_BOLTZMANN_W_m2K4 = 5.670374419e-8  # exact, CODATA 2018
GRAVITY_m_s2 = 9.80665
ZERO_degC_K = 273.15
ATMOSPHERE_Pa = 101_325.0
AIR_GAS_CONSTANT_J_kgK = 287.05
AIR_HEAT_CAPACITY_J_kgK = 1007.0  # within 0.5 % from 0 to 130 degC
PAINTED_STEEL_EMISSIVITY = 0.9
INSULATION_THICKNESS_m, INSULATION_CONDUCTIVITY_W_mK = 0.04, 0.04
USUAL_SURFACE_degC, USUAL_ROOM_degC = 60.0, 24.0


def air_viscosity(temperature_K: ArrayLike) -> Array:
    """Dynamic viscosity of dry air, Sutherland's law, within 2 % from 170 to 1900 K. [Pa s]

    Source: F. M. White, Viscous Fluid Flow, 3rd ed., McGraw-Hill, 2006, table 1-2 (from memory).
    """
    return _sutherland(temperature_K, 1.716e-5, 111.0)


def air_conductivity(temperature_K: ArrayLike) -> Array:
    """Thermal conductivity of dry air, Sutherland's law, within 2 % from 160 to 2000 K. [W/(m K)]

    Source: F. M. White, Viscous Fluid Flow, 3rd ed., McGraw-Hill, 2006, table 1-3 (from memory).
    """
    return _sutherland(temperature_K, 0.0241, 194.0)


def _sutherland(temperature_K: ArrayLike, at_273_K: float, constant_K: float) -> Array:
    T = np.asarray(temperature_K, dtype=float)
    T = np.where(T > 0, T, np.nan)
    return np.asarray(at_273_K * (T / 273.0) ** 1.5 * (273.0 + constant_K) / (T + constant_K))


def nusselt_vertical_plate(rayleigh: ArrayLike, prandtl: ArrayLike) -> Array:
    """Mean Nusselt number of natural convection on an upright plate, laminar and turbulent.

        Nu = (0.825 + 0.387 Ra^(1/6) / (1 + (0.492/Pr)^(9/16))^(8/27))^2

    Parameters
    ----------
    rayleigh : array_like
        On the height; not negative, up to 1e12.
    prandtl : array_like

    Returns
    -------
    ndarray
        NaN where an input is NaN or out of that range.

    References
    ----------
    .. [1] S. W. Churchill, H. H. S. Chu, Int. J. Heat Mass Transfer 18, 1975, 1323-1329.
    """
    Ra, Pr = (np.asarray(v, dtype=float) for v in (rayleigh, prandtl))
    Ra = np.where((Ra >= 0) & (Ra <= 1e12), Ra, np.nan)
    Pr = np.where(Pr > 0, Pr, np.nan)
    return np.asarray(
        (0.825 + 0.387 * Ra ** (1 / 6) / (1 + (0.492 / Pr) ** (9 / 16)) ** (8 / 27)) ** 2
    )


def convection_coefficient(
    surface_degC: ArrayLike, room_degC: ArrayLike, height_m: ArrayLike
) -> Array:
    """Mean coefficient of natural convection in still air on an upright surface. [W/(m2 K)]

    Air as an ideal gas at the mean of surface and room temperature, sea level.
    """
    surface, room, height = (
        np.asarray(v, dtype=float) for v in (surface_degC, room_degC, height_m)
    )
    height = np.where(height > 0, height, np.nan)
    film_K = (surface + room) / 2 + ZERO_degC_K
    viscosity, conductivity = air_viscosity(film_K), air_conductivity(film_K)
    density = ATMOSPHERE_Pa / (AIR_GAS_CONSTANT_J_kgK * film_K)
    prandtl = viscosity * AIR_HEAT_CAPACITY_J_kgK / conductivity
    kinematic = viscosity / density
    buoyancy = GRAVITY_m_s2 / film_K * np.abs(surface - room)
    rayleigh = buoyancy * height**3 * prandtl / kinematic**2
    return np.asarray(nusselt_vertical_plate(rayleigh, prandtl) * conductivity / height)


def radiation_coefficient(
    surface_degC: ArrayLike, room_degC: ArrayLike, emissivity: float = PAINTED_STEEL_EMISSIVITY
) -> Array:
    """Coefficient of radiation to a room that surrounds the surface. [W/(m2 K)]"""
    T, room = (np.asarray(t, dtype=float) + ZERO_degC_K for t in (surface_degC, room_degC))
    return np.asarray(emissivity * STEFAN_BOLTZMANN_W_m2K4 * (T + room) * (T**2 + room**2))


def through_insulation(
    surface_coefficient_W_m2K: ArrayLike,
    thickness_m: float = INSULATION_THICKNESS_m,
    conductivity_W_mK: float = INSULATION_CONDUCTIVITY_W_mK,
) -> Array:
    """Coefficient from a hot face through a flat jacket to the room. [W/(m2 K)]

    Resistances of jacket and outer surface in series, as ISO 12241 has it for flat walls (method from
    memory). Thickness and conductivity of a usual removable jacket (common practice).
    """
    surface = np.asarray(surface_coefficient_W_m2K, dtype=float)
    return np.asarray(1.0 / (1.0 / surface + thickness_m / conductivity_W_mK))


def pack_outside_m2(plate_area_m2: float) -> float:
    """Outer faces of a pack, frame plates included, from the area of all its plates. [m2]

    Similar packs scale with the two-thirds power: 0.3 m2 at 1 m2 of plates, 2.8 m2 at 29 m2 (common
    practice; a pack of twice the depth at the same area has up to half as much again).
    """
    return float(0.3 * plate_area_m2 ** (2 / 3))


def pack_loss_W_K(
    plate_area_m2: float,
    insulated: bool | None = None,
    surface_degC: float = USUAL_SURFACE_degC,
    room_degC: float = USUAL_ROOM_degC,
) -> float:
    """Loss of a whole unit to its room, per kelvin of its mean temperature above it. [W/K]

    Parameters
    ----------
    plate_area_m2 : float
        Of all plates; positive.
    insulated : bool, optional
        None: not registered, taken as bare.
    """
    outside = pack_outside_m2(plate_area_m2)
    height = float(np.sqrt(outside / 3.0))  # two faces and four narrow sides
    bare = convection_coefficient(surface_degC, room_degC, height) + radiation_coefficient(
        surface_degC, room_degC
    )
    coefficient = through_insulation(bare) if insulated else bare
    return float(coefficient * outside)


def heat_loss(
    surface_degC: ArrayLike,
    room_degC: ArrayLike,
    height_m: ArrayLike,
    surface_area_m2: ArrayLike,
    emissivity: float = PAINTED_STEEL_EMISSIVITY,
) -> Array:
    """Heat lost by an uninsulated unit to still air and to the room's walls.

    Parameters
    ----------
    surface_degC, room_degC : array_like
        Mean surface temperature, and that of the room's air and walls. [degC]
    height_m : array_like
        Of the plate pack; positive. [m]
    surface_area_m2 : array_like
        All outer faces. Top and bottom are counted as if upright. [m2]
    emissivity : float, optional
        0.9 for painted steel; about 0.2 for bare bright steel.

    Returns
    -------
    ndarray
        Positive towards the room; NaN where an input is NaN. [W]

    Notes
    -----
    The correlation's own scatter is some ten per cent; feet, pipes and draught add to that. Good for
    a prior on the loss, not for closing a balance.
    """
    coefficient = convection_coefficient(surface_degC, room_degC, height_m) + radiation_coefficient(
        surface_degC, room_degC, emissivity
    )
    gap_K = np.subtract(surface_degC, room_degC, dtype=float)
    return np.asarray(coefficient * np.asarray(surface_area_m2, dtype=float) * gap_K)
