"""What a user can have done, on both databases."""

import gzip
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.vocabulary.errors import IngestError, PlateledgerError, RegisterError
from analytics.vocabulary.records import (
    AlertEvent,
    CauseKind,
    Deed,
    Estimate,
    MaintenanceEvent,
    Remark,
    VerdictKind,
)
from service.alerts.lifecycle import DATA_STOPPED, AlertState, merge, needs_a_person
from service.settings import Settings
from service.usecases.assessing import assess
from service.usecases.demo import prepare_demo
from service.usecases.ledger import ImportOptions, Ledger
from service.usecases.ranking import month_at_stake, rank
from service.usecases.status import list_status
from service.usecases.workspace import check_register, init_workspace
from tests.service import made_up

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
OPTIONS = ImportOptions()


def deposit_for(exchanger, trends, events):
    """Stand in for the analysis: a finished answer that tells what it was asked."""
    through = trends.index[-1].to_pydatetime()
    return replace(made_up.deposit(exchanger.tag), through_utc=through)


# --- workspace -------------------------------------------------------------------------------------


def test_init_writes_a_register_that_is_right_and_never_overwrites(tmp_path):
    settings = Settings(workspace=tmp_path / "new" / "plant")
    written = init_workspace(settings)
    assert [p.name for p in written] == ["plant.toml", "maintenance.csv"]
    assert [e.tag for e in check_register(settings).exchangers] == ["HX-01"]
    with pytest.raises(RegisterError, match="stays as it is"):
        init_workspace(settings)


def test_loading_a_register_that_is_wrong_changes_nothing(ledger, workspace):
    before = ledger.plant()
    path = workspace / "plant.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("area_m2", "aera_m2"), encoding="utf-8"
    )
    with pytest.raises(RegisterError, match="aera_m2"):
        ledger.load_register()
    assert ledger.plant() == before


def test_log_of_the_file_and_of_the_command_end_in_one_place(ledger, workspace):
    (workspace / "maintenance.csv").write_text(
        "tag,date,deed\nHX-01,2025-12-01,cleaned in place\n", encoding="utf-8"
    )
    assert ledger.load_register().new_log_entries == 1
    assert ledger.load_register().new_log_entries == 0
    event = MaintenanceEvent(tag="HX-01", at_utc=NOW, deed=Deed.OTHER, note="gasket wept")
    assert ledger.add_event(event)
    assert not ledger.add_event(event)
    assert [e.deed for e in ledger.events()] == [Deed.CLEANED_IN_PLACE, Deed.OTHER]


def test_an_exchanger_added_by_the_page_stands_in_file_and_ledger(ledger, workspace):
    assert ledger.add_exchanger({"tag": "HX-02", "building": "Block B"}).new_tags == ("HX-02",)
    ledger.set_point("HX-02", "primary_flow", point="B.FLOW", unit="l/s")
    assert [p.name for p in ledger.plant().points if p.tag == "HX-02"] == ["B.FLOW"]
    assert "# stainless steel" in (workspace / "plant.toml").read_text(encoding="utf-8")


# --- import ----------------------------------------------------------------------------------------


def test_a_check_tells_and_stores_nothing(ledger, write_trends):
    check = ledger.import_check("oct.csv", write_trends().encode(), OPTIONS)
    assert check.tags == ("HX-01",)
    assert (check.rows, check.new_rows, check.new_values) == (48, 48, 48 * 6)
    assert check.questions == ()
    assert check.stored_before_utc is None
    assert ledger.readings("HX-01").empty


def test_stored_readings_are_in_SI_and_UTC(ledger, write_trends):
    done = ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    assert (done.repeated, done.new_rows, done.tags) == (False, 48, ("HX-01",))
    frame = ledger.readings("HX-01")
    # CET keeps summer time on 1 October: midnight is 22:00 UTC the day before
    assert frame.index[0] == pd.Timestamp("2025-09-30 22:00", tz="UTC")
    assert frame["primary_supply_temperature"].iloc[0] == 80.0
    assert frame["primary_flow"].iloc[0] == pytest.approx(8.0 / 3600)
    assert [r["name"] for r in ledger.import_runs()] == ["oct.csv"]


def test_the_same_file_twice_stores_nothing_twice(ledger, write_trends):
    data = write_trends().encode()
    first = ledger.import_store("oct.csv", data, OPTIONS)
    again = ledger.import_store("copy of oct.csv", data, OPTIONS)
    assert (again.repeated, again.new_rows, again.run) == (True, 0, first.run)
    assert len(ledger.import_runs()) == 1
    check = ledger.import_check("oct.csv", data, OPTIONS)
    assert check.stored_before_utc == first.stored_utc
    packed = ledger.import_store("oct.csv.gz", gzip.compress(data), OPTIONS)
    assert (packed.new_rows, packed.new_values, packed.changed_values) == (0, 0, 0)


