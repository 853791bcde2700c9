"""The register: everything in the example is understood, and what is wrong is said."""

from datetime import UTC, datetime
from math import sqrt
from pathlib import Path

import pytest

from analytics.vocabulary.errors import RegisterError
from analytics.vocabulary.records import Deed, Pipe
from service.documents.contents import page_two
from service.register.editing import (
    Occupied,
    PointChange,
    append_exchanger,
    change_points,
    register_digest,
    set_point,
)
from service.register.instruments import describe_meter, describe_thermometer
from service.register.maintenance import HEADER, entry, read_maintenance
from service.register.reading import example_register, parse_register, read_register
from tests.service import made_up


@pytest.fixture
def example(tmp_path):
    path = tmp_path / "plant.toml"
    path.write_text(example_register(), encoding="utf-8")
    return path


def test_example_in_si_units(example):
    plant = read_register(example)
    exchanger = plant.exchanger("HX-01")
    assert plant.zone.key == "CET"
    assert exchanger.design_duty_W == pytest.approx(500e3)
    assert exchanger.primary.design_flow_m3_s == pytest.approx(11.1 / 3600)
    assert exchanger.primary.pressure_rating_Pa == pytest.approx(16e5)
    assert exchanger.tightening_dimension_m == pytest.approx(0.186)
    assert exchanger.flow_meters["primary_flow"].pipe is Pipe.RETURN
    assert exchanger.design_outdoor_degC == -12.0
    # 1 MWh is 3.6e9 J
    assert exchanger.tariff.heat_per_J == pytest.approx(68.0 / 3.6e9)
    assert exchanger.tariff.electricity_per_J == pytest.approx(0.28 / 3.6e6)
    assert [n.split(":")[0] for n in plant.notes["HX-01"]] == [
        "it is the made-up exchanger of the example",
        "with the meter of primary_flow alone",
    ]


def test_increments_are_differences_in_si_units(tmp_path):
    """1.8 degF apart is 1 K apart, whatever the zero of the scale."""
    text = (
        example_register()
        .replace('PRI FLW T", unit = "degC"', 'PRI FLW T", unit = "degF", on_change = 1.8')
        .replace('HM FLOW", unit = "m3/h"', 'HM FLOW", unit = "m3/h", on_change = 0')
    )
    said = parse_register(text, "plant.toml", folder=tmp_path).exchanger("HX-01").change_increments
    assert said == {"primary_supply_temperature": pytest.approx(1.0), "primary_flow": 0.0}


