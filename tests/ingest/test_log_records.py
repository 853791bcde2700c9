"""Log records of BACnet trend logs, each kind of record by its name in ASHRAE 135."""

import json
from itertools import pairwise

import numpy as np
import pytest

from analytics.vocabulary.errors import IngestError
from analytics.vocabulary.units import convert
from ingest.bacnet.units import unit_of_name

HEAD = "object-name,sequence-number,timestamp,datum-type,log-datum,status-flags,units\n"


def record(minute: int, datum: object, number: int | None = None, **more: object) -> dict:
    return {
        "object-name": "PRI FLW T",
        **({} if number is None else {"sequence-number": number}),
        "timestamp": {"date": "2025-01-31", "time": f"10:{minute:02d}:00.00"},
        "log-datum": datum,
        "units": "degrees-celsius",
        **more,
    }


def rows(*cells: str) -> str:
    return HEAD + "".join(f"PRI FLW T,{c},degrees-celsius\n" for c in cells)


def values(result) -> list[float]:
    return result.blocks["HX-01"]["primary_supply_temperature"].tolist()


def test_every_kind_of_datum(read):
    data = [
        record(0, {"real-value": 70.5}),
        record(1, {"unsigned-value": 71}),
        record(2, {"signed-value": 72}),
        record(3, {"null-value": None}),
        record(4, {"failure": {"error-class": "object", "error-code": "unknown-object"}}),
        record(5, {"log-status": ["log-disabled"]}),
        record(6, {"log-status": ["buffer-purged"]}),
        record(7, {"log-status": ["log-interrupted"]}),
        record(8, {"time-change": -300.0}),
        record(9, {"time-change": 3600.0}),
        record(10, {"bitstring-value": "1010"}),
        record(11, {"real-value": 73.0}),
    ]
    result = read(json.dumps(data), "log.json")
    assert values(result) == pytest.approx([70.5, 71.0, 72.0, 73.0])
    assert result.findings.counts("refused") == {"failure": 1, "datum type": 1}
    assert result.findings.counts("note") == {
        "log disabled": 1, "buffer purged": 1, "log interrupted": 1, "clock set": 1,
    }  # fmt: skip
    assert result.findings.counts("doubtful")["clock set"] == 1
    # 10:00 in the zone CET is 09:00 UTC
    assert str(result.blocks["HX-01"].index[0]) == "2025-01-31 09:00:00+00:00"


def test_boolean_and_enumerated_data_are_on_and_off(read):
    data = [
        record(0, {"boolean-value": True}, **{"object-name": "PUMP", "units": "no-units"}),
        record(1, {"enum-value": 0}, **{"object-name": "PUMP", "units": "no-units"}),
    ]
    result = read(json.dumps({"log-buffer": data}), "log.json")
    assert result.blocks["HX-01"]["pump_running"].tolist() == [1.0, 0.0]


@pytest.mark.parametrize(
    ("flags", "used"),
    [
        ([], True), (["in-alarm"], True), (["fault"], False), (["overridden"], False),
        (["out-of-service"], False), (["in-alarm", "fault"], False), ("0;0;0;0", True),
        ("0100", False), ("1000", True), ("{F,F,F,T}", False), ("{T,F,F,F}", True),
    ],
)  # fmt: skip
def test_status_flags(read, flags, used):
    data = [
        record(0, {"real-value": 70.0}),
        record(1, {"real-value": 71.0}, **{"status-flags": flags}),
    ]
    result = read(json.dumps(data), "log.json")
    assert values(result) == ([70.0, 71.0] if used else [70.0])
    assert bool(result.findings.count("refused")) is not used


def test_csv_and_json_lines_are_read_alike(read):
    data = [record(m, {"real-value": 70.0 + m}, m + 1) for m in range(5)]
    lines = read("".join(json.dumps(r) + "\n" for r in data), "log.jsonl")
    table = read(
        rows(*(f"{m + 1},2025-01-31 10:0{m}:00.00,real-value,{70 + m}," for m in range(5)))
    )
    assert lines.blocks["HX-01"].equals(table.blocks["HX-01"])
    assert lines.examination.shape == table.examination.shape == "log records"


def test_a_broken_line_is_refused_and_named(read):
    good = [json.dumps(record(m, {"real-value": 70.0})) for m in range(3)]
    result = read("\n".join([good[0], good[1][:30], good[2]]), "log.jsonl")
    assert len(values(result)) == 2
    (finding,) = [f for f in result.findings if f.reason == "stamp"]
    assert finding.line == 2


def test_members_of_a_multiple_log_are_points_of_their_own(read, rules_of):
    from ingest.pipeline import read_trends
    from ingest.point_map import Point, PointMap

    points = PointMap(
        Point(name=f"trend-log-multiple,4 member {i}", tag="HX-01", role=role, unit="degC")
        for i, role in ((1, "primary_supply_temperature"), (2, "primary_return_temperature"))
    )
    data = {
        "object-identifier": "trend-log-multiple,4",
        "units": ["degrees-celsius", "degrees-fahrenheit"],
        "log-buffer": [
            {
                "timestamp": {"date": "2025-01-31", "time": "10:00:00.00"},
                "log-data": {"log-data": [{"real-value": 80.0}, {"real-value": 104.0}]},
            },
            {
                "timestamp": {"date": "2025-01-31", "time": "10:10:00.00"},
                "log-data": {"log-status": ["log-interrupted"]},
            },
        ],
    }
    result = read_trends(json.dumps(data).encode(), "l.json", rules_of(points=points))
    assert result.blocks["HX-01"].iloc[0].tolist() == pytest.approx(
        [80.0, 40.0]
    )  # 104 degF = 40 degC