def test_overlapping_files_merge_in_any_order(ledger, write_trends):
    late = write_trends("2025-10-02", 48)
    early = write_trends("2025-10-01", 48, supply_degC=81.0)
    ledger.import_store("late.csv", late.encode(), OPTIONS)
    done = ledger.import_store("early.csv", early.encode(), OPTIONS)
    # the second day is in both files; there the supply temperature differs, so the newer import wins
    assert (done.new_rows, done.changed_values) == (24, 24)
    frame = ledger.readings("HX-01")
    assert len(frame) == 72
    assert frame["primary_supply_temperature"].iloc[24] == 81.0
    assert frame["primary_supply_temperature"].iloc[48] == 80.0


def test_a_unit_stated_by_the_user_reads_the_file_anew(ledger, write_trends):
    data = write_trends().encode()
    ledger.import_store("oct.csv", data, OPTIONS)
    stated = ImportOptions(units={"A.HX1.HM FLOW": "l/s"})
    done = ledger.import_store("oct.csv", data, stated)
    assert (done.repeated, done.changed_values) == (False, 48)
    assert ledger.readings("HX-01")["primary_flow"].iloc[0] == pytest.approx(8.0 / 1000)


def test_lines_that_cannot_be_used_are_listed_with_their_numbers(ledger, write_trends):
    lines = write_trends().splitlines()
    lines[5] = "no date at all" + lines[5][19:]
    done = ledger.import_store("oct.csv", "\n".join([*lines, ""]).encode(), OPTIONS)
    assert (done.rows, done.refused_rows) == (47, 1)
    assert any(f["line"] == 6 and f["severity"] == "refused" for f in ledger.findings(done.run))


def test_a_file_of_unknown_points_says_so_and_stores_nothing(ledger):
    data = b"Time,Elsewhere\n2025-10-01 00:00:00,1\n2025-10-01 01:00:00,2\n"
    check = ledger.import_check("x.csv", data, OPTIONS)
    assert (check.tags, check.rows) == ((), 0)
    with pytest.raises(IngestError, match="nothing is stored"):
        ledger.import_store("x.csv", data, OPTIONS)
    assert ledger.import_runs() == ()


def test_a_question_that_is_open_stops_the_import(ledger, write_trends):
    """All days and months up to 12: the order of the dates cannot be known."""
    data = write_trends("2025-10-01", 24).replace("2025-10-01", "01/10/2025").encode()
    for verb in (ledger.import_check, ledger.import_store):
        with pytest.raises(IngestError, match="--date-order dmy or --date-order mdy"):
            verb("us.csv", data, OPTIONS)
    assert ledger.readings("HX-01").empty
    done = ledger.import_store("us.csv", data, ImportOptions(date_order="dmy"))
    assert done.new_rows == 24
    assert ledger.readings("HX-01").index[0] == pd.Timestamp("2025-09-30 22:00", tz="UTC")


def test_a_doubt_stops_the_import_until_it_is_answered_or_accepted(ledger, write_trends):
    """Network water of 200 degC is none that a building sees: the unit is doubted."""
    data = write_trends(supply_degC=180.0).replace("OAT", "Other").encode()
    check = ledger.import_check("odd.csv", data, OPTIONS)
    assert any("A.HX1.PRI FLW T" in q for q in check.questions)
    with pytest.raises(IngestError, match="nothing is stored before"):
        ledger.import_store("odd.csv", data, OPTIONS)
    assert ledger.readings("HX-01").empty
    assert ledger.import_store("odd.csv", data, ImportOptions(accept=True)).new_rows == 48
    assert ledger.import_store("odd.csv", data, OPTIONS).repeated


def test_an_unknown_exchanger_is_proposed_the_nearest(ledger, write_trends):
    with pytest.raises(RegisterError, match='Did you mean "HX-01"'):
        ledger.import_check("oct.csv", write_trends().encode(), ImportOptions(exchanger="HX-1"))


# --- assess ----------------------------------------------------------------------------------------


def run(ledger, **more):
    more.setdefault("evaluate", deposit_for)
    return assess(ledger.store, workers=1, **more)


