"""Local stamps to UTC around the changes of the clock, against the zone data itself."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.findings import Findings
from ingest.localtime import clock_changes, local_to_utc

CET = ZoneInfo("CET")


def table(stamps_utc, zone=CET, reverse=False):
    rows = [f"{t.astimezone(zone):%Y-%m-%d %H:%M:%S},{i}" for i, t in enumerate(stamps_utc)]
    return "Time,PRI FLW T\n" + "\n".join(reversed(rows) if reverse else rows) + "\n"


def every(minutes, start, hours):
    return [start + timedelta(minutes=m) for m in range(0, hours * 60, minutes)]


AUTUMN = datetime(2025, 10, 25, 12, tzinfo=UTC)
SPRING = datetime(2025, 3, 29, 12, tzinfo=UTC)


@pytest.mark.parametrize("zone", ["CET", "America/New_York", "Australia/Lord_Howe", "UTC"])
@pytest.mark.parametrize("minutes", [1, 15, 60])
@pytest.mark.parametrize("reverse", [False, True])
def test_whole_day_over_each_change_comes_back_in_utc(read, zone, minutes, reverse):
    """Lord Howe changes by half an hour, in April and October."""
    zone = ZoneInfo(zone)
    for start in (
        AUTUMN, SPRING, datetime(2025, 3, 8, 12, tzinfo=UTC), datetime(2025, 11, 1, 12, tzinfo=UTC),
        datetime(2025, 4, 5, 2, tzinfo=UTC), datetime(2025, 10, 4, 2, tzinfo=UTC),
    ):  # fmt: skip
        if zone.key == "Australia/Lord_Howe" and minutes == 60:
            continue  # an hourly log there shows no stamp twice: nothing could tell
        stamps = every(minutes, start, 24)
        result = read(table(stamps, zone, reverse), zone=zone)
        index = result.blocks["HX-01"].index
        assert [t.to_pydatetime() for t in index] == stamps
        assert result.blocks["HX-01"].iloc[:, 0].tolist() == list(range(len(stamps)))
        assert result.findings.count("refused") == 0
        assert result.findings.count("doubtful") == 0


def test_single_pass_through_the_doubled_hour_is_doubtful(read):
    rows = "".join(f"2025-10-26 0{h}:{m:02d},{h}\n" for h in range(5) for m in (0, 15, 30, 45))
    result = read("Time,PRI FLW T\n" + rows)
    assert result.findings.counts("doubtful") == {"doubled hour": 4}
    assert result.examination.clock_evidence["unresolved"] == 4
    index = result.blocks["HX-01"].index
    assert index.is_unique
    assert pd.Timestamp("2025-10-26T00:00Z") in index  # the first pass, summer time


def test_file_that_begins_in_the_second_pass(read):
    text = "Time,PRI FLW T\n2025-10-26 02:30,1\n2025-10-26 02:45,2\n2025-10-26 03:00,3\n2025-10-26 03:15,4\n"
    index = read(text).blocks["HX-01"].index
    assert str(index[0]) == "2025-10-26 01:30:00+00:00"


def test_stamps_by_change_of_value_fall_back_once(read):
    clock = ("01:55", "02:10", "02:40", "02:05", "02:50", "03:01")
    text = "Time,PRI FLW T\n" + "".join(f"2025-10-26 {c},{i}\n" for i, c in enumerate(clock))
    index = read(text).blocks["HX-01"].index
    assert [str(t)[8:16] for t in index] == [
        "25 23:55", "26 00:10", "26 00:40", "26 01:05", "26 01:50", "26 02:01"
    ]  # fmt: skip


def test_zone_words_settle_the_doubled_hour(read):
    text = "Time,PRI FLW T\n26-Oct-25 2:30:00 AM CEST,1\n26-Oct-25 2:30:00 AM CET,2\n"
    index = read(text).blocks["HX-01"].index
    assert [str(t)[11:16] for t in index] == ["00:30", "01:30"]


def test_stamp_in_the_missing_hour_is_refused(read):
    text = "Time,PRI FLW T\n2025-03-30 01:45,1\n2025-03-30 02:30,2\n2025-03-30 03:00,3\n2025-03-30 03:15,4\n"
    result = read(text)
    assert result.findings.counts("refused") == {"missing hour": 1}
    (finding,) = [f for f in result.findings if f.reason == "missing hour"]
    assert finding.line == 3
    assert "2025-03-30 02:30:00" in finding.text
    assert result.blocks["HX-01"].iloc[:, 0].tolist() == [1, 3, 4]


def test_clock_that_never_changes_is_told_and_asked(read):
    fixed = ZoneInfo("Etc/GMT-1")
    stamps = every(15, datetime(2025, 3, 1, tzinfo=UTC), 24 * 60)
    result = read(table(stamps, fixed))
    assert result.findings.counts("doubtful") == {"clock never changes": 1}
    assert "--time-zone" in result.examination.questions[0]
    assert [t.to_pydatetime() for t in result.blocks["HX-01"].index] == stamps


def test_changes_of_a_zone_are_those_of_the_zone_data():
    """In the zone CET clocks change at 01:00 UTC on the last Sundays of March and October."""
    offset, changes = clock_changes(
        CET, np.datetime64("2024-01-01", "us"), np.datetime64("2025-12-31", "us")
    )
    assert offset == 3600
    assert [str(c.time_utc)[:16] for c in changes] == [
        "2024-03-31T01:00", "2024-10-27T01:00", "2025-03-30T01:00", "2025-10-26T01:00"
    ]  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(
    start=st.datetimes(datetime(2000, 1, 1), datetime(2035, 1, 1)),  # noqa: DTZ001 - made aware below
    step_min=st.sampled_from([1, 5, 15, 30, 60]),
    zone=st.sampled_from(["CET", "Europe/Lisbon", "America/Chicago", "Asia/Kolkata", "Pacific/Auckland"]),
    newest_first=st.booleans(),
)  # fmt: skip
def test_regular_series_round_trip(start, step_min, zone, newest_first):
    """A log of ten days, as zoneinfo shows it on the wall, comes back as it was."""
    begin = start.replace(second=0, microsecond=0, tzinfo=UTC)
    begin -= timedelta(minutes=begin.minute % step_min)
    stamps = [begin + timedelta(minutes=step_min * i) for i in range(10 * 1440 // step_min)]
    wall = [t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in stamps]
    local = np.array(wall, dtype="datetime64[us]")
    if newest_first:
        local = local[::-1]
    # the log may begin or end within a doubled hour; the rest must be right
    utc, refused, _ = local_to_utc(
        local, ZoneInfo(zone), np.zeros(len(local), dtype=np.int64),
        np.arange(len(local)), Findings(), column="Time", newest_first=newest_first,
    )  # fmt: skip
    expected = np.array([t.replace(tzinfo=None) for t in stamps], dtype="datetime64[us]")
    if newest_first:
        expected = expected[::-1]
    margin = 120 // step_min
    assert not refused.any()
    assert (utc[margin:-margin] == expected[margin:-margin]).all()


def test_a_winter_time_logger_in_october_alone_is_asked(look):
    """Nothing but October: the clock that stays on +01:00 shows the doubled hour once."""
    fixed = ZoneInfo("Etc/GMT-1")
    stamps = every(15, datetime(2025, 10, 1, tzinfo=UTC), 24 * 31)
    (question,) = look(table(stamps, fixed)).questions
    assert "--time-zone" in question
    assert "once" in question


@pytest.mark.parametrize("stated", ["+01:00", "CET", "UTC"])
def test_the_answer_settles_the_october_question(look, stated):
    stamps = every(15, datetime(2025, 10, 1, tzinfo=UTC), 24 * 31)
    assert look(table(stamps, ZoneInfo("Etc/GMT-1")), time_zone=stated).questions == []


def test_october_with_both_passes_is_not_asked(look):
    stamps = every(15, datetime(2025, 10, 1, tzinfo=UTC), 24 * 31)
    assert look(table(stamps)).questions == []


def test_a_clock_that_jumps_in_spring_is_not_asked_in_autumn(look):
    """Half a year of hourly local stamps from which the second pass was dropped."""
    stamps = every(60, datetime(2025, 3, 1, tzinfo=UTC), 24 * 270)
    lost = [s for s in stamps if s != datetime(2025, 10, 26, 1, tzinfo=UTC)]
    assert look(table(lost)).questions == []


def test_repeats_that_stand_side_by_side_are_told_apart(read):
    """An export sorted by its local stamps: 02:00 02:00 02:15 02:15 ..."""
    stamps = every(15, AUTUMN, 24)
    rows = sorted((f"{t.astimezone(CET):%Y-%m-%d %H:%M:%S}", i) for i, t in enumerate(stamps))
    text = "Time,PRI FLW T\n" + "".join(f"{clock},{i}\n" for clock, i in rows)
    frame = read(text).blocks["HX-01"]
    assert [t.to_pydatetime() for t in frame.index] == stamps
    assert frame.iloc[:, 0].tolist() == list(range(len(stamps)))


def test_offsets_that_change_within_a_file_each_count(read):
    stamps = every(15, AUTUMN, 24)
    rows = [f"{t.astimezone(CET).isoformat()},{i}" for i, t in enumerate(stamps)]
    result = read("Time,PRI FLW T\n" + "\n".join(rows) + "\n")
    assert [t.to_pydatetime() for t in result.blocks["HX-01"].index] == stamps
    assert "+1 h, +2 h" in result.examination.clock


JUNE, WINTER = datetime(2025, 6, 2, tzinfo=UTC), datetime(2025, 12, 1, tzinfo=UTC)


def test_summer_stamps_without_a_change_say_once_which_clock_was_taken(read):
    result = read(table(every(15, JUNE, 24 * 20)))
    assert result.findings.counts("note")["clock assumed"] == 1
    (finding,) = [f for f in result.findings if f.reason == "clock assumed"]
    assert "CET, the site's zone, +02:00 then" in finding.text
    assert 'logger_time_zone = "+01:00"' in finding.text
    assert result.examination.clock_note == finding.text
    assert result.examination.questions == []


@pytest.mark.parametrize(
    ("start", "hours", "zone", "stated"),
    [
        (WINTER, 24 * 20, CET, None),  # winter time is what the site shows as well
        (SPRING - timedelta(days=3), 24 * 10, CET, None),  # the change itself is there
        (JUNE, 24 * 20, CET, "CET"),
        (JUNE, 24 * 20, CET, "+01:00"),
        (JUNE, 24 * 20, ZoneInfo("UTC"), None),
    ],
)
def test_nothing_is_said_where_nothing_is_assumed(read, start, hours, zone, stated):
    result = read(table(every(15, start, hours), zone), zone=zone, time_zone=stated)
    assert "clock assumed" not in result.findings.counts("note")
    assert result.examination.clock_note == ""


def test_stamps_with_offsets_or_a_zone_in_the_heading_assume_nothing(read):
    rows = "".join(f"2025-06-0{d}T12:00:00+02:00,{d}\n" for d in range(1, 9))
    assert read("Time,PRI FLW T\n" + rows).examination.clock_note == ""
    rows = rows.replace("+02:00", "")
    assert read("Time (UTC),PRI FLW T\n" + rows).examination.clock_note == ""
    assert read("Time,PRI FLW T\n" + rows).examination.clock_note != ""
