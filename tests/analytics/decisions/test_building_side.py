"""A return that is too warm by the building's doing, and what must not look like it."""

import numpy as np
import pytest

from analytics.decisions.building_side import assess_building_side

HOURS = 24 * 200
TIME = np.datetime64("2024-10-01T00", "h") + np.arange(HOURS)
REFERENCE = np.arange(HOURS) < 24 * 50
ONSET = 24 * 110


def _building(seed, *, excess_K=0.0, flow_factor=1.0, supply_lost_K=0.0):
    """A radiator circuit with a heating curve, night set-back and weather colder than the reference."""
    rng = np.random.default_rng(seed)
    day = np.arange(HOURS) / 24
    slow = np.repeat(rng.normal(0, 3, HOURS // 24 + 1), 24)[:HOURS]
    outdoor = 8 - 9 * np.sin(np.pi * day / 200) + slow + 3 * np.sin(2 * np.pi * (day - 0.4))
    night = (np.arange(HOURS) % 24 < 5) * 1.0
    supply = 45 + 1.1 * (18 - outdoor).clip(0) - 5 * night + rng.normal(0, 0.5, HOURS)
    after = np.arange(HOURS) >= ONSET
    supply -= supply_lost_K * after * (outdoor < 0)
    load = (18 - outdoor).clip(1) / 30 * (1 - 0.3 * night)
    flow = 4.0 * load**0.3 * np.exp(rng.normal(0, 0.03, HOURS)) * np.where(after, flow_factor, 1.0)
    back = 22 + 0.5 * (supply - 22) + np.repeat(rng.normal(0, 0.4, HOURS // 24 + 1), 24)[:HOURS]
    back += rng.normal(0, 0.3, HOURS) + excess_K * after
    return back, supply, outdoor, flow


def _assess(series, upto=HOURS, flow=True):
    back, supply, outdoor, secondary_flow = (s[:upto] for s in series)
    return assess_building_side(
        TIME[:upto], back, supply, outdoor, secondary_flow if flow else None,
        np.ones(upto, dtype=bool), REFERENCE[:upto],
    )  # fmt: skip


@pytest.mark.parametrize("flow", [True, False])
def test_a_warm_return_with_more_flow_is_the_building(flow):
    found = _assess(_building(1, excess_K=3.0, flow_factor=1.35), flow=flow)
    assert found.active_by_day[-1]
    assert not found.active_by_day[:110].any()
    assert found.active_by_day[125]
    assert abs((found.since - TIME[ONSET].astype("datetime64[D]")).astype(int)) <= 3
    assert found.excess_K.low <= 3.0 <= found.excess_K.high
    assert (found.flow_excess is not None) == flow


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("change", [{}, {"supply_lost_K": 6.0}])
def test_weather_and_a_supply_short_of_its_set_point_do_not_fire(seed, change):
    """A network run colder, or a deposit, reaches the building as a colder supply and no more."""
    assert not _assess(_building(seed, **change)).active_by_day.any()
    assert not _assess(_building(seed, **change), flow=False).active_by_day.any()


def test_a_warm_return_without_more_flow_is_not_called_the_building():
    """A thermometer that drifts does not make the pump move more water."""
    assert not _assess(_building(3, excess_K=3.0)).active_by_day.any()


def test_conclusions_use_no_later_data():
    series = _building(4, excess_K=3.0, flow_factor=1.35)
    whole, cut = _assess(series), _assess(series, upto=24 * 130)
    np.testing.assert_array_equal(whole.active_by_day[:130], cut.active_by_day)
    np.testing.assert_allclose(whole.excess_by_day_K[:130], cut.excess_by_day_K)


def test_gaps_are_no_evidence_and_too_short_a_reference_tells_nothing():
    back, supply, outdoor, flow = _building(5)
    back[24 * 120 : 24 * 150] = np.nan
    found = _assess((back, supply, outdoor, flow))
    assert np.isnan(found.excess_by_day_K[121:149]).all()
    back[24 * 5 : 24 * 50] = np.nan
    assert _assess((back, supply, outdoor, flow)) is None


# --- radiators ----------------------------------------------------------------------------------------


def _radiators(seed, *, supply_shift_K=0.0, bypass=0.0):
    """Heat by the weather, given off by the mean water temperature with exponent 1.3 (EN 442-2)."""
    rng = np.random.default_rng(seed)
    after = TIME[ONSET] <= TIME
    outdoor = 4 - 4 * np.sin(np.arange(HOURS) / HOURS * np.pi) + rng.normal(0, 1.0, HOURS)
    outdoor += np.repeat(rng.normal(0, 3.0, HOURS // 24 + 1), 24)[:HOURS]
    night = (np.arange(HOURS) % 24 < 6) * 1.0
    heat = 4e3 * np.clip(19 - outdoor, 1, None) * (1 - 0.3 * night)
    heat *= np.exp(rng.normal(0, 0.05, HOURS))
    mean = 21 + 25 * (heat / 1e5) ** (1 / 1.3)
    supply = 52 - 0.9 * outdoor - 5 * night + rng.normal(0, 0.5, HOURS) + supply_shift_K * after
    used = np.minimum(2 * mean - supply, supply - 2.0)
    share = bypass * after
    back = (1 - share) * used + share * supply + rng.normal(0, 0.2, HOURS)
    flow = heat / (supply - back)
    return back, supply, outdoor, flow, heat


def _assess_radiators(series, *, with_heat):
    back, supply, outdoor, flow, heat = series
    return assess_building_side(
        TIME, back, supply, outdoor, flow, np.ones(HOURS, dtype=bool), REFERENCE,
        heat if with_heat else None,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_a_lowered_set_point_warms_the_return_and_is_no_fault(seed):
    """Radiators ask for more water of a colder supply; only the heat they give tells it from a fault."""
    series = _radiators(seed, supply_shift_K=-4.0)
    assert _assess_radiators(series, with_heat=False).active_by_day.any()
    assert not _assess_radiators(series, with_heat=True).active_by_day.any()


@pytest.mark.parametrize("seed", range(4))
def test_water_that_passes_the_radiators_by_is_a_fault_beside_its_heat(seed):
    assert _assess_radiators(_radiators(seed, bypass=0.4), with_heat=True).active_by_day[-1]
