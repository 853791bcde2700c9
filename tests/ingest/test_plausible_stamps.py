"""Stamps that no logger can have written by the time of the import."""

from datetime import UTC, datetime

import pytest

from analytics.vocabulary.errors import IngestError

NOW = datetime(2025, 10, 20, 12, tzinfo=UTC)
ROW = "2025-10-{day:02d} 10:00,60.5\n"
HEAD = "Time,PRI FLW T\n"


def test_a_stamp_of_a_clock_gone_wrong_is_refused_with_its_line(read):
    text = (
        HEAD
        + ROW.format(day=18)
        + "2085-10-19 10:00,61\n1989-10-19 10:00,62\n"
        + ROW.format(day=20)
    )
    found = read(text, importing_utc=NOW)
    assert len(found.blocks["HX-01"]) == 2
    said = [f for f in found.findings if f.reason == "implausible stamp"]
    assert [f.line for f in said] == [4, 3]
    assert "before 1990" in said[0].text
    assert "more than a day after" in said[1].text


def test_a_clock_less_than_a_day_ahead_is_taken(read):
    found = read(HEAD + ROW.format(day=20) + ROW.format(day=21), importing_utc=NOW)
    assert len(found.blocks["HX-01"]) == 2


def test_a_file_of_nothing_else_is_refused(read):
    with pytest.raises(IngestError, match="every stamp"):
        read(HEAD + "2085-10-19 10:00,61\n2085-10-19 11:00,61\n", importing_utc=NOW)
