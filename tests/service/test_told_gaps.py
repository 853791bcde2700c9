"""Gaps that loggers told of, where people see them: the week's chart, the data section, the JSON."""

from datetime import timedelta

import pandas as pd
import pytest
from fastapi.testclient import TestClient

from analytics.vocabulary.gaps import empty_gaps
from service.app import create_app
from service.charts.trends import TOLD, explorer_figure, trends_chart
from service.usecases.told_gaps import summed_up, within
from tests.service import made_up
from tests.service.test_gaps import keep, logged
from tests.service.test_pages import Client, MadeUpLedger

PLANT = made_up.whole_plant()
WEEK = made_up.deposit().intervals.iloc[-672:]


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").replace("\u2060", "").split())


def test_hours_that_two_gaps_share_count_once() -> None:
    """5 h and 2 h that overlap by one are 6 h; a day three months ago is not of the last 30 days."""
    flow, supply = summed_up(made_up.told_gaps(), made_up.THROUGH)
    assert (supply.role, supply.count) == ("primary_supply_temperature", 2)
    assert (supply.hours, supply.hours_recent) == (pytest.approx(6.0), pytest.approx(6.0))
    assert supply.reasons == {"log disabled": 1, "no usable value": 1}
    assert (flow.hours, flow.hours_recent) == (pytest.approx(24.0), 0.0)
    assert summed_up(empty_gaps(), made_up.THROUGH) == ()


def test_a_gap_inside_another_adds_nothing() -> None:
    at = pd.Timestamp(made_up.THROUGH)
    told = pd.DataFrame(
        {
            "role": "primary_flow",
            "begin_utc": [at - pd.Timedelta(hours=10), at - pd.Timedelta(hours=9), at - pd.Timedelta(hours=2)],
            "end_utc": [at - pd.Timedelta(hours=4), at - pd.Timedelta(hours=8), at - pd.Timedelta(hours=1)],
            "reason": "log disabled",
        }
    )  # fmt: skip
    (flow,) = summed_up(told, made_up.THROUGH)
    assert flow.hours == pytest.approx(7.0)


def test_gaps_are_cut_to_the_week_shown() -> None:
    start = made_up.THROUGH - timedelta(hours=48)
    held = within(made_up.told_gaps(), start, made_up.THROUGH - timedelta(hours=45))
    assert held["begin_utc"].min() == pd.Timestamp(start)
    assert held["end_utc"].max() == pd.Timestamp(made_up.THROUGH - timedelta(hours=45))
    assert set(held["role"]) == {"primary_supply_temperature"}


@pytest.mark.parametrize("width", [1160.0, 354.0])
def test_the_weeks_chart_has_a_row_for_what_loggers_told(width: float) -> None:
    told = within(
        made_up.told_gaps(), made_up.THROUGH - timedelta(days=7), made_up.THROUGH + timedelta(days=1)
    )  # fmt: skip
    without = trends_chart(WEEK, "HX-03", PLANT, width=width)
    with_it = trends_chart(WEEK, "HX-03", PLANT, told=told, width=width)
    assert without is not None
    assert with_it is not None
    assert TOLD not in without.svg
    assert f">{TOLD}<" in with_it.svg
    assert with_it.svg.count('class="hatch-edge"') == without.svg.count('class="hatch-edge"') + 2
    assert "primary supply 7.0 h (log disabled, no usable value)" in plain(with_it.text)
    assert with_it.table is not None
    assert ("told by logger, primary supply", "log disabled", "5.0\u00a0h") in with_it.table.rows
    names = [t["name"] for t in explorer_figure(WEEK, PLANT, told)["data"]]
    assert "primary supply: log disabled" in names


def test_the_page_says_how_many_how_long_and_why() -> None:
    ledger = MadeUpLedger(list(made_up.every_case().values()), PLANT)
    html = plain(Client(ledger).get("/exchangers/HX-03"))
    section = html[html.index('id="data"') : html.index('id="raw"')]
    assert "Good: 214 of 660 running hours carry evidence, in the 30 days up to" in section
    assert "Loggers told of three gaps of two instruments, 30 h in all" in section
    assert (
        '<th scope="row">Primary supply</th><td>log disabled (1), no usable value (1)</td>'
        in section
    )
    assert '<td class="n">207 h</td>' in section  # of transients, as the made-up health has them
    assert f">{TOLD}<" in html
    other = plain(Client(ledger).get("/exchangers/HX-07"))
    assert (
        "No logger told of a gap of its own; hours in which a log has no row stand below" in other
    )
    assert TOLD not in other


def test_from_the_log_to_page_and_json(own_ledger) -> None:
    """A log that says it was off for seven hours, which it is silent over: told everywhere."""
    keep(own_ledger, told=True)
    assert b"log-disabled" in logged(told=True)
    own_ledger.assess()
    client = TestClient(create_app(own_ledger.settings), base_url="http://127.0.0.1")
    with client:
        (status,) = client.get("/v1/exchangers").json()
        (gap,) = status["data_health"]["logger_gaps"]
        assert (gap["role"], gap["count"]) == ("primary_supply_temperature", 1)
        assert gap["reasons"] == {"log disabled": 1}
        assert 6.0 <= gap["hours"] <= 7.0  # it comes back within the hour after the sixth
        html = plain(client.get("/exchangers/HX-01").text)
    assert "Loggers told of one gap of one instrument" in html
    assert "Told by the logger: primary supply" in html


def test_the_check_of_a_file_tells_the_hours_without_a_row(own_ledger, write_trends) -> None:
    lines = write_trends(hours=96).splitlines(keepends=True)
    client = TestClient(create_app(own_ledger.settings), base_url="http://127.0.0.1")
    client.headers["origin"] = "http://127.0.0.1"
    with client:
        for text, silent in (("".join(lines[:31] + lines[49:]), True), ("".join(lines), False)):
            sent = client.post("/import", files={"file": ("october.csv", text.encode())})
            assert ("no row from 2025-10-02 05:00 CEST" in sent.text) is silent
