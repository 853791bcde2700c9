"""No alert rests on hours whose flows or temperature differences are too small to tell anything."""

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.trends import evidence
from analytics.trends.account import keep_account
from analytics.vocabulary.quantities import REASON_BITS
from analytics.vocabulary.records import Exchanger
from tests.analytics.plants import Plant, simulated
from tests.analytics.substations import NUMBERS, substation

FROM = pd.Timestamp("2026-01-10", tz="UTC")
SHARE = 0.10  # of the nominal flow: below the least of 0.15


@pytest.fixture(scope="module")
def plant() -> tuple[Plant, pd.DataFrame]:
    """A clean exchanger that from January on runs at a tenth of its flow, its meters gone wrong there.

    Clean plates would bring the primary down to the secondary return at so little flow; it reads 6 K
    more. Taken for evidence that is half the heat transfer lost.
    """
    made = simulated(None, 4102)
    logged = made.logged.loc[: FROM + pd.Timedelta(days=60)].copy()
    nominal = keep_account(made.exchanger, made.logged, ()).nominal
    late = logged.index >= FROM
    wave = np.sin(np.arange(late.sum()) / 30.0)
    logged.loc[late, "primary_flow"] = SHARE * nominal[0] * (1 + 0.05 * wave)
    fall = 24.0 + wave
    rise = fall * nominal[0] / nominal[1]
    logged.loc[late, "secondary_flow"] = SHARE * nominal[1] * (1 + 0.05 * wave)
    logged.loc[late, "primary_supply_temperature"] = 70.0 + wave
    logged.loc[late, "primary_return_temperature"] = 46.0
    logged.loc[late, "secondary_return_temperature"] = 40.0
    logged.loc[late, "secondary_supply_temperature"] = 40.0 + rise
    return made, logged


@pytest.mark.slow
def test_weeks_of_little_load_raise_nothing_and_would_if_they_counted(plant, monkeypatch):
    made, logged = plant
    quiet = evaluate(made.exchanger, logged)
    assert not [a for a in quiet.alerts if a.raised_utc >= FROM]
    late = quiet.daily.loc[quiet.daily.index > FROM]
    assert late["hours_running"].sum() > 1000
    assert late["hours_evidence"].sum() == 0
    (said,) = [r for r in quiet.health.consequences if r.code == "quiet_hours"]
    assert said.numbers["running"] == said.numbers["quiet"] == pytest.approx(720, abs=30)
    assert said.numbers["low_load"] == said.numbers["quiet"]

    monkeypatch.setattr(evidence, "LEAST_FLOW", 0.01)
    loud = evaluate(made.exchanger, logged)
    assert [a for a in loud.alerts if a.raised_utc >= FROM]


@pytest.mark.parametrize("number", NUMBERS)
def test_evidence_on_real_substations_is_above_the_floor(number):
    """Source and licence: tests/analytics/data/README.md. A third of the running hours is below it."""
    account = keep_account(Exchanger(tag="S"), substation(number), ())
    assert account.hours is not None
    assert account.hour_rows is not None
    assert account.info is not None
    t = account.table.temperature[account.hour_rows]
    assert (t[:, 0] - t[:, 1]).min() >= evidence.LEAST_PRIMARY_FALL_K
    assert (t[:, 2] - t[:, 3]).min() >= evidence.LEAST_SECONDARY_RISE_K
    flow = account.table.flow[account.hour_rows, 0]
    assert flow.min() >= evidence.LEAST_FLOW * account.nominal[0]
    low = (account.set_aside & REASON_BITS["low_load"]) != 0
    running = (account.set_aside & (REASON_BITS["stopped"] | REASON_BITS["gap"])) == 0
    assert 0.15 < (low & running).sum() / running.sum() < 0.4
    # every day that tells anything has hours above the floor
    assert set(account.info.day) <= set(account.table.day[account.hour_rows])


# --- what must not reach a result --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "value"),
    [
        ("primary_return_temperature", 0.0),
        ("secondary_return_temperature", -39.9),
        ("secondary_supply_temperature", 0.0),
        ("outdoor_temperature", -39.9),
        ("heat_power", 8_000_001.4e3),
        ("heat_power", np.nan),
        ("heat_energy", 0.0),
    ],
)
def test_words_for_missing_reach_no_result(role, value):
    """Injected in every eleventh row of a real winter, as the real files have them: what is found
    from the rest must stay as it is."""
    trends = substation(17).loc["2022-10-01":"2023-01-31"]
    spoiled = trends.copy()
    spoiled.iloc[::11, spoiled.columns.get_loc(role)] = value
    account, clean = (keep_account(Exchanger(tag="S"), f, ()) for f in (spoiled, trends))
    assert account.fit is not None
    assert clean.fit is not None
    t = account.table
    assert np.nanmin(t.temperature) > 0.5
    assert np.nanmax(t.power_W) < 2e6
    assert np.nanmin(t.outdoor_degC) > -30.0
    errors = np.abs(account.fit.point[:4] - clean.fit.point[:4])
    assert errors.max() < 0.5
    assert account.fit.point[4] == pytest.approx(clean.fit.point[4], abs=0.02)


def test_a_register_that_resets_gives_no_heat():
    """Power away, the register restarted from nought on 15 December: no hour may hold the jump."""
    trends = substation(17).loc["2022-12-01":"2022-12-31"].drop(columns="heat_power")
    reset = trends.copy()
    late = reset.index >= "2022-12-15"
    reset.loc[late, "heat_energy"] -= reset["heat_energy"].iloc[np.flatnonzero(late)[0]] - 3.6e9
    power = keep_account(Exchanger(tag="S"), reset, ()).table.power_W
    assert np.nanmax(power) < 1.5e6
    assert np.nanmin(power) >= 0
    as_logged = keep_account(Exchanger(tag="S"), trends, ()).table.power_W
    same = np.isfinite(power) & np.isfinite(as_logged)
    assert same.sum() > 0.95 * np.isfinite(as_logged).sum()
    np.testing.assert_allclose(power[same], as_logged[same], rtol=1e-6, atol=1.0)