def test_clean_period_is_local_days_both_included(example):
    period = read_register(example).exchanger("HX-01").clean_period
    # CET is one hour ahead of UTC in winter, two in summer time
    assert period.start_utc == datetime(2025, 9, 14, 22, tzinfo=UTC)
    assert period.end_utc == datetime(2025, 11, 15, 23, tzinfo=UTC)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("area_m2", "aera_m2", ['exchanger "HX-01"', '"aera_m2"', 'Did you mean "area_m2"']),
        ("[exchanger.limits]", "[exchanger.limtis]", ['"limtis"', '"limits"']),
        ("design_inlet_degC = 90.0", 'design_inlet_degC = "ninety"',
         ["primary.design_inlet_degC", "must be a number", '"ninety"']),
        ("area_m2 = 10.2", "area_m2 = -10.2", ["area_m2", "above 0", "-10.2"]),
        ("area_m2 = 10.2", "area_m2 = nan", ["area_m2", "nan"]),
        ("plates = 60", "plates = 60.5", ["plates", "60.5"]),
        ("plates = 60", "plates = true", ["plates", "whole number", "true"]),
        ("plates_most = 90", "plates_most = 9", ["plates_most", "at least plates (60)", "9"]),
        ("design_outlet_degC = 50.0", "design_outlet_degC = 95.0",
         ["primary.design_outlet_degC", "95 and 90"]),
        ("design_inlet_degC = 45.0", "design_inlet_degC = 75.0", ["secondary", "75 and 70"]),
        ('to = 2025-11-15', "to = 2025-08-15", ["clean", "2025-08-15", "before"]),
        ("from = 2025-09-15", 'from = "15.9.2025"', ["clean.from", "date", "15.9.2025"]),
        ('class = "B"', 'class = "D"', ["thermometers.", '"D"', '"AA"']),
        ("primary_flow = {", "primary_flwo = {", ['"primary_flow"', "did you mean"]),
        ('FLOW", unit = "m3/h"', 'FLOW", unit = "kW"', ["points.primary_flow", "kW"]),
        ('FLOW", unit = "m3/h"', 'FLOW", unit = "m3/x"', ["m3/x", "no unit known"]),
        ('"CET"', '"Middle"', ["plant.time_zone", '"Middle"']),
        ('currency = "EUR"', 'currency = "Euro"', ["currency", '"Euro"', "three capital letters"]),
        ('tag = "HX-01"', 'tag = "HX/01"', ["HX/01"]),
        ('tag = "HX-01"', "", ["exchanger number 1", "tag", "missing"]),
        ('"A.HX1.PRI RTN T"', '"A.HX1.PRI FLW T"', ["is given to primary_supply_temperature"]),
        ("[exchanger.meters.primary_flow]", "[exchanger.meters.outdoor_temperature]",
         ["meters.outdoor_temperature"]),
        ('fluid = "water"       ', 'fluid = "ethylene glycol"', ["primary", "fraction"]),
        ('time_zone = "CET"', 'time_zone = "CET"\nlogger_time_zone = "Mars"', ["logger_time_zone", "Mars"]),
        ("area_m2 = 10.2", "area_m2 = 10,2", ["line 31", "10,2"]),
        ('PRI FLW T", unit = "degC"', 'PRI FLW T", unit = "degC", on_change = -0.1',
         ["points.primary_supply_temperature.on_change", "at least 0", "-0.1"]),
        ('PRI FLW T", unit = "degC"', 'PRI FLW T", unit = "degF", on_change = 25',
         ["points.primary_supply_temperature.on_change", "at most 18 degF, got 25"]),
        ('PRI FLW T", unit = "degC"', 'PRI FLW T", unit = "degC", on_change = true',
         ["points.primary_supply_temperature.on_change", "must be a number"]),
        ('primary_flow = { point = "A.HX1.HM FLOW", unit = "m3/h"',
         'heat_energy = { point = "A.HX1.HM E", unit = "MWh", on_change = 0.1',
         ["points.heat_energy.on_change", "a register counts", "Leave it out"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said(tmp_path, before, after, said):
    text = example_register()
    assert before in text
    with pytest.raises(RegisterError) as caught:
        parse_register(text.replace(before, after, 1), "plant.toml", folder=tmp_path)
    message = str(caught.value)
    assert message.startswith("plant.toml")
    for part in said:
        assert part in message


def test_all_that_is_wrong_is_said_at_once(tmp_path):
    text = example_register().replace("area_m2", "aera_m2").replace("plates = 60", "plates = -1")
    with pytest.raises(RegisterError) as caught:
        parse_register(text, "plant.toml", folder=tmp_path)
    assert len(str(caught.value).splitlines()) == 2


def test_tags_differ_in_more_than_case(tmp_path):
    text = example_register() + '\n[[exchanger]]\ntag = "hx-01"\n'
    with pytest.raises(RegisterError, match="tag stands 2 times"):
        parse_register(text, "plant.toml", folder=tmp_path)


def test_missing_file_says_how_to_begin(tmp_path):
    with pytest.raises(RegisterError, match="plateledger init"):
        read_register(tmp_path / "plant.toml")


def test_what_is_left_out_is_named(tmp_path):
    text = '[plant]\nname = "P"\ntime_zone = "CET"\n[[exchanger]]\ntag = "A"\n'
    text += '[exchanger.points]\nheat_power = { point = "x", unit = "kW" }\n'
    notes = " / ".join(parse_register(text, "p.toml", folder=tmp_path).notes["A"])
    for part in ("UA, but no U", "no money", "first weeks", "all four temperatures", "class 2"):
        assert part in notes


def test_nameplate_that_does_not_add_up_is_named(tmp_path):
    """500 kW from 40 K needs about 11 m3/h of water; 5 m3/h make about 230 kW."""
    text = example_register().replace("design_flow_m3_h = 11.1", "design_flow_m3_h = 5.0")
    notes = parse_register(text, "p.toml", folder=tmp_path).notes["HX-01"]
    assert any("primary side's flow and temperatures make 228 kW" in n for n in notes)


def test_exchanger_tariff_goes_before_the_site_price_by_price(tmp_path):
    text = example_register() + "\n[exchanger.tariff]\nheat_per_MWh = 100.0\n"
    tariff = parse_register(text, "p.toml", folder=tmp_path).exchanger("HX-01").tariff
    assert tariff.heat_per_J == pytest.approx(100.0 / 3.6e9)
    assert tariff.visit_clean_in_place == 650.0


def test_liquid_from_a_table(tmp_path):
    table = tmp_path / "oil.csv"
    table.write_text(
        "temperature_degC,density_kg_m3,heat_capacity_J_kgK,viscosity_Pa_s,conductivity_W_mK\n"
        "20,880,1880,0.08,0.14\n80,840,2100,0.01,0.13\n"
    )
    text = example_register().replace(
        'fluid = "water"\npasses', 'fluid = "table"\ntable = "oil.csv"\npasses', 1
    )
    fluid = parse_register(text, "p.toml", folder=tmp_path).exchanger("HX-01").secondary.fluid
    assert fluid.kind == "table"
    assert fluid.table.density_kg_m3 == (880.0, 840.0)
    table.write_text(table.read_text().replace("0.08", "80"))
    with pytest.raises(RegisterError, match=r"oil.csv line 2, column viscosity_Pa_s: .* got"):
        parse_register(text, "p.toml", folder=tmp_path)


OIL_COLUMNS = "temperature_degC;density_kg_m3;heat_capacity_J_kgK;viscosity_Pa_s;conductivity_W_mK"
OIL = f"# from a data sheet\n\n{OIL_COLUMNS}\n20;880;1880;0,08;0,14\n80;840;2100;0,01;0,13\n100;825;2180;0,006;0,128\n"


def _with_oil(tmp_path, table):
    (tmp_path / "oil.csv").write_text(table, encoding="utf-8")
    text = example_register().replace(
        'fluid = "water"\npasses', 'fluid = "table"\ntable = "oil.csv"\npasses', 1
    )
    return parse_register(text, "p.toml", folder=tmp_path)


def test_a_table_with_remarks_semicolons_and_decimal_commas(tmp_path):
    table = _with_oil(tmp_path, OIL).exchanger("HX-01").secondary.fluid.table
    assert table.name == "oil.csv"
    assert table.viscosity_Pa_s == (0.08, 0.01, 0.006)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("80;840", "10;840", r"oil.csv line 5, column temperature_degC: must rise .* got 10 after 20"),
        ("0,01;", "0,09;", r"oil.csv line 5, column viscosity_Pa_s: rises .* 0.08 to 0.09"),
        ("0,13\n", "\n", r"oil.csv line 5, column conductivity_W_mK: is empty"),
        ("2100", "2,1 kJ", r"oil.csv line 5, column heat_capacity_J_kgK: must be a number, got '2,1 kJ'"),
        ("840", "0,84", r"oil.csv line 5, column density_kg_m3: must lie between 500 and 2000"),
        ("viscosity_Pa_s", "viscosity_mPas", r"oil.csv line 3: column viscosity_Pa_s is missing"),
        ("100;825", "65;825", r"oil.csv line 6, column temperature_degC: must rise"),
        ("20;880", "50;880", r"secondary.design_inlet_degC: 45 degC lies outside 50 to 100 degC, .* oil.csv"),
    ],
)  # fmt: skip
def test_a_table_that_is_wrong_names_its_line(tmp_path, old, new, sentence):
    assert old in OIL
    with pytest.raises(RegisterError, match=sentence):
        _with_oil(tmp_path, OIL.replace(old, new))


