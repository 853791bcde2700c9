"""Load line, deliveries and plates to add."""

import numpy as np
import pytest

from analytics.decisions.capacity import (
    DesignPoint,
    as_used_now,
    assess_capacity,
    delivered_W,
    fit_load_line,
    set_point_missed,
)
from analytics.physics.effectiveness import COUNTERFLOW
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Estimate

CP = 4180.0
# 90/45 degC in, C_hot = 37.5, C_cold = 50 kW/K, A = 29.3 m2: duties worked out with a library apart
POINT = DesignPoint(
    primary_kg_s=37_500 / CP, secondary_kg_s=50_000 / CP, primary_cp_J_kgK=CP,
    secondary_cp_J_kgK=CP, primary_inlet_degC=90.0, secondary_inlet_degC=45.0,
)  # fmt: skip
CLEAN = Estimate(value=0.0, low=0.0, high=0.0)


class FilmModel:
    """Two equal films that grow as flow to the 0.7, clean U of 5624.3 W/(m2 K) at the point."""

    arrangement = COUNTERFLOW

    def UA_W_K(self, primary_kg_s, secondary_kg_s, primary_mean_degC, secondary_mean_degC, fouling):
        film = 2 * 5624.3
        one = (film * (primary_kg_s / POINT.primary_kg_s) ** 0.7) ** -1
        other = (film * (secondary_kg_s / POINT.secondary_kg_s) ** 0.7) ** -1
        return 29.3 / (one + other + fouling)


def _days(rng, count=200, slope=20_000.0, base=30_000.0, noise=0.06):
    outdoor = 6 + 9 * np.cos(2 * np.pi * np.arange(count) / 365) * -1 + rng.normal(0, 3, count)
    load = base + slope * np.maximum(15.0 - outdoor, 0.0)
    return outdoor, load * (1 + noise * rng.standard_normal(count))


@pytest.mark.parametrize(
    ("fouling", "duty_W"), [(0.0, 1_500_000), (4.445e-5, 1_433_100), (7.62e-5, 1_387_800)]
)
def test_deliveries_of_the_design_tables(fouling, duty_W):
    """U, 0.8 U and 0.7 U give 1500.0, 1433.1 and 1387.8 kW (effectiveness by the library ht)."""
    assert delivered_W(FilmModel(), POINT, fouling) == pytest.approx(duty_W, rel=5e-4)


def test_load_line_is_found_under_noise_and_holidays():
    rng = np.random.default_rng(1)
    outdoor, load = _days(rng)
    load[40:48] *= 0.4
    line = fit_load_line(outdoor, load)
    truth = 30_000 + 20_000 * 27
    assert line.at(-12.0).value == pytest.approx(truth, rel=0.05)
    assert line.heating_limit_degC == pytest.approx(15.0, abs=1.5)


def test_interval_of_the_load_holds_the_mean_nine_times_in_ten():
    hits = []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        outdoor, load = _days(rng, noise=0.0)
        load = load + 20_000 * rng.standard_normal(len(load))
        line = fit_load_line(outdoor, load)
        found = line.at(line.coldest_degC)
        truth = 30_000 + 20_000 * (15.0 - line.coldest_degC)
        hits.append(found.low <= truth <= found.high)
    assert 0.8 <= np.mean(hits) <= 0.98


def test_a_load_beyond_the_coldest_days_is_known_less_well():
    """A building whose load grows by half a hundredth less for each kelvin below -2 degC, seen down to -4."""
    outdoor = np.linspace(-4.0, 18.0, 200)
    load = 30_000 + 20_000 * np.maximum(15.0 - outdoor, 0.0)
    load *= 1 - 0.005 * np.maximum(-2.0 - outdoor, 0.0)
    line = fit_load_line(outdoor, load + 500.0 * np.random.default_rng(3).standard_normal(200))
    inside, beyond = line.at(-3.0), line.at(-12.0)
    assert beyond.high - beyond.low > 5 * (inside.high - inside.low)
    assert beyond.low < (30_000 + 20_000 * 27) * (1 - 0.005 * 10) < beyond.value


