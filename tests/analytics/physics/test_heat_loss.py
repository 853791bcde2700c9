"""Heat loss against a textbook example, another library and air properties."""

import CoolProp.CoolProp as library
import ht
import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats

from analytics.physics.heat_loss import (
    air_conductivity,
    air_viscosity,
    convection_coefficient,
    heat_loss,
    nusselt_vertical_plate,
    pack_loss_W_K,
    pack_outside_m2,
    radiation_coefficient,
    through_insulation,
)


@given(exponent=floats(0.0, 12.0), prandtl=floats(0.5, 10.0))
def test_correlation_of_churchill_and_chu(exponent, prandtl):
    rayleigh = 10.0**exponent
    expected = ht.Nu_vertical_plate_Churchill(prandtl, rayleigh / prandtl)
    assert nusselt_vertical_plate(rayleigh * (1 - 1e-12), prandtl) == pytest.approx(
        expected, rel=1e-9
    )


def test_glass_door_of_a_fireplace():
    """Incropera & DeWitt, 6th ed., Example 9.2 (from memory): 0.71 by 1.02 m, 232 degC in a room at
    23 degC: Nu = 147, 7.0 W/(m2 K), 1060 W by convection."""
    assert nusselt_vertical_plate(1.813e9, 0.690) == pytest.approx(147, abs=0.5)
    assert convection_coefficient(232.0, 23.0, 0.71) == pytest.approx(7.0, abs=0.06)
    loss = heat_loss(232.0, 23.0, 0.71, 0.71 * 1.02, emissivity=0.0)
    assert loss == pytest.approx(1060, rel=0.01)


def test_air_against_the_property_library():
    T = np.linspace(280.0, 420.0, 8)
    state = ("T", T, "P", 101_325.0, "Air")
    np.testing.assert_allclose(air_viscosity(T), library.PropsSI("V", *state), rtol=0.02)
    np.testing.assert_allclose(air_conductivity(T), library.PropsSI("L", *state), rtol=0.02)


def test_radiation_of_a_black_body():
    """By hand: 5.670374e-8 (343.15^4 - 297.15^4) = 344.1 W/m2 over 46 K."""
    assert radiation_coefficient(70.0, 24.0, 1.0) * 46.0 == pytest.approx(344.1, abs=0.1)


def test_a_warm_unit_loses_a_fraction_of_a_per_cent():
    """A pack 1.5 m high with 4 m2 of faces at 65 degC: some 2 kW of perhaps 500 kW."""
    loss = heat_loss(65.0, 24.0, 1.5, 4.0)
    assert 1400 < loss < 2200
    assert heat_loss(24.0, 24.0, 1.5, 4.0) == 0.0
    assert heat_loss(10.0, 24.0, 1.5, 4.0) < 0.0


def test_bad_samples_become_nan():
    assert np.isnan(
        heat_loss([np.nan, 60.0, 60.0], [20.0, np.nan, 20.0], [1.0, 1.0, 0.0], 4.0)
    ).all()
    assert np.isnan(nusselt_vertical_plate([-1.0, 1e13], 0.7)).all()


def test_a_jacket_of_four_centimetres():
    """Series of resistances, by hand: 1/(1/10 + 0.04/0.04) = 0.909 W/(m2 K) (ISO 12241, flat wall)."""
    assert float(through_insulation(10.0, 0.04, 0.04)) == pytest.approx(0.909, abs=5e-4)


def test_loss_of_a_pack():
    """29.3 m2 of plates: 0.3 x 29.3^(2/3) = 2.85 m2 outside, near 10 to 12 W/(m2 K) bare (common practice)."""
    assert pack_outside_m2(29.3) == pytest.approx(2.85, abs=0.01)
    assert 10.0 < pack_loss_W_K(29.3) / 2.85 < 12.0
    assert pack_loss_W_K(29.3, insulated=True) < 0.1 * pack_loss_W_K(29.3, insulated=False)
    assert pack_loss_W_K(29.3, None) == pack_loss_W_K(29.3, insulated=False)
