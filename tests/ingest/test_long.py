"""Long tables: a row for each value."""

import numpy as np
import pytest

from analytics.vocabulary.errors import IngestError

LONG = """Timestamp,Point Name,Value
2025-01-15 10:00:00,PRI FLW T,80.5
2025-01-15 10:00:00,HM FLOW,3.6
2025-01-15 10:15:00,PRI FLW T,81.5
2025-01-15 10:15:00,HM FLOW,7.2
2025-01-15 10:20:00,Somewhere else,1
"""


def test_plain(read):
    result = read(LONG)
    frame = result.blocks["HX-01"]
    assert result.examination.shape == "long"
    assert frame["primary_supply_temperature"].tolist() == [80.5, 81.5]
    assert frame["primary_flow"].tolist() == pytest.approx([0.001, 0.002])
    left = [c for c in result.examination.columns if c.left_out]
    assert [c.heading for c in left] == ["Somewhere else"]


@pytest.mark.parametrize(
    ("header", "form"),
    [
        ("Value,Time,Name", "{v},{t},{p}"),
        ("Name,Value,Time", "{p},{v},{t}"),
        ("id,Datenpunkt,Wert,Zeit", "7,{p},{v},{t}"),
        ("Tid,Punkt,Værdi", "{t},{p},{v}"),
        ("a,b,c", "{t},{p},{v}"),  # only the points' names tell
    ],
)
def test_any_order_and_heading(read, header, form):
    rows = [
        form.format(t=f"2025-01-15 {h:02d}:00", p=p, v=v)
        for h, p, v in ((10, "PRI FLW T", 80), (10, "OAT", -3), (11, "PRI FLW T", 81))
    ]
    frame = read("\n".join([header, *rows, ""])).blocks["HX-01"]
    assert frame["primary_supply_temperature"].tolist() == [80, 81]
    assert frame["outdoor_temperature"].tolist()[0] == -3
    assert np.isnan(frame["outdoor_temperature"].iloc[1])


def test_without_header(read):
    frame = read(LONG.split("\n", 1)[1]).blocks["HX-01"]
    assert frame["primary_supply_temperature"].tolist() == [80.5, 81.5]


def test_points_logged_at_different_times_are_joined(read):
    text = "time;point;value\n15.01.2025 10:00;PRI FLW T;80,5\n15.01.2025 10:07;HM FLOW;3,6\n"
    frame = read(text).blocks["HX-01"]
    assert len(frame) == 2
    assert frame["primary_flow"].isna().tolist() == [True, False]


def test_unit_column_beats_the_register(read):
    text = "time,point,value,unit\n2025-01-15 10:00,HM FLOW,2,l/s\n2025-01-15 10:00,PRI FLW T,176,degF\n"
    result = read(text)
    assert result.blocks["HX-01"].iloc[0].tolist() == pytest.approx([0.002, 80.0])
    assert result.findings.count("doubtful", "unit differs") == 2
    assert all("register" in f.text for f in result.findings if f.reason == "unit differs")


def test_unit_that_changes_within_a_point(read):
    text = "time,point,value,unit\n2025-01-15 10:00,PRI FLW T,80,degC\n2025-01-15 11:00,PRI FLW T,176,degF\n"
    frame = read(text).blocks["HX-01"]
    assert frame["primary_supply_temperature"].tolist() == pytest.approx([80.0, 80.0])


def test_unknown_unit_names_line_and_spellings(read):
    text = "time,point,value,unit\n2025-01-15 10:00,PRI FLW T,80,wibble\n"
    with pytest.raises(IngestError, match=r"line 2.*'wibble'.*m3/h"):
        read(text)


def test_state_column(read):
    text = (
        "time,point,value,status\n2025-01-15 10:00,PRI FLW T,80,{ok}\n"
        "2025-01-15 10:15,PRI FLW T,81,{fault}\n2025-01-15 10:30,PRI FLW T,82,{ok}\n"
    )
    result = read(text)
    assert result.blocks["HX-01"]["primary_supply_temperature"].tolist() == [80, 82]
    assert result.findings.counts("refused") == {"state": 1}
    (finding,) = [f for f in result.findings if f.severity == "refused"]
    assert (finding.line, finding.column) == (3, "PRI FLW T")


def test_all_points_unknown(read):
    with pytest.raises(IngestError, match=r"point names.*'B1 T7'.*\[exchanger.points\]"):
        read("time,point,value\n2025-01-15 10:00,B1 T7,80\n2025-01-15 10:15,B1 T7,81\n")


def test_doubled_hour_is_resolved_for_each_point(read):
    """Two points, each twice through the hour from 02:00; clocks go back on 26 October 2025."""
    rows = [
        f"2025-10-26 {clock},{point},{value}"
        for clock, value in (("01:30", 1), ("02:00", 2), ("02:30", 3), ("02:00", 4), ("02:30", 5), ("03:00", 6))
        for point in ("PRI FLW T", "PRI RTN T")
    ]  # fmt: skip
    result = read("time,point,value\n" + "\n".join(rows) + "\n")
    frame = result.blocks["HX-01"]
    assert [str(t)[8:16] for t in frame.index] == [
        "25 23:30", "26 00:00", "26 00:30", "26 01:00", "26 01:30", "26 02:00"
    ]  # fmt: skip
    assert frame["primary_return_temperature"].tolist() == [1, 2, 3, 4, 5, 6]
    assert result.findings.count("doubtful") == 0