@pytest.mark.parametrize(
    ("entry", "sentence"),
    [
        ('fluid = "ethylene glycol"\nfraction = 30.0', "between 0 and 0.6 by mass, got 30. Write 0.3 for 30 %"),
        ('fluid = "propylene glycol"\nbasis = "volume"\nfraction = 0.05', "between 0.1 and 0.6 by volume"),
        ('fluid = "ethylene glycol"', "needs fraction"),
    ],
)  # fmt: skip
def test_a_mixture_that_has_no_properties_is_refused_at_the_register(tmp_path, entry, sentence):
    text = example_register().replace('fluid = "water"\npasses', f"{entry}\npasses", 1)
    with pytest.raises(RegisterError, match=sentence):
        parse_register(text, "p.toml", folder=tmp_path)


def test_a_mixture_says_how_it_is_counted_and_what_the_heat_meter_takes_it_for(tmp_path):
    """30 % by volume of ethylene glycol at 20 degC is 32.3 % by mass."""
    mixture = 'fluid = "ethylene glycol"\nbasis = "volume"\nfraction = 0.3'
    text = example_register().replace('fluid = "water"               # or', f"{mixture}  # or", 1)
    text = text.replace("primary_flow = { point", "heat_power = { point").replace(
        '"m3/h" }\n#', '"kW" }\n#'
    )
    notes = " / ".join(parse_register(text, "p.toml", folder=tmp_path).notes["HX-01"])
    assert "by volume (at 20 degC, before mixing) is 32.3% by mass" in notes
    assert "calculating with water, as EN 1434 has it" in notes


