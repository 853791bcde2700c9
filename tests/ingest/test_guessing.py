"""Headings that nobody registered, as sites of several languages spell them."""

import json
import tomllib
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analytics.vocabulary.quantities import ROLE_NAMES
from ingest.pipeline import examine
from ingest.point_map import guess_role
from ingest.rules import Rules

CASES = {
    ("A.HX1.PRI FLW T", "degC"): "primary_supply_temperature",
    ("A.HX1.PRI RTN T", "degC"): "primary_return_temperature",
    ("A.HX1.SEC FLW T", None): "secondary_supply_temperature",
    ("SEC_RETURN_TEMP", "°F"): "secondary_return_temperature",
    ("A.HX1.HM FLOW", "m3/h"): "primary_flow",
    ("SEC FLOW", "l/s"): "secondary_flow",
    ("HM POWER", "kW"): "heat_power",
    ("Wärmemenge", "MWh"): "heat_energy",
    ("HM Volume", "m3"): "heat_volume",
    ("Vorlauftemperatur primär", "°C"): "primary_supply_temperature",
    ("Rücklauftemperatur sekundär", "°C"): "secondary_return_temperature",
    ("PWT 1 Sek VL Temp", "°C"): "secondary_supply_temperature",
    ("Température départ primaire", "°C"): "primary_supply_temperature",
    ("Température retour secondaire", "°C"): "secondary_return_temperature",
    ("VVX sekundär framledning temp", "°C"): "secondary_supply_temperature",
    ("Primær retur temp", "°C"): "primary_return_temperature",
    ("Außentemperatur", "°C"): "outdoor_temperature",
    ("OAT", None): "outdoor_temperature",
    ("HX-1 Valve Position", "%"): "valve_position",
    ("Circulation pump", None): "pump_running",
    ("PRI DP", "kPa"): "primary_pressure_drop",
    ("SEC FLW T SP", "degC"): "secondary_supply_set_point",
    ("t_sup_prim", None): "primary_supply_temperature",
    ("PrimSupplyTemp", "degC"): "primary_supply_temperature",
}


@pytest.mark.parametrize(("heading", "unit"), CASES)
def test_guess(heading, unit):
    guess = guess_role(heading, unit)
    assert guess is not None
    assert guess.role == CASES[heading, unit]
    assert guess.role in ROLE_NAMES
    assert 0 < guess.chance < 1
    assert guess.why


@pytest.mark.parametrize("heading", ["Room 214 CO2", "foo", "", "Lift 2 door"])
def test_no_guess(heading):
    assert guess_role(heading, "ppm") is None


def test_values_no_temperature_has_lower_the_chance():
    assert guess_role("PRI FLW T", None, [1e5] * 9).chance < guess_role("PRI FLW T").chance


def test_tag_in_the_heading():
    assert guess_role("A.HX3.PRI FLW T").tag == "HX-03"


def test_proposal_is_ready_to_paste(look):
    seen = look('Time,"Q ""A"" primary supply temp [°C]",Q sec flow\n2025-01-15 10:00,80,3\n')
    points = tomllib.loads(seen.proposal)["exchanger"]["points"]
    assert points["primary_supply_temperature"]["point"] == seen.columns[1].heading
    assert points["secondary_flow"]["unit"] == "m3/h"
    assert "check the unit" in seen.proposal


def test_examination_is_plain_values(look):
    seen = look("Time,PRI FLW T,PRI RTN X\n2025-10-26 02:15,80,---\n2025-10-26 02:30,x,3\n")
    plain = json.loads(json.dumps(seen.to_dict(), allow_nan=False))
    assert plain["columns"][1]["taken_for"] == [["HX-01", "primary_supply_temperature"]]
    assert plain["columns"][2]["left_out"] == "not in the register"
    assert plain["first_utc"].endswith("Z")
    assert not any(isinstance(v, np.generic) for v in seen.to_dict().values())


def test_a_file_is_understood_before_there_is_a_register():
    """Decimal comma, clock and points are told from the file alone."""
    rows = [
        f"{day}.10.2026 {hour:02d}:00;7{hour % 10},{hour % 7};4{hour % 10},{hour % 3}"
        for day in range(13, 16)
        for hour in range(24)
    ]
    text = "\n".join(["Zeit;Primär VL [°C];Primär RL [°C]", *rows, ""])
    found = examine(text.encode("cp1252"), "trend.csv", Rules(zone=ZoneInfo("CET")))
    assert found.decimal == ","
    assert found.first_utc is not None
    assert found.first_utc.startswith("2026-10-12T22:00")
    assert [c.guess.role for c in found.columns if c.guess] == [
        "primary_supply_temperature",
        "primary_return_temperature",
    ]
    assert "primary_supply_temperature" in found.proposal