def test_only_what_changed_is_assessed_again(ledger, write_trends):
    assert run(ledger).without_readings == ("HX-01",)
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    assert run(ledger).assessed == ("HX-01",)
    assert run(ledger).unchanged == ("HX-01",)
    assert run(ledger, again=True).assessed == ("HX-01",)
    ledger.import_store("more.csv", write_trends("2025-10-03").encode(), OPTIONS)
    assert run(ledger).assessed == ("HX-01",)
    ledger.add_event(MaintenanceEvent(tag="HX-01", at_utc=NOW, deed=Deed.OTHER))
    assert run(ledger).assessed == ("HX-01",)
    ledger.add_exchanger({"tag": "HX-02"})
    outcome = run(ledger)
    assert (outcome.unchanged, outcome.without_readings) == (("HX-01",), ("HX-02",))


def test_an_evaluation_is_there_with_its_frames(ledger, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    assert ledger.evaluation("HX-01") is None
    run(ledger)
    whole, listed = ledger.evaluation("HX-01"), ledger.evaluations()[0]
    assert whole.verdict == listed.verdict == made_up.deposit("HX-01").verdict
    assert len(whole.intervals) == len(made_up.deposit("HX-01").intervals)
    assert listed.intervals.empty
    start = whole.intervals.index[10].to_pydatetime()
    part = ledger.intervals("HX-01", start, start + timedelta(hours=1))
    assert part.index[0] == start
    assert part.index[-1] < start + timedelta(hours=1)


def test_an_exchanger_that_fails_costs_the_others_nothing(ledger, write_trends):
    ledger.add_exchanger({"tag": "HX-02"})
    ledger.set_point("HX-02", "outdoor_temperature", point="OAT", unit="degC")
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)

    def one_fails(exchanger, trends, events):
        if exchanger.tag == "HX-01":
            raise ZeroDivisionError("made up")
        return deposit_for(exchanger, trends, events)

    outcome = run(ledger, evaluate=one_fails)
    assert outcome.assessed == ("HX-02",)
    assert "made up" in outcome.failed["HX-01"]


@pytest.fixture
def file_ledger(workspace):
    """A ledger in the workspace's own file, as most people have it."""
    opened = Ledger.open(Settings(workspace=workspace, workers=2))
    opened.load_register()
    yield opened
    opened.close()


@pytest.mark.slow
def test_the_real_analysis_in_two_processes(file_ledger, write_trends):
    """Two days are too few to conclude anything; the verdict says so and the account is stored."""
    file_ledger.add_exchanger({"tag": "HX-02"})
    file_ledger.set_point("HX-02", "outdoor_temperature", point="OAT", unit="degC")
    file_ledger.import_store("oct.csv", write_trends(step_min=15).encode(), OPTIONS)
    file_ledger.assess_soon()
    assert file_ledger.working_on() == ("HX-01", "HX-02")
    file_ledger.close()  # waits for what runs in the background
    assert file_ledger.working_on() == ()
    verdicts = {e.tag: e.verdict.kind for e in file_ledger.evaluations()}
    assert verdicts == dict.fromkeys(("HX-01", "HX-02"), VerdictKind.CANNOT_TELL)
    for status in list_status(file_ledger):
        assert status.cleanliness_factor.value is None
        assert status.cleanliness_factor.reason


# --- alerts ----------------------------------------------------------------------------------------


def alert_event(raised, ended=None, kind=CauseKind.DEPOSIT, subject=None):
    return AlertEvent(
        kind=kind,
        subject=subject,
        raised_utc=raised,
        ended_utc=ended,
        remark=Remark(code="made_up"),
    )


def with_alerts(*events):
    return lambda x, t, e: replace(deposit_for(x, t, e), alerts=events)