def test_order_is_that_of_the_sequence_numbers_over_the_wrap(read):
    """Unsigned32: 4294967295 is followed by 1 (ASHRAE 135, Total_Record_Count)."""
    top = 2**32 - 1
    numbers = (1, top - 1, top, 2)  # as four pages might be put together
    minutes = {top - 1: 0, top: 1, 1: 2, 2: 3}
    result = read(
        rows(
            *(f"{n},2025-01-31 10:0{minutes[n]}:00,real-value,{70 + minutes[n]}," for n in numbers)
        )
    )
    assert values(result) == [70.0, 71.0, 72.0, 73.0]
    assert result.findings.count(reason="records missing") == 0


def test_missing_numbers_are_counted_and_a_new_beginning_is_told(read):
    numbers = (7, 8, 12, 1, 2)
    result = read(
        rows(*(f"{n},2025-01-31 10:0{i}:00,real-value,{70 + i}," for i, n in enumerate(numbers)))
    )
    assert values(result) == [70.0, 71.0, 72.0, 73.0, 74.0]
    assert result.findings.count(reason="records missing") == 3
    assert result.findings.count(reason="numbering began again") == 1


def test_the_doubled_hour_is_told_by_the_sequence(read):
    """Clocks of the zone CET went back on 27 October 2024 at 03:00 (01:00 UTC)."""
    stamps = [f"2024-10-27 {h:02d}:{m:02d}:00" for h in (1, 2, 2, 3) for m in (0, 30)]
    lines = [f"{i + 1},{s},real-value,{70 + i}," for i, s in enumerate(stamps)]
    shuffled = [lines[i] for i in (4, 0, 6, 1, 2, 7, 3, 5)]
    result = read(rows(*shuffled))
    assert values(result) == [float(70 + i) for i in range(8)]
    index = result.blocks["HX-01"].index
    assert {(b - a).total_seconds() for a, b in pairwise(index)} == {1800.0}


def test_unknown_units_are_refused_with_a_sentence(read):
    text = rows("1,2025-01-31 10:00:00,real-value,70,").replace("degrees-celsius", "furlongs")
    with pytest.raises(IngestError, match=r"line 2, log PRI FLW T: engineering units 'furlongs'"):
        read(text)


@pytest.mark.parametrize(
    ("name", "value", "unit", "expected"),
    [
        # NIST SP 811 (2008), appendix B.8, from memory
        ("us-gallons-per-minute", 1.0, "m3/s", 6.309020e-05),
        ("imperial-gallons-per-minute", 1.0, "m3/s", 7.576820e-05),
        ("pounds-force-per-square-inch", 1.0, "Pa", 6.894757e03),
        ("kilowatt-hours", 1.0, "J", 3.6e06),
        # the same appendix: ton of refrigeration (12 000 Btu_IT/h); water, conventional
        ("tons-refrigeration", 1.0, "W", 3.516853e03),
        ("millimeters-of-water", 1.0, "Pa", 9.80665),
        ("centimeters-of-water", 1.0, "Pa", 98.0665),
        ("inches-of-water", 1.0, "Pa", 249.0889),
        ("64", 212.0, "degC", 100.0),
        ("degreesCelsius", 1.0, "degC", 1.0),
        ("CUBIC_METERS_PER_HOUR", 3600.0, "m3/s", 1.0),
    ],
)  # fmt: skip
def test_engineering_units(name, value, unit, expected):
    assert float(convert(value, unit_of_name(name), unit)) == pytest.approx(expected, rel=1e-6)


def test_engineering_units_have_the_numbers_of_an_independent_library():
    enumeration = pytest.importorskip("bacpypes3.basetypes").EngineeringUnits
    from ingest.bacnet.units import _ENUMERATION

    for number, name, _ in _ENUMERATION:
        assert int(enumeration(name)) == number


def test_json_that_holds_no_log_records_is_refused(read):
    with pytest.raises(IngestError, match="without a log record"):
        read('[{"a": 1}]', "x.json")


def test_values_that_are_no_numbers_are_gaps(read):
    data = [
        record(0, {"real-value": 70.0}),
        record(1, {"real-value": "NaN"}),
        record(2, {"real-value": "x"}),
    ]
    result = read(json.dumps(data), "log.json")
    assert values(result) == [70.0]
    assert result.findings.count("refused", "number") == 2
    assert np.isfinite(values(result)).all()


@pytest.mark.parametrize("form", ["jsonl", "csv"])
def test_a_first_record_with_a_damaged_stamp_is_no_header(read, form):
    """It names a registered point, as a header would; its numbers must not become values."""
    data = [record(m, {"real-value": 70.0 + m}, m + 1) for m in range(6)]
    data[0]["timestamp"]["date"] = "2025-01-0131"
    lines = "".join(json.dumps(r) + "\n" for r in data)
    if form == "csv":
        stamps = ["2025-01-0131 10:00:00.00", *(f"2025-01-31 10:0{m}:00.00" for m in range(1, 6))]
        lines = rows(*(f"{m + 1},{s},real-value,{70 + m}," for m, s in enumerate(stamps)))
    result = read(lines, f"log.{form}")
    assert values(result) == [71.0, 72.0, 73.0, 74.0, 75.0]
    assert result.examination.shape == "log records"


@pytest.mark.parametrize("number", ["11e4000", "-3", "1e12", "inf", "x"])
def test_a_sequence_number_that_is_none_of_the_standard_counts_nothing(read, number):
    cells = [f"{m + 1},2025-01-31 10:0{m}:00.00,real-value,{70 + m}," for m in range(5)]
    cells[3] = cells[3].replace("4,", f"{number},", 1)
    result = read(rows(*cells))
    assert values(result) == [70.0, 71.0, 72.0, 73.0, 74.0]
