"""What cannot be read says so in a sentence; what can in part is counted to the line."""

import gzip
import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from analytics.vocabulary.errors import IngestError
from ingest.findings import KEPT_PER_REASON, Findings
from ingest.pipeline import read_trends

HEAD = "Time,PRI FLW T\n"
ROW = "2025-01-15 10:00,80.5\n"


def spreadsheet() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/workbook.xml", "<workbook/>")
    return packed.getvalue()


def two_files() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", HEAD + ROW)
        archive.writestr("b.csv", HEAD + ROW)
    return packed.getvalue()


REFUSED = {
    "empty": (b"", "is empty"),
    "blank": (b"\n \n\n", "is empty"),
    "header only": (HEAD.encode(), "no data"),
    "title and header": (b"Trend log\n" + HEAD.encode(), "no data"),
    "a row without a stamp": (b"a;b\n1;2\n", "no time column found"),
    "zeros": (HEAD.encode() + b"\0\1\2" * 100, "no text"),
    "spreadsheet": (spreadsheet(), "Export the trends as CSV"),
    "portable document": (b"%PDF-1.7 ...", "Export the trends as CSV"),
    "web page": (b"<!DOCTYPE html><html></html>", "Export the trends as CSV"),
    "two in a zip": (two_files(), "holds 2 files"),
    "cut gzip": (gzip.compress((HEAD + ROW * 5000).encode())[:-20], "cut short"),
    "no time": (b"PRI FLW T,PRI RTN T\n80,40\n81,41\n82,42\n", "no time column"),
    "nothing registered": (b"Time,foo,bar\n2025-01-15 10:00,1,2\n", "'foo', 'bar'"),
    "mixed zones": (
        b"Time,PRI FLW T\n2025-01-15 10:00:00,1\n2025-01-15T09:15:00Z,2\n",
        "line 3",
    ),
    "decimal comma between commas": (b"Time,PRI FLW T\n2025-01-15 10:00,80,5\n", "decimal comma"),
    "unit nobody knows": (b"Time,PRI FLW T,HM FLOW\n,degC,wibble/h\n,,\n2025-01-15 10:00,80,5\n", "wibble"),
    "month or day": (b"Time,PRI FLW T\n03/04/2025 10:00,1\n03/04/2025 10:15,2\n", "--date-order"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_a_sentence(read, case):
    data, says = REFUSED[case]
    with pytest.raises(IngestError) as raised:
        read(data)
    message = str(raised.value)
    assert says in message
    assert message.startswith("trend.csv")
    assert "\n" not in message.strip()
    assert message.endswith(".")


def test_both_readings_of_an_unclear_date_are_named(read):
    text = "Time,PRI FLW T\n03/04/2025 10:00,1\n03/04/2025 10:15,2\n"
    with pytest.raises(IngestError, match=r"2025-04-03.*2025-03-04"):
        read(text)
    assert str(read(text, date_order="mdy").blocks["HX-01"].index[0])[:10] == "2025-03-04"
    assert str(read(text, date_order="dmy").blocks["HX-01"].index[0])[:10] == "2025-04-03"


@pytest.mark.parametrize(
    ("form", "month_of_first"), [("{d:02d}/03/2025", 3), ("03/{d:02d}/2025", 3)]
)
def test_days_that_follow_on_each_other_settle_the_date(read, form, month_of_first):
    """Twelve days of March; read the other way the stamps would lie a month apart."""
    rows = [f"{form.format(d=d)} {h:02d}:00,{d}" for d in range(1, 13) for h in range(24)]
    result = read(HEAD + "\n".join(rows))
    index = result.blocks["HX-01"].index
    assert {t.month for t in index[2:]} == {month_of_first}
    assert "sure" in result.examination.date_format_why


def test_size_limit_counts_unpacked_bytes(read):
    packed = gzip.compress((HEAD + ROW * 100_000).encode())
    with pytest.raises(IngestError, match="month"):
        read(packed, bytes_most=1_000_000)
    with pytest.raises(IngestError, match="month"):
        read(HEAD + ROW * 1000, bytes_most=10_000)


def test_path_that_is_not_there(rules_of):
    with pytest.raises(IngestError, match="Check the path"):
        read_trends(Path("nowhere.csv"), "nowhere.csv", rules_of())


def test_unknown_exchanger(read):
    with pytest.raises(IngestError, match="HX-01, HX-02"):
        read(HEAD + ROW, only_tag="HX-77")


def test_files_of_another_name(read):
    from ingest.point_map import Point, PointMap

    points = PointMap(
        [Point(name="T1", tag="HX-01", role="outdoor_temperature", unit="degC", file="a*.csv")]
    )
    with pytest.raises(IngestError, match=r"a\*\.csv"):
        read("Time,T1\n2025-01-15 10:00,1\n", "b.csv", points=points)


def test_two_columns_for_one_role(read):
    with pytest.raises(IngestError, match="Keep one"):
        read("Time,PRI FLW T,pri flw t\n2025-01-15 10:00,1,2\n")


def test_bad_lines_are_refused_by_line_and_the_rest_is_read(read):
    text = (
        HEAD + "2025-01-15 10:00,80\n2025-01-15 10:15\n\n2025-01-15 10:30,81,9\n"
        "2025-01-15 10:45,8o\nyesterday,82\n2025-02-30 10:00,83\n2025-01-15 11:00,84\n"
    )
    result = read(text)
    assert result.blocks["HX-01"].iloc[:, 0].dropna().tolist() == [80, 84]
    found = {(f.line, f.reason) for f in result.findings if f.severity == "refused"}
    assert found == {
        (3, "number of cells"), (5, "number of cells"), (6, "number"), (7, "stamp"), (8, "stamp")
    }  # fmt: skip
    (cell,) = [f for f in result.findings if f.reason == "number"]
    assert cell.column == "PRI FLW T"
    assert "8o" in cell.text
    assert result.examination.refused == {"number of cells": 2, "number": 1, "stamp": 2}


def test_thousands_of_blank_lines_are_no_findings(read):
    result = read(HEAD + ROW + "\n" * 5000 + "2025-01-15 11:00,84\n" + ",\n" * 5000)
    assert len(result.blocks["HX-01"]) == 2
    assert result.findings.count("refused", "number of cells") == 0


def test_same_stamp_twice(read):
    text = "Time,PRI FLW T,PRI RTN T\n" + "".join(
        f"2025-01-15 {row}\n"
        for row in (
            "10:00,80,40",
            "10:00,80,40",
            "10:15,81,41",
            "10:15,82,41",
            "10:30,83,",
            "10:30,,43",
        )
    )
    result = read(text)
    frame = result.blocks["HX-01"]
    assert frame["primary_return_temperature"].tolist() == [40, 41, 43]
    assert np.isnan(frame["primary_supply_temperature"].iloc[1])
    assert frame["primary_supply_temperature"].iloc[2] == 83
    assert result.findings.counts("refused") == {"different values": 2}
    assert {f.line for f in result.findings if f.reason == "different values"} == {4, 5}


def test_counts_are_exact_and_examples_few(read):
    rows = "".join(f"2025-01-{d:02d} {h:02d}:{m:02d},bad{m}\n" for d in range(1, 5) for h in range(24) for m in range(60))  # fmt: skip
    result = read(HEAD + ROW + rows)
    assert result.findings.count("refused", "number") == 4 * 1440
    assert len([f for f in result.findings if f.reason == "number"]) == KEPT_PER_REASON


def test_findings_collect():
    findings = Findings()
    findings.add("a", "one", "note", line=3, count=4)
    findings.add_lines("a", "'{value}'", "refused", np.array([5, 6]), ["x", "y"], column="c")
    assert findings.count() == 6
    assert findings.counts("refused") == {"a": 2}
    assert [f.text for f in findings] == ["one", "'x'", "'y'"]
    assert findings.to_dict()["counts"]["note"] == {"a": 4}
