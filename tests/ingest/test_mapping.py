"""Roles told by physics: names that help, say nothing or lie; units that cannot be; swapped points.

The plants are those of the simulator, which shares no code with what is tested here.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from analytics.vocabulary.units import convert
from demo_data.simulator import Logger, random_scenario, simulate
from demo_data.simulator.scenario import TEMPERATURES
from ingest.mapping.judging import doubts
from ingest.mapping.proposing import propose
from ingest.mapping.scoring import HEAT_PER_VOLUME_J_m3K, cold_end_penalty
from ingest.pipeline import examine
from ingest.point_map import Point, PointMap
from ingest.rules import Rules
from tests.benchmarks import mapping

PS, PR, SS, SR = TEMPERATURES
START = datetime(2025, 11, 3, tzinfo=UTC)
NAMES = {r: r for r in (*TEMPERATURES, "primary_flow", "secondary_flow", "heat_power")}


@cache
def logged(seed=7):
    roles = (*TEMPERATURES, "primary_flow", "secondary_flow", "heat_power")
    scenario = random_scenario(np.random.default_rng(seed), fault=None)
    scenario = replace(scenario, step_minutes=15, logger=Logger(roles=roles, interval_minutes=15))
    return simulate(scenario, START, START + timedelta(days=14)).logged


def test_heat_per_volume_is_that_of_water():
    """IAPWS-IF97 table 5 (3 MPa, 300 K): 1/v = 998.06 kg/m3, cp = 4.173 kJ/(kg K): 4.165 MJ/(m3 K)."""
    assert pytest.approx(4.173e3 / 0.100215168e-2, rel=0.03) == HEAT_PER_VOLUME_J_m3K


@pytest.mark.parametrize("seed", [300])
@pytest.mark.parametrize("names", ["help", "nothing", "lies"])
@pytest.mark.parametrize("instruments", ["both flows", "flow and power", "four temperatures"])
def test_nothing_is_stated_wrongly(seed, names, instruments):
    truth, candidates = mapping.plant(seed, instruments, names, with_units=True)
    proposals = mapping.propose(candidates)
    _, wrong = mapping.judge(truth, proposals)
    assert not wrong
    if names == "help" and instruments != "four temperatures":
        assert len([p for p in proposals if p.sure]) >= 3


def test_names_without_meaning_are_settled_by_the_balance():
    """With two meters and no word to go by all four temperatures are told."""
    truth, candidates = mapping.plant(301, "flow and power", "nothing", with_units=True)
    stated = {p.heading: p.role for p in mapping.propose(candidates) if p.sure}
    told = {h for h, (role, _) in truth.items() if role in (PS, PR, SR)}
    assert told <= set(stated)
    assert all(truth[h][0] == role for h, role in stated.items())


def export(frame, names):
    """Write a frame in SI as a file of a site: degC, m3/h, kW."""
    units = {"primary_flow": "m3/h", "secondary_flow": "m3/h", "heat_power": "kW"}
    si = {"primary_flow": "m**3/s", "secondary_flow": "m**3/s", "heat_power": "W"}
    out = pd.DataFrame({"Time": frame.index.tz_convert("CET").strftime("%Y-%m-%d %H:%M:%S")})
    for role, name in names.items():
        values = frame[role].to_numpy()
        if role in units:
            values = np.asarray(convert(values, si[role], units[role]))
        out[name] = np.round(values, 3)
    return out.to_csv(index=False).encode()


def test_a_file_of_meaningless_names_gets_proposals_and_questions():
    names = {r: f"AI{n}" for n, r in enumerate(NAMES)}
    seen = examine(export(logged(), names), "x.csv", Rules(zone=ZoneInfo("CET")))
    found = {c.heading: c.guess.role for c in seen.columns if c.guess}
    assert {found[names[r]] for r in TEMPERATURES} == set(TEMPERATURES)
    assert all(found[names[r]] == r for r in TEMPERATURES)
    assert "AI0" in seen.proposal


def test_four_nameless_temperatures_are_asked_not_guessed():
    names = {r: f"AI{n}" for n, r in enumerate(TEMPERATURES)}
    seen = examine(export(logged(), names), "x.csv", Rules(zone=ZoneInfo("CET")))
    asked = " ".join(seen.questions)
    assert "AI1" in asked
    assert "AI2" in asked
    assert "check the role" in seen.proposal


def test_swapped_names_are_asked():
    names = {PS: "PRI RTN T", PR: "PRI FLW T", SS: "SEC FLW T", SR: "SEC RTN T"}
    seen = examine(export(logged(), names), "x.csv", Rules(zone=ZoneInfo("CET")))
    assert any("PRI FLW T" in q for q in seen.questions)


# --- a mapping that is registered --------------------------------------------------------------------


def test_what_is_registered_rightly_is_not_doubted():
    for seed in range(7, 12):
        assert doubts(logged(seed), NAMES) == []


@pytest.mark.parametrize(
    "pair", [(PS, PR), (SS, SR), (PR, SS), (PS, SS), ("primary_flow", "secondary_flow")]
)
def test_two_points_swapped(pair):
    frame = logged().rename(columns={pair[0]: pair[1], pair[1]: pair[0]})
    (text,) = doubts(frame, NAMES)
    assert "swapped" in text
    assert f"{pair[0]!r} and {pair[1]!r}" in text


def test_the_wrong_side():
    swap = {PS: SS, SS: PS, PR: SR, SR: PR, "primary_flow": "secondary_flow", "secondary_flow": "primary_flow"}  # fmt: skip
    (text,) = doubts(logged().rename(columns=swap), NAMES)
    assert "primary and secondary side swapped" in text


@pytest.mark.parametrize(
    ("role", "logged_in", "read_as", "si"),
    [
        ("primary_flow", "l/s", "m3/h", "m**3/s"),
        ("secondary_flow", "m3/h", "l/s", "m**3/s"),
        ("heat_power", "kW", "W", "W"),
        ("heat_power", "W", "kW", "W"),
        (PS, "degF", "degC", "degC"),
        (SS, "degC", "degF", "degC"),
    ],
)
def test_the_wrong_unit(role, logged_in, read_as, si):
    frame = logged().copy()
    raw = convert(frame[role].to_numpy(), si, logged_in)
    frame[role] = np.asarray(convert(raw, read_as, si))
    (text,) = doubts(frame, NAMES)
    assert f"{role!r}" in text
    assert logged_in in text
    assert read_as in text


def test_all_in_fahrenheit():
    frame = logged().copy()
    for role in TEMPERATURES:
        frame[role] = np.asarray(convert(frame[role].to_numpy(), "degC", "degF"))
    assert any("degF" in t for t in doubts(frame, NAMES))


def test_ordinary_faults_are_no_matter_of_the_mapping():
    """A thermometer 2.5 K off, a meter 15 % off: the account names those."""
    frame = logged().copy()
    frame[PR] += 2.5
    frame["primary_flow"] *= 1.15
    assert doubts(frame, NAMES) == []


def test_a_few_hours_or_an_idle_plant_say_nothing():
    assert doubts(logged().iloc[:40].rename(columns={PS: PR, PR: PS}), NAMES) == []
    idle = logged().copy()
    idle[list(TEMPERATURES)] = 20.0
    assert doubts(idle, NAMES) == []


def cold_end(offset_K, primary_flow, secondary_flow):
    """Counterflow plates by effectiveness and NTU (Bergman et al., 6th ed., eq. 11.29a), films to 0.7."""
    hot, cold = 95.0, 42.0
    c_hot, c_cold = primary_flow, secondary_flow
    films = primary_flow**-0.7 + secondary_flow**-0.7
    small, ratio = np.minimum(c_hot, c_cold), np.minimum(c_hot, c_cold) / np.maximum(c_hot, c_cold)
    ntu = 8.0 / films / small
    bare = np.exp(-ntu * (1 - ratio))
    duty = (1 - bare) / (1 - ratio * bare) * small * (hot - cold)
    T = {
        PS: np.full_like(duty, hot), PR: hot - duty / c_hot + offset_K,
        SS: cold + duty / c_cold, SR: np.full_like(duty, cold),
    }  # fmt: skip
    return T, {"primary_flow": primary_flow, "secondary_flow": secondary_flow}


def penalties(offset_K, primary_flow, secondary_flow):
    T, flows = cold_end(offset_K, primary_flow, secondary_flow)
    running = np.ones(len(primary_flow), dtype=bool)
    swapped = {**T, PR: T[SR], SR: T[PR]}
    return cold_end_penalty(T, flows, running), cold_end_penalty(swapped, flows, running)


@pytest.mark.parametrize("offset_K", [-4.0, -1.5, 0.0, 1.5])
def test_the_cold_end_tells_the_returns_apart_whatever_the_thermometers_offsets(offset_K):
    flow = np.linspace(0.3, 1.0, 200)
    right, swapped = penalties(offset_K, flow, np.full(200, 1.4))
    assert right == 0.0
    assert swapped > 8.0


def test_a_constant_primary_flow_tells_nothing_of_the_returns():
    """More secondary water closes the cold end then; that must not look like a mix-up."""
    assert penalties(0.0, np.full(200, 0.6), np.linspace(0.7, 2.0, 200)) == (0.0, 0.0)


def test_no_meter_or_few_hours_tell_nothing_of_the_returns():
    T, _ = cold_end(0.0, np.linspace(0.3, 1.0, 200), np.full(200, 1.4))
    assert cold_end_penalty({**T, PR: T[SR], SR: T[PR]}, {}, np.ones(200, dtype=bool)) == 0.0
    assert penalties(0.0, np.linspace(0.3, 1.0, 60), np.full(60, 1.4)) == (0.0, 0.0)


@pytest.mark.parametrize("seed", [502, 503])
def test_names_that_say_nothing_are_stated_where_the_flow_of_heat_tells(seed):
    """Both flows with their units, and no set point that goes with the supply."""
    truth, candidates = mapping.plant(seed, "both flows", "nothing", True)
    found = propose(candidates)
    assert {p.role for p in found if p.sure} >= set(TEMPERATURES)
    assert all(truth[p.heading][0] == p.role for p in found if p.sure)


def test_what_is_left_over_beside_registered_temperatures_is_no_temperature():
    """Where the register has the exchanger's four temperatures, the rest is told by names alone."""
    names = {r: f"HX02.{r}" for r in NAMES}
    frame = logged()[list(NAMES)].rename(columns=names)
    index = np.arange(len(frame))
    frame = frame.assign(**{
        "HX02.PRI VALVE": np.round(40 + 20 * np.sin(index / 15.0), 1),
        "HX02.X9": np.round(30 + 10 * np.sin(index / 20.0), 1),
    })  # fmt: skip
    points = PointMap(
        Point(name=names[r], tag="HX-02", role=r, unit="degC", file="*") for r in TEMPERATURES
    )
    data = frame.to_csv(date_format="%Y-%m-%d %H:%M:%S", index_label="Time UTC").encode()
    seen = examine(data, "x.csv", Rules(zone=ZoneInfo("CET"), points=points))
    guesses = {c.heading: c.guess for c in seen.columns if not c.taken_for and c.guess}
    assert guesses["HX02.PRI VALVE"].role == "valve_position"
    assert not {g.role for g in guesses.values()} & set(TEMPERATURES)
    assert guesses.keys() >= {"HX02.primary_flow"}  # a name that says it stands