def test_what_a_person_did_outlives_a_new_assessment(ledger, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    run(ledger, evaluate=with_alerts(alert_event(NOW)))
    (alert,) = ledger.alerts()
    assert needs_a_person(alert, NOW)
    ledger.acknowledge_alert(alert.number, by="A. Reader")
    moved = alert_event(NOW + timedelta(days=2), ended=NOW + timedelta(days=9))
    run(ledger, evaluate=with_alerts(moved), again=True)
    (after,) = ledger.alerts("HX-01")
    assert (after.number, after.acknowledged_by) == (alert.number, "A. Reader")
    assert after.raised_utc == NOW + timedelta(days=2)
    assert after.state(NOW + timedelta(days=10)) is AlertState.NORMAL
    run(ledger, evaluate=with_alerts(), again=True)
    assert ledger.alerts()[0].withdrawn_utc is not None


def test_shelf_and_service(ledger, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    run(ledger, evaluate=with_alerts(alert_event(NOW)))
    number = ledger.alerts()[0].number
    until = datetime.now(UTC) + timedelta(days=3)
    shelved = ledger.shelve_alert(number, until_utc=until, by="B")
    assert shelved.state(datetime.now(UTC)) is AlertState.SHELVED
    assert shelved.state(until) is AlertState.UNACKNOWLEDGED
    assert ledger.put_out_of_service(number).state(NOW) is AlertState.OUT_OF_SERVICE
    assert ledger.put_out_of_service(number, out=False).state(until) is AlertState.UNACKNOWLEDGED
    with pytest.raises(PlateledgerError, match="in the future"):
        ledger.shelve_alert(number, until_utc=NOW - timedelta(days=3000))
    with pytest.raises(PlateledgerError, match="none with this number"):
        ledger.acknowledge_alert(number + 1)


def test_while_the_data_have_stopped_other_alerts_are_suppressed():
    events = [alert_event(NOW), alert_event(NOW + timedelta(days=1), kind=DATA_STOPPED)]
    deposit, stopped = merge((), events, tag="A", now_utc=NOW + timedelta(days=2))
    at = NOW + timedelta(days=2)
    assert deposit.state(at) is AlertState.SUPPRESSED
    assert stopped.state(at) is AlertState.UNACKNOWLEDGED
    events[1] = alert_event(NOW + timedelta(days=1), ended=at, kind=DATA_STOPPED)
    deposit, stopped = merge((deposit, stopped), events, tag="A", now_utc=at)
    assert deposit.state(at) is AlertState.UNACKNOWLEDGED
    assert stopped.state(at) is AlertState.RETURNED_UNACKNOWLEDGED


@given(days=st.lists(st.integers(0, 700), unique=True, max_size=12))
def test_the_same_alerts_again_change_nothing(days):
    events = [
        alert_event(NOW + timedelta(days=d), subject=str(d % 3), kind=CauseKind.THERMOMETER)
        for d in days
    ]
    first = merge((), events, tag="A", now_utc=NOW)
    assert len(first) == len(events)
    assert merge(first, events, tag="A", now_utc=NOW + timedelta(days=1)) == first


# --- ranking ---------------------------------------------------------------------------------------


def test_cleaning_comes_first_then_what_costs_most():
    cases = list(made_up.every_case().values())
    ranked = rank(reversed(cases))
    kinds = [e.verdict.kind for e in ranked]
    assert kinds[0] is VerdictKind.CLEAN_NOW
    assert kinds.index(VerdictKind.CLEAN_LATER) > max(
        n for n, k in enumerate(kinds) if k in (VerdictKind.BUILDING_SIDE, VerdictKind.ADD_PLATES)
    )
    assert sorted(e.tag for e in ranked) == sorted(e.tag for e in cases)


def test_a_cost_that_is_not_reckoned_is_not_taken_for_a_small_one():
    hidden = replace(
        made_up.building_side("Z"), money=made_up.money(Estimate(value=2, low=-1, high=4))
    )
    told = replace(made_up.add_plates("A"), money=made_up.money(Estimate(value=9, low=8, high=10)))
    assert [e.tag for e in rank([told, hidden])] == ["Z", "A"]


def test_an_unknown_cost_counts_as_the_most_it_could_be():
    def costing(tag, low, value, high):
        month = Estimate(value=value, low=low, high=high)
        return replace(made_up.deposit(tag), money=made_up.money(month))

    sure, unsure = costing("A", 60.0, 70.0, 80.0), costing("B", -10.0, 20.0, 90.0)
    assert (month_at_stake(sure), month_at_stake(unsure)) == (70.0, 90.0)
    assert [e.tag for e in rank([sure, unsure])] == ["B", "A"]


@pytest.mark.slow
def test_the_demonstration_imports_without_a_question_and_twice_without_a_row(tmp_path):
    settings = Settings(workspace=tmp_path / "demo")
    trend_files = prepare_demo(settings)
    ledger = Ledger.open(settings)
    plant = ledger.load_register().plant
    for path in trend_files:
        assert not ledger.import_store(path.name, path.read_bytes(), OPTIONS).repeated
    for exchanger in plant.exchangers:
        assert not ledger.readings(exchanger.tag).empty, exchanger.tag
    for path in prepare_demo(settings)[:3]:
        assert ledger.import_store(path.name, path.read_bytes(), OPTIONS).repeated
    assert ledger.load_register().new_log_entries == 0
    ledger.close()


def test_since_the_reader_last_looked(ledger):
    assert ledger.last_seen() is None
    ledger.mark_seen()
    assert abs(ledger.last_seen() - datetime.now(UTC)) < timedelta(minutes=1)


def test_two_ledgers_see_the_same(ledger, workspace, database_url, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), OPTIONS)
    other = Ledger.open(Settings(workspace=workspace, database_url=database_url))
    assert len(other.readings("HX-01")) == 48
    run(ledger)
    assert other.evaluation("HX-01") is not None
    other.close()


# --- a mapping that cannot be right -------------------------------------------------------------------


def test_swapped_points_are_asked_at_the_first_import_and_told_at_later_ones(ledger, write_trends):
    """Supply and return registered the wrong way round: nothing is stored before somebody says so."""
    text = write_trends(hours=100)
    swapped = text.replace("PRI FLW T", "x").replace("PRI RTN T", "PRI FLW T").replace("A.HX1.x", "A.HX1.PRI RTN T")  # fmt: skip
    with pytest.raises(IngestError, match="swapped"):
        ledger.import_store("oct.csv", swapped.encode(), ImportOptions())
    assert any("swapped" in q for q in ledger.import_check("oct.csv", swapped.encode(), ImportOptions()).questions)  # fmt: skip
    ledger.import_store("oct.csv", swapped.encode(), ImportOptions(accept=True))
    later = write_trends(start="2025-11-01", hours=100)
    later = later.replace("PRI FLW T", "x").replace("PRI RTN T", "PRI FLW T").replace("A.HX1.x", "A.HX1.PRI RTN T")  # fmt: skip
    outcome = ledger.import_store("nov.csv", later.encode(), ImportOptions())
    assert any("swapped" in f["text"] for f in ledger.findings(outcome.run))


def test_the_loggers_zone_of_the_register_is_used_and_reads_a_file_anew(ledger, write_trends):
    """June stamps of a logger on winter time: first read as the site's, then as the register says."""
    june = write_trends(start="2025-06-10").encode()
    outcome = ledger.import_store("june.csv", june, OPTIONS)
    assert any(f["reason"] == "clock assumed" for f in ledger.findings(outcome.run))
    assert str(ledger.readings("HX-01").index[0]) == "2025-06-09 22:00:00+00:00"
    path = ledger.settings.register_path
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace('time_zone = "CET"', 'time_zone = "CET"\nlogger_time_zone = "+01:00"'),
        encoding="utf-8",
    )
    ledger.load_register()
    ledger.reread()
    assert str(ledger.readings("HX-01").index[0]) == "2025-06-09 23:00:00+00:00"
    check = ledger.import_check("june.csv", june, OPTIONS)
    assert check.examination.clock == "+01:00, as given"
    path.write_text(text.replace('"CET"', '"CET"\nlogger_time_zone = "Mars"'), encoding="utf-8")
    with pytest.raises(RegisterError, match=r"logger_time_zone.*Mars"):
        ledger.load_register()