def test_passes_without_a_formula_are_refused_at_the_register(tmp_path):
    text = (
        example_register()
        .replace("passes = 1 ", "passes = 2 ", 1)
        .replace("passes = 1\n", "passes = 3\n", 1)
    )
    with pytest.raises(RegisterError, match="no formula for 2 against 3 passes"):
        parse_register(text, "p.toml", folder=tmp_path)


def test_a_second_meter_ends_the_warning_of_one_alone(tmp_path):
    text = example_register().replace("# secondary_flow = {", "secondary_flow = {")
    notes = " / ".join(parse_register(text, "p.toml", folder=tmp_path).notes["HX-01"])
    assert "alone" not in notes


def test_a_unit_that_does_not_fit_is_named_as_people_write_it(tmp_path):
    text = example_register().replace('HM FLOW", unit = "m3/h"', 'HM FLOW", unit = "kW"')
    with pytest.raises(RegisterError, match="'kW' cannot be turned into 'm³/s'"):
        parse_register(text, "p.toml", folder=tmp_path)


def test_lowest_flow_lies_below_the_permanent_one(tmp_path):
    text = example_register().replace("# low_flow_m3_h = 0.15", "low_flow_m3_h = 20.0")
    with pytest.raises(
        RegisterError, match="low_flow_m3_h must be below nominal_m3_h, got 20 and 15"
    ):
        parse_register(text, "p.toml", folder=tmp_path)


