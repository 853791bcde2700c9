"""An extract of a real substation's trend (source and licence: data/substation-extract.txt)."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from analytics.vocabulary.timebase import check_trends
from ingest.pipeline import examine, read_trends
from ingest.point_map import Point, PointMap
from ingest.rules import Rules

EXTRACT = Path(__file__).parent / "data" / "substation-extract.csv"
POINTS = PointMap(
    Point(name=name, tag="HX-04", role=role, unit=unit)
    for name, role, unit in (
        ("t_amb", "outdoor_temperature", "degC"),
        ("t_ref", "secondary_supply_set_point", "degC"),
        ("t_sup_prim", "primary_supply_temperature", "degC"),
        ("t_ret_prim", "primary_return_temperature", "degC"),
        ("t_sup_sec", "secondary_supply_temperature", "degC"),
        ("t_ret_sec", "secondary_return_temperature", "degC"),
        ("e", "heat_energy", "MWh"),
        ("pe", "heat_power", "kW"),
    )
)


@pytest.fixture
def rules():
    return Rules(zone=ZoneInfo("Europe/Belgrade"), points=POINTS)


def test_every_row_is_read(rules):
    rows = EXTRACT.read_text().strip().split("\n")[1:]
    result = read_trends(EXTRACT, EXTRACT.name, rules)
    frame = check_trends("HX-04", result.blocks["HX-04"])
    assert len(frame) == len(rows)
    assert result.examination.newest_first
    assert result.findings.count("refused") == 0
    # the newest row is the first of the file; midwinter offsets are an hour, summer's two
    newest = rows[0].split(",")
    assert newest[0] == "2023-10-31 23:00:00"
    assert str(frame.index[-1]) == "2023-10-31 22:00:00+00:00"
    assert frame["primary_supply_temperature"].iloc[-1] == float(newest[3])
    assert frame["heat_energy"].iloc[-1] == pytest.approx(float(newest[7]) * 3.6e9)
    oldest = rows[-1].split(",")
    assert oldest[0] == "2023-10-27 00:00:00"
    assert str(frame.index[0]) == "2023-10-26 22:00:00+00:00"


def test_doubled_hour_that_is_there_once_is_doubtful(rules):
    findings = read_trends(EXTRACT, EXTRACT.name, rules).findings
    (finding,) = [f for f in findings if f.severity == "doubtful"]
    assert finding.reason == "doubled hour"
    assert "2023-10-29 02:00:00" in EXTRACT.read_text().split("\n")[finding.line - 1]


def test_proposal_for_a_register_without_points():
    seen = examine(EXTRACT, EXTRACT.name, Rules(zone=ZoneInfo("Europe/Belgrade")))
    roles = {c.guess.role: c.heading for c in seen.columns if c.guess}
    assert roles == {role: name for name, role in ((p.name, p.role) for p in POINTS.points)}
