"""Gaps on their way from log records through the database into the assessment, on both databases."""

import asyncio
import json

import numpy as np
import pandas as pd

from service.store import evaluations, gaps
from service.usecases.assessing import assess
from service.usecases.bacnet import fetch_log
from service.usecases.files import ImportOptions
from service.usecases.importing import store_file
from service.usecases.rereading import reread
from tests.service.test_bacnet import LOG, MadeUpDevice

START = pd.Timestamp("2025-10-01", tz="UTC")
POINTS = {
    "A.HX1.PRI FLW T": 85.0, "A.HX1.PRI RTN T": 45.0, "A.HX1.SEC FLW T": 65.0,
    "A.HX1.SEC RTN T": 40.0, "A.HX1.HM FLOW": 8.0,
}  # fmt: skip
OFF = ("A.HX1.PRI FLW T", 30.0)  # point, hour at which its log is switched off
SILENT_TO = 36.0
UNITS = {"A.HX1.HM FLOW": "cubic-meters-per-hour"}


def record(point, hour, datum):
    stamp = START + pd.Timedelta(hours=float(hour))
    return {
        "object-name": point, "timestamp": stamp.isoformat(), "log-datum": datum,
        "units": UNITS.get(point, "degrees-celsius"),
    }  # fmt: skip


def logged(*, told: bool) -> bytes:
    """Two days on change of value; from hour 29 to 36 one log is silent, which is told or not."""
    rng = np.random.default_rng(6)
    records = []
    for point, level in POINTS.items():
        hours = np.sort(rng.uniform(0, 48, 200))
        if point == OFF[0]:
            hours = hours[(hours < OFF[1] - 1) | (hours > SILENT_TO)]
        records += [
            record(point, h, {"real-value": round(level + rng.normal(0, 0.4), 2)}) for h in hours
        ]
        if point == OFF[0] and told:
            records.append(record(point, OFF[1], {"log-status": ["log-disabled"]}))
    records.sort(key=lambda r: r["timestamp"])
    return "".join(json.dumps(r) + "\n" for r in records).encode()


def stored(ledger):
    with ledger.store.reading() as connection:
        return gaps.load_gaps(connection, "HX-01")


def supply(ledger):
    with ledger.store.reading() as connection:
        frame = evaluations.load_evaluation(connection, "HX-01").intervals
    return frame["primary_supply_temperature"].resample("1h").count() > 0


def keep(ledger, *, told):
    options = ImportOptions(accept=True)
    return store_file(ledger.store, f"log {told}.jsonl", logged(told=told), options)


def test_a_log_that_was_off_is_not_held_over(ledger):
    keep(ledger, told=True)
    (row,) = stored(ledger).itertuples(index=False)
    assert (row.role, row.reason) == ("primary_supply_temperature", "log disabled")
    assert row.begin_utc == START + pd.Timedelta(hours=OFF[1])
    assert START + pd.Timedelta(hours=36) < row.end_utc < START + pd.Timedelta(hours=37)
    assess(ledger.store, workers=1)
    shown = supply(ledger)
    assert shown.iloc[29]
    assert not shown.iloc[31:36].any()


def test_gaps_can_be_exported(ledger):
    from service.usecases.exporting import encoded, export_frame

    assert export_frame(ledger.store, "HX-01", "gaps").empty
    keep(ledger, told=True)
    head, row = encoded(export_frame(ledger.store, "HX-01", "gaps"), "csv").decode().splitlines()
    assert head == "begin_utc,role,end_utc,reason"
    assert row.startswith("2025-10-02T06:00:00Z,primary_supply_temperature,2025-10-02T12:")
    assert row.endswith("Z,log disabled")


def test_the_same_silence_without_a_word_is_held(ledger):
    keep(ledger, told=False)
    assert stored(ledger).empty
    assess(ledger.store, workers=1)
    assert supply(ledger).iloc[30:34].all()