def test_uncertainty_of_instruments():
    """JCGM 100:2008, 4.3.7: a limit of error divided by the square root of three.

    EN 60751:2008 table 3 (from memory): class B is 0.30 K + 0.005 |t|, 0.60 K at 60 degC.
    """
    class_B, _ = describe_thermometer("B", None)
    assert class_B == pytest.approx(sqrt((0.60 / sqrt(3)) ** 2 + 0.2**2))
    assert describe_thermometer(None, 1.0)[0] == 0.5
    assert describe_thermometer(None, None)[0] == 0.5
    # EN 1434-1 class 2: 2 % + 0.02 % at the permanent flow; in service twice that
    assert describe_meter(2, None)[0] == pytest.approx(2 * 0.0202 / sqrt(3))
    assert describe_meter(1, None)[0] < describe_meter(3, None)[0]


def test_appending_keeps_comments_and_checks_first(example):
    before = example.read_text(encoding="utf-8")
    plant = append_exchanger(example, {"tag": "HX-02", "area_m2": 3.0, "primary": {"passes": 2}})
    assert [e.tag for e in plant.exchangers] == ["HX-01", "HX-02"]
    assert "# stainless steel" in example.read_text(encoding="utf-8")
    grown = example.read_text(encoding="utf-8")
    assert grown.startswith(before.rstrip())
    with pytest.raises(RegisterError, match="area_m2"):
        append_exchanger(example, {"tag": "HX-03", "area_m2": -3.0})
    assert example.read_text(encoding="utf-8") == grown


def test_a_point_is_given_to_the_right_exchanger(example):
    append_exchanger(example, {"tag": "HX-02"})
    plant = set_point(example, "HX-02", "secondary_flow", point="B.FLOW", unit="l/s")
    assert [(p.tag, p.unit) for p in plant.points if p.name == "B.FLOW"] == [("HX-02", "l/s")]
    with pytest.raises(RegisterError, match="HX-9"):
        set_point(example, "HX-9", "secondary_flow", point="B.FLOW", unit="l/s")


def test_points_change_places_with_all_that_is_said_of_them(example):
    text = example.read_text(encoding="utf-8").replace(
        'point = "A.HX1.PRI RTN T", unit = "degC" }',
        'point = "A.HX1.PRI RTN T", unit = "degC", file = "a*.csv" }  # in the return',
    )
    example.write_bytes(text.replace("\n", "\r\n").encode())
    warm, cold = ("HX-01", "primary_supply_temperature"), ("HX-01", "primary_return_temperature")
    changes = [
        PointChange(point="A.HX1.PRI FLW T", unit="degF", tag=cold[0], role=cold[1], was=(warm,)),
        PointChange(point="A.HX1.PRI RTN T", unit="degC", tag=warm[0], role=warm[1], was=(cold,)),
        PointChange(point="OAT", was=(("HX-01", "outdoor_temperature"),)),
        PointChange(point="S", unit="l/s", tag="HX-01", role="secondary_flow", file="b*"),
    ]
    plant = change_points(example, changes, seen=register_digest(example))
    found = {p.name: (p.role, p.unit, p.file) for p in plant.points}
    assert found["A.HX1.PRI FLW T"] == (cold[1], "degF", "*")
    assert found["A.HX1.PRI RTN T"] == (warm[1], "degC", "a*.csv")
    assert found["S"] == ("secondary_flow", "l/s", "b*")
    assert "OAT" not in found
    written = example.read_bytes().decode()
    assert "# in the return" in written
    assert written.count("\r\n") >= text.count("\n") - 1, "line ends stay as they were"
    kept = example.with_name("plant.toml.before").read_bytes().decode()
    assert kept == text.replace("\n", "\r\n")


def test_the_register_is_left_alone_where_it_changed_or_a_role_has_a_point(example):
    before = example.read_bytes()
    change = PointChange(point="NEW", unit="degC", tag="HX-01", role="primary_supply_temperature")
    with pytest.raises(RegisterError, match="was changed since"):
        change_points(example, [change], seen="0" * 64)
    with pytest.raises(Occupied, match="PRI FLW T"):
        change_points(example, [change], seen=register_digest(example))
    with pytest.raises(RegisterError, match="no thanks"):
        change_points(
            example, [change], seen=register_digest(example), replace=True, check=_no_thanks
        )
    assert example.read_bytes() == before
    assert [p.name for p in example.parent.iterdir()] == ["plant.toml"]
    plant = change_points(example, [change], seen=register_digest(example), replace=True)
    assert "A.HX1.PRI FLW T" not in {p.name for p in plant.points}


