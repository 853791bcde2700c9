"""Outdoor temperature of an invented place, and the network supply that follows it."""

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from demo_data.simulator.scenario import Weather
from demo_data.simulator.water import Array

COLD_degC, MILD_degC = -12.0, 15.0
# Everybody draws the weather from the same day on, so that a shorter run sees the same weather.
_EPOCH = pd.Timestamp("2024-01-01", tz="UTC")


def wandering(
    rng: np.random.Generator, n: int, step_minutes: float, sd: float, correlation_hours: float
) -> Array:
    """Return Gaussian noise of standard deviation ``sd`` whose correlation falls by 1/e."""
    keep = float(np.exp(-step_minutes / 60.0 / correlation_hours))
    first = rng.standard_normal() * sd
    drive = rng.standard_normal(n) * sd * np.sqrt(1.0 - keep**2)
    drive[:1] = first
    return np.asarray(lfilter([1.0], [1.0, -keep], drive))


def smoothed(x: Array, step_minutes: float, time_constant_minutes: float) -> Array:
    """Return a first-order lag of ``x``, started at rest."""
    keep = float(np.exp(-step_minutes / time_constant_minutes))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], x, zi=np.array([keep * x[0]]))[0])


def between(outdoor: Array, mild: float, cold: float) -> Array:
    """Return the straight line through ``mild`` at +15 degC and ``cold`` at -12 degC outdoors."""
    share = np.clip((MILD_degC - outdoor) / (MILD_degC - COLD_degC), -0.1, 1.15)
    return np.asarray(mild + (cold - mild) * share)


def outdoor_and_network(weather: Weather, index: pd.DatetimeIndex) -> tuple[Array, Array]:
    """Return outdoor temperature and primary supply at the exchanger in degC, shape (n,)."""
    hourly = pd.date_range(_EPOCH, index[-1] + pd.Timedelta(hours=2), freq="h")
    n = len(hourly)

    def noise(number: int, sd: float, correlation_hours: float) -> Array:
        # a stream of its own for each, so that a longer run begins with the same weather
        rng = np.random.default_rng((weather.seed, 11, number))
        return wandering(rng, n, 60.0, sd, correlation_hours)

    day = np.asarray(hourly.day_of_year, dtype=float) + np.asarray(hourly.hour) / 24.0
    season = -np.cos(2.0 * np.pi * (day - 18.0) / 365.25)
    sunny = 1.0 + 0.6 * season + noise(0, 0.25, 30.0)
    daily = -np.cos(2.0 * np.pi * (np.asarray(hourly.hour) - 3.5) / 24.0)
    outdoor = (
        weather.annual_mean_degC
        + weather.annual_swing_K * season
        + weather.daily_swing_K * np.clip(sunny, 0.15, None) * daily
        + noise(1, weather.synoptic_K, 80.0) * (1.0 - 0.2 * season)
        + noise(2, 0.6, 3.0)
    )
    followed = smoothed(outdoor, 60.0, 600.0)  # the network answers within half a day
    network = (
        between(followed, weather.network_mild_degC, weather.network_cold_degC)
        + noise(3, weather.network_noise_K, 40.0)
        + noise(4, 0.4 * weather.network_noise_K, 2.0)
    )
    at = index.as_unit("s").asi8
    of = hourly.as_unit("s").asi8
    return np.interp(at, of, outdoor), np.interp(at, of, network)