def test_a_clock_that_the_weather_doubts_is_told_with_the_file(ledger):
    """The logger stays on winter time over the change of 2025-03-30; spring moves the peak by 20 min."""
    found = []
    for start, days, peak in (("2025-03-01", 29, 14.0), ("2025-04-01", 29, 13.67)):
        stamps = pd.date_range(start, periods=24 * days, freq="1h")  # as +01:00 shows them
        swing = 8 + 4 * np.cos((stamps.hour - peak) * 2 * np.pi / 24)
        rough = np.random.default_rng(3).normal(0.0, 0.3, len(stamps))
        frame = pd.DataFrame({"OAT": np.round(swing + rough, 2)}, index=stamps)
        outcome = ledger.import_store(
            f"{start}.csv", frame.to_csv(index_label="Time").encode(), OPTIONS
        )
        found.append(
            [f for f in ledger.findings(outcome.run) if f["reason"] == "clock on one offset"]
        )
    assert found[0] == []
    (doubt,) = found[1]
    assert "stay on one offset" in doubt["text"]
    assert doubt["severity"] == "doubtful"


def test_a_visit_still_to_come_is_refused_with_its_line_and_nothing_is_loaded(ledger):
    settings = ledger.settings
    now = datetime.now(UTC)
    done, today, planned = (f"{now + timedelta(days=d):%Y-%m-%d}" for d in (-40, 0, 40))
    lines = [f"HX-01,{day},opened and cleaned" for day in (done, today, planned)]
    path = settings.maintenance_path
    path.write_text("\n".join(["tag,date,deed", *lines]), encoding="utf-8")
    for load in (ledger.load_register, lambda: check_register(settings)):
        with pytest.raises(RegisterError, match=rf"line 4: date: {planned} is still to come"):
            load()
    assert ledger.events() == ()
    path.write_text("\n".join(["tag,date,deed", *lines[:2]]), encoding="utf-8")
    assert ledger.load_register().new_log_entries == 2