@pytest.mark.parametrize("factor", [0.8, 1.25, 1.5])
def test_a_building_that_was_changed_is_judged_by_what_it_takes_now(factor):
    """Half a winter before a change of use, half after: the line of all days would be in between."""
    rng = np.random.default_rng(4)
    outdoor, load = _days(rng)
    half = len(load) // 2
    load[half:] *= factor
    truth = factor * (30_000 + 20_000 * 27)
    assert fit_load_line(outdoor, as_used_now(outdoor, load)).at(-12.0).value == pytest.approx(
        truth, rel=0.05
    )
    assert fit_load_line(outdoor, load).at(-12.0).value != pytest.approx(truth, rel=0.05)


@pytest.mark.parametrize("seed", range(10))
def test_weather_and_habit_are_no_change_of_use(seed):
    outdoor, load = _days(np.random.default_rng(seed))
    assert as_used_now(outdoor, load) is load


@pytest.mark.parametrize("seed", range(6))
def test_a_load_that_bends_with_the_weather_is_no_change_of_use(seed):
    """A quarter more or less than the line between cold and mild, first a winter and then a spring."""
    rng = np.random.default_rng(seed)
    outdoor = np.concatenate([rng.normal(0, 3, 110), rng.normal(9, 2.5, 90)])
    load = 20_000.0 * np.maximum(15.0 - outdoor, 0.0) ** 0.85 * (15.0**0.15)
    load *= 1 + 0.04 * rng.standard_normal(len(load))
    assert as_used_now(outdoor, load) is load


def test_too_little_winter_tells_nothing():
    rng = np.random.default_rng(2)
    assert fit_load_line(rng.uniform(18, 25, 60), rng.uniform(1e4, 2e4, 60)) is None
    assert fit_load_line(np.arange(10.0), np.arange(10.0)) is None


def _assess(slope, **changes):
    outdoor, load = _days(np.random.default_rng(3), slope=slope)
    given = {
        "design_outdoor_degC": -12.0, "model": FilmModel(), "point": POINT, "fouling": CLEAN,
        "plates": 60, "plates_most": 90,
    }  # fmt: skip
    return assess_capacity(outdoor, load, **(given | changes))


def test_enough_plates_need_none():
    found = _assess(40_000.0)
    assert found.plates_to_add is None
    assert found.delivers_with_more_W is None
    assert found.delivers_clean_W.low < found.delivers_clean_W.value < found.delivers_clean_W.high


def test_too_few_plates_are_made_up_and_no_more_than_needed():
    found = _assess(55_500.0)
    more = found.plates_to_add
    assert more is not None
    assert more % 2 == 0
    assert found.delivers_with_more_W.value >= found.load_at_design_W.value
    fewer = delivered_W(
        FilmModel(), POINT, 0.0,
        area_ratio=(60 + more - 4) / 58, channel_ratio=(60 + more - 3) / 59,
    )  # fmt: skip
    assert fewer < found.load_at_design_W.value


def test_a_frame_that_is_too_small_says_none_possible():
    found = _assess(62_000.0)
    assert found.plates_to_add is None
    assert found.delivers_with_more_W.value < found.load_at_design_W.value


def test_more_plates_help_less_than_their_area():
    """Films weaken as flow per channel falls: UA grows as (area ratio) (channel ratio)^-0.7."""
    doubled = delivered_W(FilmModel(), POINT, 0.0, area_ratio=2.0, channel_ratio=2.0)
    factor = delivered_W(FilmModel(), POINT, 0.0, UA_factor=2**0.3)
    assert doubled == pytest.approx(factor, rel=1e-9)


def test_inlets_without_a_difference_are_refused():
    point = DesignPoint(
        primary_kg_s=1, secondary_kg_s=1, primary_cp_J_kgK=CP, secondary_cp_J_kgK=CP,
        primary_inlet_degC=40.0, secondary_inlet_degC=45.0,
    )  # fmt: skip
    with pytest.raises(EvaluationError, match="design inlet"):
        _assess(40_000.0, point=point)


def test_set_point_missed_counts_open_valves_only_and_looks_back():
    supply, wanted = np.full(1000, 64.0), np.full(1000, 70.0)
    supply[:500] = 69.0
    valve = np.full(1000, 0.95)
    valve[600:700] = 0.5
    share = set_point_missed(supply, wanted, valve, np.ones(1000, dtype=bool))
    assert share[499] == 0.0
    assert share[599] == pytest.approx(100 / 600)
    assert share[719] == pytest.approx(120 / 720)
    assert np.isnan(share[:23]).all()
    cut = set_point_missed(supply[:650], wanted[:650], valve[:650], np.ones(650, dtype=bool))
    np.testing.assert_array_equal(cut, share[:650])