def test_a_gap_is_stored_once_makes_the_assessment_old_and_outlives_a_rereading(ledger):
    keep(ledger, told=False)
    assess(ledger.store, workers=1)
    assert assess(ledger.store, workers=1).unchanged == ("HX-01",)
    assert keep(ledger, told=True).new_values == 0  # the same readings and the gap
    assert assess(ledger.store, workers=1).assessed == ("HX-01",)
    assert not supply(ledger).iloc[31:36].any()
    before = stored(ledger)
    with ledger.store.writing() as connection:
        assert gaps.store_gaps(connection, "HX-01", before) == 0
        longer = before.assign(end_utc=before["end_utc"] + pd.Timedelta(hours=1))
        assert gaps.store_gaps(connection, "HX-01", longer) == 1
        assert gaps.store_gaps(connection, "HX-01", before) == 0
    assert len(stored(ledger)) == 1
    reread(ledger.store)
    pd.testing.assert_frame_equal(stored(ledger), before)


def test_a_gap_reopens_the_days_on_which_it_begins_and_ends():
    from service.usecases.reopening import day_marks, reopened

    index = pd.date_range(START, periods=5 * 24, freq="1h", name="time_utc")
    trends = pd.DataFrame({"primary_supply_temperature": 70.0}, index=index)

    def gap(begin_h, end_h, role="primary_supply_temperature"):
        begin, end = (START + pd.Timedelta(hours=h) for h in (begin_h, end_h))
        return pd.DataFrame(
            {"role": [role], "begin_utc": [begin], "end_utc": [end], "reason": ["log disabled"]}
        )

    through = index[-1].to_pydatetime()
    whole = day_marks(trends)
    (found,) = reopened(whole, day_marks(trends, gap(46, 50)), through)
    assert (found.kind, found.days) == ("corrected", 2)
    assert (found.first_utc.day, found.last_utc.day) == (2, 3)
    (found,) = reopened(whole, day_marks(trends, gap(25, 30)), through)
    assert (found.days, found.first_utc.day) == (1, 2)
    assert reopened(day_marks(trends, gap(25, 30)), day_marks(trends, gap(25, 30)), through) == ()
    for other in (gap(25, 31), gap(26, 30), gap(25, 30, "primary_return_temperature")):
        assert reopened(day_marks(trends, gap(25, 30)), day_marks(trends, other), through)
    assert np.array_equal(whole, day_marks(trends, gap(500, 510)))  # of no day with readings


def test_what_a_device_overwrote_is_a_gap_from_the_last_record_read(ledger):
    device = MadeUpDevice(size=100)
    device.log(50)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    assert stored(ledger).empty
    device.log(286)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    (row,) = stored(ledger).itertuples(index=False)
    # the 50th and the 237th minute after midnight of 1 October in the zone CET
    assert str(row.begin_utc) == "2025-09-30 22:50:00+00:00"
    assert str(row.end_utc) == "2025-10-01 01:57:00+00:00"
    assert row.reason == "records missing"


def test_an_interruption_at_the_head_of_a_page_is_about_the_record_before(ledger):
    device = MadeUpDevice()
    device.log(20)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    device.log(1, {"log-status": ["log-interrupted"]})
    device.log(9)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    (row,) = stored(ledger).itertuples(index=False)
    assert str(row.begin_utc) == "2025-09-30 22:20:00+00:00"
    assert str(row.end_utc) == "2025-09-30 22:22:00+00:00"


def test_a_purge_after_which_the_numbers_go_on_loses_nothing_before_it(ledger):
    device = MadeUpDevice()
    device.log(20)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    device.ring = []
    device.log(1, {"log-status": ["buffer-purged"]})
    device.log(9)
    asyncio.run(fetch_log(ledger.store, device, LOG, 10))
    (row,) = stored(ledger).itertuples(index=False)
    assert str(row.begin_utc) == "2025-09-30 22:21:00+00:00"
