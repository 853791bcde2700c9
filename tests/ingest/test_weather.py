"""An outdoor thermometer is proposed by its readings, and neither a room nor a pipe is taken for one."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from analytics.vocabulary.units import convert
from demo_data.simulator import Logger, random_scenario, simulate
from ingest.mapping.weather import looks_like_weather
from ingest.pipeline import examine
from ingest.rules import Rules

INDEX = pd.date_range("2025-11-03", periods=14 * 96, freq="15min", tz="UTC")
HOURS = np.arange(len(INDEX)) / 4.0
RNG = np.random.default_rng(11)


def series(mean: float, day_K: float, drift_K: float = 0.0) -> pd.Series:
    """Return a daily swing about a mean, with a slow drift and a tenth of a kelvin of noise."""
    values = mean + day_K * np.sin(2 * np.pi * HOURS / 24) + drift_K * HOURS / HOURS[-1]
    return pd.Series(np.round(values + RNG.normal(0, 0.1, len(INDEX)), 1), index=INDEX)


def test_a_november_outdoors_is_weather() -> None:
    said = looks_like_weather(series(5.0, 3.5, -6.0))
    assert "look like the weather" in said
    low, high = np.quantile(series(5.0, 3.5, -6.0), [0.1, 0.9])
    assert f"four in five lie between {low:.0f} and {high:.0f} degC" in said


@pytest.mark.parametrize(
    ("mean", "day_K", "why"),
    [
        (20.5, 1.5, "a room"),
        (42.0, 3.0, "a return"),
        (75.0, 8.0, "a supply"),
        (10.0, 0.3, "a cellar or cold water"),
        (18.0, 5.0, "a summer, which a ventilated room may be as well"),
        (50.0, 60.0, "a share or a valve"),
    ],
)
def test_other_readings_are_not(mean: float, day_K: float, why: str) -> None:
    assert looks_like_weather(series(mean, day_K)) == "", why


def test_a_switch_and_too_short_a_stretch_are_not() -> None:
    switch = pd.Series(np.where(HOURS % 6 < 3, 0.0, 10.0), index=INDEX)
    assert looks_like_weather(switch) == ""
    assert looks_like_weather(series(5.0, 3.5).iloc[:96]) == ""


def file_of(frame: pd.DataFrame) -> bytes:
    return frame.to_csv(date_format="%Y-%m-%d %H:%M:%S", index_label="Time UTC").encode()


@pytest.fixture(scope="module")
def logged() -> pd.DataFrame:
    """Two simulated winter weeks whose outdoor thermometer and a room have names that say nothing."""
    scenario = random_scenario(np.random.default_rng(7), fault=None)
    start = datetime(2025, 11, 3, tzinfo=UTC)
    roles = ("primary_supply_temperature", "primary_return_temperature",
             "secondary_supply_temperature", "secondary_return_temperature", "primary_flow",
             "outdoor_temperature")  # fmt: skip
    scenario = replace(scenario, step_minutes=15, logger=Logger(roles=roles, interval_minutes=15))
    frame = simulate(scenario, start, start + timedelta(days=14)).logged
    frame = frame.assign(primary_flow=convert(frame["primary_flow"].to_numpy(), "m3/s", "m3/h"))
    names = {
        "primary_supply_temperature": "PRI SUP T", "primary_return_temperature": "PRI RET T",
        "secondary_supply_temperature": "SEC SUP T", "secondary_return_temperature": "SEC RET T",
        "primary_flow": "PRI FLOW", "outdoor_temperature": "B17.X1",
    }  # fmt: skip
    frame = frame.rename(columns=names)
    return frame.assign(**{"B17.X2": 20.5 + 0.5 * np.sin(np.arange(len(frame)) / 15.0)})


def test_an_unknown_name_with_weather_in_it_is_proposed_and_asked(logged: pd.DataFrame) -> None:
    found = examine(file_of(logged), "block.csv", Rules(zone=ZoneInfo("UTC")))
    guesses = {c.heading: c.guess for c in found.columns}
    guess = guesses["B17.X1"]
    assert guess is not None
    assert (guess.role, guess.settled) == ("outdoor_temperature", False)
    assert guess.chance < 0.7  # so that the form asks
    assert "B17.X1" in found.proposal
    assert "check the role" in found.proposal
    assert guesses["B17.X2"] is None


def test_where_a_name_tells_the_outdoor_thermometer_nothing_else_is_proposed(
    logged: pd.DataFrame,
) -> None:
    named = logged.assign(OAT=logged["B17.X1"] + 0.3)
    found = examine(file_of(named), "block.csv", Rules(zone=ZoneInfo("UTC")))
    guesses = {c.heading: c.guess for c in found.columns}
    assert guesses["OAT"].role == "outdoor_temperature"
    assert guesses["B17.X1"] is None