def _no_thanks(_plant):
    raise RegisterError("no thanks")


def test_log_lines_and_their_faults(example, tmp_path):
    plant = read_register(example)
    path = tmp_path / "maintenance.csv"
    path.write_text(
        HEADER + "HX-01,2026-03-02,cleaned in place,,,\n"
        "HX-01,2026-07-02 09:30,Plates-Changed,,72,ten more\n",
        encoding="utf-8",
    )
    first, second = read_maintenance(path, plant)
    assert first.at_utc == datetime(2026, 3, 2, 11, tzinfo=UTC)
    assert second.at_utc == datetime(2026, 7, 2, 7, 30, tzinfo=UTC)
    assert (second.deed, second.plates_after) == (Deed.PLATES_CHANGED, 72)
    path.write_text(
        HEADER + "HX-1,2026-03-02,cleaned in place,,,\nHX-01,2.3.26,other,,,\n"
        "HX-01,2026-03-02,cleand in place,,,\nHX-01,2026-03-02,plates changed,,,\n"
        "HX-01,2026-03-02,plates changed,,95,\n",
        encoding="utf-8",
    )
    with pytest.raises(RegisterError) as caught:
        read_maintenance(path, plant)
    lines = str(caught.value).splitlines()
    assert [line.split(":")[0] for line in lines] == [
        f"maintenance.csv line {n}" for n in range(2, 7)
    ]
    assert 'Did you mean "HX-01"' in lines[0]
    assert 'Did you mean "cleaned in place"' in lines[2]
    assert "at most 90" in lines[4]


def test_no_log_is_an_empty_log(example, tmp_path):
    assert read_maintenance(tmp_path / "maintenance.csv", read_register(example)) == ()


def test_entry_refuses_an_unknown_instrument(example):
    with pytest.raises(RegisterError, match='Did you mean "primary_flow"'):
        entry(read_register(example), tag="HX-01", when="2026-03-02", deed="meter changed",
              role="primary_flwo")  # fmt: skip


def test_only_what_is_missing_of_the_design_is_named(example):
    entry = example_register()
    named = " / ".join(parse_register(entry, "p.toml", folder=Path()).notes["HX-01"])
    assert "design_outdoor_degC" not in named
    assert "design_flow_m3_h" not in named
    lines = [n for n in entry.splitlines() if not n.startswith("design_outdoor_degC")]
    lines = [n.replace("design_flow_m3_h = 11.1", "").rstrip(", ") for n in lines]
    notes = parse_register("\n".join(lines), "p.toml", folder=Path()).notes["HX-01"]
    assert "without design_outdoor_degC: no statement on whether there are enough plates" in notes
    assert any(n.startswith("without primary.design_flow_m3_h: the reference") for n in notes)


def test_passes_and_ports_that_nobody_registered_are_marked(tmp_path):
    text = "\n".join(
        line for line in example_register().splitlines()
        if not line.startswith(("ports =", "passes ="))
    )  # fmt: skip
    plant = parse_register(text, "p.toml", folder=tmp_path)
    note = "without primary.passes, secondary.passes, ports: taken as one pass, all ports in front"
    assert note in plant.notes["HX-01"]
    sheet = page_two(plant, plant.exchanger("HX-01"), made_up.nothing_known("HX-01"))
    said = dict(sheet["there"])["Passes, ports"]
    assert said == "1 and 1 (assumed), all in front (assumed)"
    known = parse_register(example_register(), "p.toml", folder=tmp_path)
    assert known.exchanger("HX-01").assumed == ()
