"""Forecast of the deposit, judged by what then came: rolling origins on simulated exchangers."""

from time import thread_time

import numpy as np
import pytest

from analytics.decisions.forecast import forecast_fouling
from analytics.vocabulary.errors import EvaluationError

START = np.datetime64("2024-09-15", "D")
LENGTH = 560
DAYS = START + np.arange(LENGTH)
LAWS = ("linear", "falling", "asymptotic", "stops", "step", "clean")
ORIGINS = (80, 130, 180, 230, 360, 450)


def _truth(law, rng):
    """A deposit that follows its law in the mean, faster in some three weeks than in others."""
    size = rng.uniform(0.08, 0.35)
    onset = 0.0 if rng.random() < 0.5 else rng.uniform(30, 150)
    stops = rng.uniform(40, 120)
    t = np.maximum(np.arange(LENGTH) - onset, 0.0)
    deposit = (
        size
        * {
            "linear": t / 180,
            "falling": np.sqrt(t / 180),
            "asymptotic": -np.expm1(-t / 60),
            "stops": 0.6 * np.minimum(t, stops) / 60,
            "step": 0.5 * (t > 0),
            "clean": 0.0 * t,
        }[law]
    )
    growth = np.diff(deposit, prepend=0.0)
    if law != "step":
        growth *= np.repeat(rng.gamma(8, 1 / 8, LENGTH // 21 + 1), 21)[:LENGTH]
    return np.cumsum(growth)


def _observed(truth, rng, alike):
    """Daily estimates: noise that may resemble the day before, lost days, a summer without heating."""
    noise = rng.standard_normal(LENGTH)
    for i in range(1, LENGTH):
        noise[i] = alike * noise[i - 1] + np.sqrt(1 - alike**2) * noise[i]
    value = truth + 0.006 * noise + 0.01 * rng.standard_normal()
    value[rng.random(LENGTH) < 0.1] = np.nan
    value[255:345] = np.nan
    return value


def _forecast(value, origin, horizon=120, **changes):
    n = len(value)
    given = {
        "unit_fouling": 2e-4, "clean_since": START, "made": DAYS[origin],
        "reference": np.full((n, n), 1e-4), "wander": np.zeros((n, n)),
    }  # fmt: skip
    return forecast_fouling(
        DAYS[:n],
        value,
        np.full(n, 0.006),
        horizon_days=horizon,
        **(given | changes),
    )


def _coverage(laws, alike, exchangers, origins=ORIGINS):
    rng = np.random.default_rng(21)
    hits = []
    for law in laws:
        for _ in range(exchangers):
            truth = _truth(law, rng)
            value = _observed(truth, rng, alike)
            for origin in origins:
                low, *_, high = _forecast(value, origin).quantiles[:, 89]
                hits.append(low <= truth[origin + 90] <= high)
    return float(np.mean(hits))


@pytest.mark.parametrize("alike", [0.0, 0.6])
def test_nine_in_ten_hold_after_ninety_days(alike):
    """Every law that grows; 120 forecasts of 20 exchangers."""
    growing = ("linear", "falling", "asymptotic", "stops", "step")
    assert 0.85 <= _coverage(growing, alike, 4) <= 0.97


def test_straight_growth_holds_its_range_as_well():
    """The law whose forecasts the flattening ones would pull late, once it has begun; 40 forecasts."""
    assert 0.8 <= _coverage(("linear",), 0.3, 10, ORIGINS[2:]) <= 0.98


def test_a_doubtful_reference_widens_the_range_and_slows_the_growth():
    """Errors of the reference that grow as the deposit does might be all there is to see."""
    rng = np.random.default_rng(29)
    value = 0.1 * np.arange(LENGTH) / 180 + 0.006 * rng.standard_normal(LENGTH)
    looks_alike = np.arange(LENGTH) / 180
    plain = _forecast(value, 180).quantiles[:, 89]
    doubt = _forecast(value, 180, reference=0.05**2 * np.outer(looks_alike, looks_alike))
    doubtful = doubt.quantiles[:, 89]
    assert doubtful[4] - doubtful[0] > 1.2 * (plain[4] - plain[0])
    assert doubtful[2] < plain[2]


def test_mild_days_that_know_little_do_not_blur_the_cold_ones():
    """Every third day at thirty times the error, and scattering so, is worth as good as none."""
    rng = np.random.default_rng(30)
    value = 0.2 * np.arange(LENGTH) / 300 + 0.006 * rng.standard_normal(LENGTH)
    mild = np.arange(LENGTH) % 3 == 0
    error = np.where(mild, 0.18, 0.006)
    value[mild] += 0.18 * rng.standard_normal(mild.sum())
    blurred, plain = (
        forecast_fouling(
            DAYS, seen, error, unit_fouling=2e-4, clean_since=START, made=DAYS[200],
            reference=np.full((LENGTH, LENGTH), 1e-4), wander=np.zeros((LENGTH, LENGTH)),
            horizon_days=120,
        ).quantiles[:, 89] for seen in (value, np.where(mild, np.nan, value))
    )  # fmt: skip
    assert blurred[4] - blurred[0] == pytest.approx(plain[4] - plain[0], rel=0.15)
    assert blurred[2] == pytest.approx(plain[2], abs=0.01)


def test_a_dated_beginning_sharpens_a_young_growth():
    """Seen for 45 days from the thirtieth on; what is known of its beginning is known of its rate."""
    rng = np.random.default_rng(31)
    shift, off, width = [], [], []
    for _ in range(8):
        value = 0.3 * np.maximum(np.arange(LENGTH) - 30, 0) / 180
        value = value + 0.015 * rng.standard_normal(LENGTH)
        found = [_forecast(value, 75, begun=b).quantiles[:, 89] for b in (None, 30.0)]
        width.append([q[4] - q[0] for q in found])
        off.append([abs(q[2] - 0.3 * 135 / 180) for q in found])
        shift.append(found[1][2] - found[0][2])
    assert np.mean(width, axis=0)[1] < np.mean(width, axis=0)[0]
    assert np.mean(off, axis=0)[1] < np.mean(off, axis=0)[0]
    wrongly = _forecast(value, 75, begun=0.0).quantiles[:, 89]  # the days overrule a wrong date
    assert wrongly[2] == pytest.approx(0.3 * 135 / 180, abs=0.06)


def test_a_growth_of_half_a_year_may_still_stop():
    """The lower end of the range allows for it; the middle does not expect it."""
    rng = np.random.default_rng(32)
    value = 0.3 * np.arange(LENGTH) / 180 + 0.006 * rng.standard_normal(LENGTH)
    low, _, middle, _, _ = _forecast(value, 180).quantiles[:, 89]
    assert low < 0.36
    assert middle == pytest.approx(0.45, abs=0.04)


def test_shared_errors_of_other_days_are_refused():
    with pytest.raises(EvaluationError, match="shared errors of 3"):
        _forecast(np.zeros(LENGTH), 200, reference=np.zeros((3, 3)))


def test_a_clean_exchanger_does_not_reach_the_limit():
    rng = np.random.default_rng(22)
    for alike in (0.0, 0.6):
        value = _observed(np.zeros(LENGTH), rng, alike)
        crossing = _forecast(value, 400, horizon=730).crossing(0.333)
        assert crossing.day_5 is None
        assert crossing.day_95 is None
        assert crossing.chance_within_horizon < 0.05


def test_the_date_of_a_straight_growth_is_held():
    """0.25 after 300 days, seen for 180: due in 120."""
    rng = np.random.default_rng(23)
    value = 0.25 * np.arange(LENGTH) / 300 + 0.006 * rng.standard_normal(LENGTH)
    crossing = _forecast(value, 180, horizon=730).crossing(0.25)
    assert crossing.day_5 < 120
    assert crossing.day_95 is None or crossing.day_95 > 120
    assert crossing.day_50 == pytest.approx(120, rel=0.5)


def test_a_limit_already_passed_is_due_now():
    value = 0.3 + 0.006 * np.random.default_rng(24).standard_normal(LENGTH)
    value[:30] -= 0.3
    crossing = _forecast(value, 200).crossing(0.2)
    assert (crossing.day_5, crossing.day_95) == (0.0, 0.0)


def test_what_comes_later_changes_nothing():
    rng = np.random.default_rng(25)
    value = _observed(_truth("linear", rng), rng, 0.0)
    whole, cut = _forecast(value, 200), _forecast(value[:201], 200)
    np.testing.assert_array_equal(whole.quantiles, cut.quantiles)
    assert whole.laws == cut.laws


def test_futures_follow_the_mixture_and_are_never_negative():
    rng = np.random.default_rng(26)
    forecast = _forecast(_observed(_truth("asymptotic", rng), rng, 0.0), 230)
    draw = forecast.draw(4000, np.random.default_rng(1))
    assert draw.deposit.min() >= 0.0
    assert draw.refouling.min() >= 0.0
    assert (np.diff(draw.refouling, axis=1) >= -1e-12).all()
    np.testing.assert_allclose(
        np.quantile(draw.deposit[:, 1:], 0.5, axis=0), forecast.quantiles[2], atol=0.01
    )
    assert sum(forecast.laws.values()) == pytest.approx(1.0)
    assert forecast.samples(7, np.random.default_rng(2)).shape == (7, 120)


def test_one_wild_day_hardly_moves_the_forecast():
    rng = np.random.default_rng(27)
    value = 0.2 * np.arange(LENGTH) / 300 + 0.006 * rng.standard_normal(LENGTH)
    wild = value.copy()
    wild[195] += 1.5
    plain, moved = _forecast(value, 200).quantiles[2, 89], _forecast(wild, 200).quantiles[2, 89]
    assert moved == pytest.approx(plain, abs=0.03)


def test_nothing_to_go_on_is_said():
    with pytest.raises(EvaluationError, match="no estimate"):
        _forecast(np.full(LENGTH, np.nan), 200)


def test_four_hundred_days_do_not_take_long():
    """0.12 s on a quiet machine; the bound is for one with all its cores at work."""
    value = _observed(np.arange(LENGTH) / 1000.0, np.random.default_rng(28), 0.0)
    _forecast(value, 30)
    begin = thread_time()
    _forecast(value, 400, horizon=730)
    assert thread_time() - begin < 5.0
