"""Gaps that log records tell of: where they begin and end, whatever the log writes."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.dialects.record_gaps import LogRecords, gaps_of_log

DISABLED, INTERRUPTED, PURGED = (
    {"log-status": [s]} for s in ("log-disabled", "log-interrupted", "buffer-purged")
)
FAILURE = {"failure": {"error-class": "object", "error-code": "unknown-object"}}
NULL = {"null-value": None}


def log(*data, numbers=None, **more):
    """A record a minute from 09:00 UTC on."""
    return json.dumps([
        {
            "object-name": "PRI FLW T", "timestamp": f"2025-01-31T09:{m:02d}:00Z",
            "log-datum": {"real-value": d} if isinstance(d, float) else d,
            **({} if numbers is None else {"sequence-number": numbers[m]}),
            **more.get(f"at_{m}", {}),
        }
        for m, d in enumerate(data)
    ])  # fmt: skip


def told(result):
    if "HX-01" not in result.gaps:
        return []
    return [
        (row.role, f"{row.begin_utc:%H:%M}", f"{row.end_utc:%H:%M}", row.reason)
        for row in result.gaps["HX-01"].itertuples()
    ]


ROLE = "primary_supply_temperature"


@pytest.mark.parametrize(
    ("data", "begin", "end", "why"),
    [
        ((70.0, DISABLED, {"log-status": []}, 71.0), "09:01", "09:03", "log disabled"),
        ((70.0, 70.5, INTERRUPTED, 71.0), "09:01", "09:03", "log interrupted"),
        ((70.0, PURGED, 71.0), "09:00", "09:02", "buffer purged"),
        ((70.0, FAILURE, NULL, 71.0), "09:01", "09:03", "no usable value"),
        ((70.0, DISABLED, PURGED, INTERRUPTED, 71.0), "09:01", "09:04", "log disabled"),
        ((70.0, 71.0, DISABLED), "09:02", "09:02", "log disabled"),
    ],
)
def test_what_ends_a_silence(read, data, begin, end, why):
    assert told(read(log(*data), "log.json")) == [(ROLE, begin, end, why)]


@pytest.mark.parametrize("bits", ["100", "1;0;0", "{T,F,F}", "true false false"])
def test_a_status_given_as_bits(read, bits):
    text = (
        "object-name,timestamp,datum-type,log-datum\n"
        "PRI FLW T,2025-01-31T09:00:00Z,real-value,70.0\n"
        f'PRI FLW T,2025-01-31T09:01:00Z,log-status,"{bits}"\n'
        'PRI FLW T,2025-01-31T09:02:00Z,log-status,"000"\n'
        "PRI FLW T,2025-01-31T09:03:00Z,real-value,71.0\n"
    )
    result = read(text)
    assert told(result) == [(ROLE, "09:01", "09:03", "log disabled")]
    assert result.findings.count(reason="log disabled") == 1


def test_a_flagged_value_says_that_the_one_before_no_longer_holds(read):
    text = log(70.0, 71.0, 72.0, at_1={"status-flags": ["fault"]})
    assert told(read(text, "log.json")) == [(ROLE, "09:01", "09:02", "no usable value")]


def test_numbers_left_out_are_a_gap_and_a_purge_without_any_begins_where_it_is(read):
    assert told(read(log(70.0, 71.0, 72.0, numbers=(4, 5, 9)), "log.json")) == [
        (ROLE, "09:01", "09:02", "records missing")
    ]
    assert told(read(log(70.0, PURGED, 72.0, numbers=(4, 5, 6)), "log.json")) == [
        (ROLE, "09:01", "09:02", "buffer purged")
    ]
    assert told(read(log(70.0, 71.0, numbers=(2**32 - 1, 1)), "log.json")) == []


def test_what_the_reader_of_a_log_knows_to_be_lost(read):
    text = log(70.0, 71.0, at_0={"gap-from": "2025-01-31T07:15:00Z"})
    assert told(read(text, "log.json")) == [(ROLE, "07:15", "09:00", "records missing")]


def test_an_interruption_at_the_head_of_a_file_reaches_back_by_the_longest_silence(read):
    assert told(read(log(INTERRUPTED, 70.0), "log.json")) == [
        (ROLE, "03:00", "09:01", "log interrupted")
    ]


def test_a_second_record_of_the_same_stamp_with_a_value_stands(read):
    data = json.loads(log(70.0, NULL, 71.0))
    data[2]["timestamp"] = data[1]["timestamp"]
    result = read(json.dumps(data), "log.json")
    assert told(result) == []
    assert len(result.blocks["HX-01"]) == 2


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_row_of_a_list_that_says_no_value_ends_the_silence_before_it(read, newest_first):
    """As points logged on change are often exported: a row a change, and one where the point failed."""
    rows = [
        "PRI FLW T,2025-01-31T09:00:00Z,70.0,ok", "PRI RTN T,2025-01-31T09:00:00Z,45.0,ok",
        "PRI FLW T,2025-01-31T09:20:00Z,71.0,fault", "PRI FLW T,2025-01-31T10:05:00Z,,ok",
        "PRI FLW T,2025-01-31T11:00:00Z,72.0,ok", "PRI RTN T,2025-01-31T11:30:00Z,46.0,ok",
    ]  # fmt: skip
    if newest_first:
        rows.reverse()
    result = read("point,time,value,status\n" + "".join(r + "\n" for r in rows))
    assert told(result) == [(ROLE, "09:20", "11:00", "no usable value")]


def test_an_empty_cell_of_a_wide_table_is_no_gap(read):
    text = "time,PRI FLW T (degC),PRI RTN T (degC)\n" + "".join(
        f"2025-01-31T09:{m:02d}:00Z,{70 + m if m % 2 else ''},{45 + m}\n" for m in range(8)
    )
    assert read(text).gaps == {}


def test_status_of_a_multiple_log_is_that_of_its_members(read):
    def of(minute, number, data):
        return {
            "object-name": "both", "sequence-number": number, "log-data": data,
            "timestamp": f"2025-01-31T09:{minute:02d}:00Z",
        }  # fmt: skip

    from ingest.point_map import Point, PointMap

    points = PointMap(
        Point(name=f"both member {i}", tag="HX-01", role=role, unit="degC")
        for i, role in ((1, ROLE), (2, "primary_return_temperature"))
    )
    values = {"log-data": [{"real-value": 70.0}, {"real-value": 45.0}]}
    text = json.dumps([of(0, 1, values), of(1, 2, DISABLED), of(2, 3, values)])
    result = read(text, "log.json", points=points)
    assert sorted(told(result)) == [
        ("primary_return_temperature", "09:01", "09:02", "log disabled"),
        (ROLE, "09:01", "09:02", "log disabled"),
    ]
    assert result.findings.count(reason="records missing") == 0


def test_a_whole_log_has_no_gap(read):
    assert read(log(70.0, 71.0, 72.0, numbers=(4, 5, 6)), "log.json").gaps == {}


@given(
    st.lists(
        st.sampled_from(["good", "bad", "off", "cut", "purged", "on"]), min_size=1, max_size=30
    )
)
def test_gaps_lie_apart_and_hold_every_record_without_a_value(kinds):
    """However they follow each other: from a bad record to the next good one there is a gap."""
    n = len(kinds)
    when = np.datetime64("2025-01-31T09:00", "us") + np.arange(n) * np.timedelta64(60, "s")
    status = {"off": "log-disabled", "cut": "log-interrupted", "purged": "buffer-purged"}
    good = np.array([k == "good" for k in kinds])
    gaps = gaps_of_log(
        LogRecords(
            when=when, usable=good, valued=np.array([k in ("good", "bad") for k in kinds]),
            status=np.array([status.get(k, "") for k in kinds], dtype=object),
            sequence=np.arange(1.0, n + 1), lost_from=np.full(n, np.datetime64("NaT"), "datetime64[us]"),
        )
    )  # fmt: skip
    begin, end = (
        pd.DatetimeIndex(gaps[c]).tz_localize(None).to_numpy() for c in ("begin_utc", "end_utc")
    )
    assert (begin <= end).all()
    assert (begin[1:] >= end[:-1]).all()
    for i, kind in enumerate(kinds):
        held = ((begin <= when[i]) & (when[i] <= end)).any()
        assert held or kind in ("good", "on")
