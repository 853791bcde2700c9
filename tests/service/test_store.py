"""The store, on both databases: what goes in comes out, once, or not at all."""

import json
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from functools import partial
from time import perf_counter
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import func, insert, inspect, select
from sqlalchemy.exc import StatementError

from analytics.vocabulary.quantities import ROLE_NAMES
from analytics.vocabulary.records import (
    Deed,
    Exchanger,
    Fluid,
    MaintenanceEvent,
    Period,
    PropertyTable,
    Stream,
    Thermometer,
)
from service.register.plant import Plant
from service.register.reading import parse_register
from service.store import evaluations, imports, log, migrating, registered
from service.store.codec import (
    evaluation_document,
    evaluation_from,
    exchanger_from,
    exchanger_snapshot,
    fingerprint,
)
from service.store.store import HEAD, Store, StoreError
from service.store.tables import Base, SeenRow, reading_block
from tests.service import made_up

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


def register(store: Store, *tags: str) -> Plant:
    text = '[plant]\nname = "P"\ntime_zone = "CET"\n'
    text += "".join(f'[[exchanger]]\ntag = "{t}"\n' for t in tags)
    plant = parse_register(text, "plant.toml", folder=None)
    with store.writing() as connection:
        registered.save_plant(connection, plant, now_utc=NOW)
    return plant


def trend_frame(
    rows: int, roles: int = 3, start: str = "2025-10-01", seed: int = 1
) -> pd.DataFrame:
    index = pd.date_range(start, periods=rows, freq="1min", tz="UTC", name="time_utc")
    values = np.random.default_rng(seed).normal(50.0, 10.0, (rows, roles))
    return pd.DataFrame(values, index=index, columns=list(ROLE_NAMES[:roles]))


def stored(store: Store, tag: str, *span: datetime) -> pd.DataFrame:
    with store.reading() as connection:
        return imports.load_readings(connection, tag, *span)


def put(store: Store, tag: str, frame: pd.DataFrame) -> imports.Change:
    with store.writing() as connection:
        return imports.store_readings(connection, tag, frame)


# --- opening ---------------------------------------------------------------------------------------


def test_migrations_make_the_tables_that_the_code_speaks_of(store):
    with store.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        assert context.get_current_revision() == HEAD == migrating.head()


def test_opening_again_keeps_what_is_there(database_url):
    first = Store.open(database_url)
    register(first, "HX-01")
    first.close()
    second = Store.open(database_url)
    with second.reading() as connection:
        assert list(registered.exchanger_ids(connection)) == ["HX-01"]
    second.close()


def test_every_constraint_has_a_name(store):
    inspector = inspect(store.engine)
    for table in Base.metadata.tables:
        assert inspector.get_pk_constraint(table)["name"], table


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("sqlite:////no/such/folder/ledger.sqlite", "cannot be opened"),
        ("postgresql://postgres@127.0.0.1:1/none?connect_timeout=2", "cannot be opened"),
        ("nonsense", "cannot be read"),
    ],
)
def test_a_database_that_cannot_be_opened_is_a_sentence(url, said):
    with pytest.raises(StoreError, match=said):
        Store.open(url)


def test_a_file_that_is_no_database_is_a_sentence(tmp_path):
    path = tmp_path / "ledger.sqlite"
    path.write_text("Time;Value\n" * 200)
    with pytest.raises(StoreError, match="cannot be opened"):
        Store.open(f"sqlite:///{path}")


# --- time ------------------------------------------------------------------------------------------


def test_moments_come_back_in_utc_to_the_microsecond(store):
    moment = datetime(2026, 3, 29, 3, 30, 1, 123456, tzinfo=timezone(timedelta(hours=2)))
    with store.writing() as connection:
        registered.mark_seen(connection, "a", moment)
    with store.reading() as connection:
        back = registered.last_seen(connection, "a")
    assert back == moment
    assert back.utcoffset() == timedelta(0)


def test_a_naive_moment_is_refused(store):
    with pytest.raises(StatementError, match="must carry a zone"), store.writing() as connection:
        connection.execute(insert(SeenRow).values(view="a", at_utc=datetime(2026, 1, 1)))  # noqa: DTZ001


# --- register --------------------------------------------------------------------------------------


def test_an_exchanger_comes_back_as_it_was():
    table = PropertyTable(
        temperature_degC=(20.0, 80.0), density_kg_m3=(880.0, 840.0), heat_capacity_J_kgK=(1880.0, 2e3),
        viscosity_Pa_s=(0.08, 0.01), conductivity_W_mK=(0.14, 0.13),
    )  # fmt: skip
    exchanger = Exchanger(
        tag="HX-01",
        primary=Stream(fluid=Fluid(kind="table", table=table), design_inlet_degC=90.0),
        thermometers={"primary_supply_temperature": Thermometer(role="primary_supply_temperature")},
        clean_period=Period(start_utc=NOW, end_utc=NOW + timedelta(days=3)),
    )
    assert exchanger_from(exchanger_snapshot(exchanger)) == exchanger


def test_an_exchanger_left_out_of_the_register_keeps_its_readings(store):
    register(store, "HX-01", "HX-02")
    put(store, "HX-02", trend_frame(10))
    register(store, "HX-01")
    with store.reading() as connection:
        assert [e.tag for e in registered.load_plant(connection).exchangers] == ["HX-01"]
    plant = register(store, "HX-02", "HX-01")
    with store.reading() as connection:
        assert registered.load_plant(connection) == plant
    assert len(stored(store, "HX-02")) == 10


# --- readings --------------------------------------------------------------------------------------


def test_readings_come_back_to_the_last_digit(store):
    register(store, "HX-01")
    frame = trend_frame(500, 5)
    frame.iloc[::7, 2] = np.nan
    frame.iloc[3, 0] = 0.1 + 0.2
    put(store, "HX-01", frame)
    back = stored(store, "HX-01")
    # a grouping by the index would look for a column of that name if it were no plain text
    assert {type(name) for name in (back.index.name, *back.columns)} == {str}
    pd.testing.assert_frame_equal(
        back, frame, check_freq=False, check_index_type=False, rtol=0, atol=0
    )


def test_a_range_holds_its_start_and_not_its_end(store):
    register(store, "HX-01")
    frame = trend_frame(10)
    put(store, "HX-01", frame)
    part = stored(store, "HX-01", frame.index[2].to_pydatetime(), frame.index[5].to_pydatetime())
    assert list(part.index) == list(frame.index[2:5])


def test_overlapping_frames_merge_and_the_newer_value_wins(store):
    register(store, "HX-01", "HX-02")
    put(store, "HX-02", trend_frame(10, seed=9))
    first, second = trend_frame(10, 2), trend_frame(10, 3, start="2025-10-01 00:05")
    second[ROLE_NAMES[0]] = first[ROLE_NAMES[0]].reindex(second.index)  # gaps after the overlap
    second.iloc[0, 0] = 99.0
    assert put(store, "HX-01", first) == imports.Change(rows=10, new_rows=10, new_values=20)
    change = put(store, "HX-01", second)
    # of five stamps in common: one temperature and five of the second column differ
    assert (change.new_rows, change.changed_values) == (5, 6)
    assert change.new_values == 5 + 10
    back = stored(store, "HX-01")
    assert len(back) == 15
    assert back.iloc[5, 0] == 99.0
    np.testing.assert_array_equal(back.iloc[6:10, 0], first.iloc[6:10, 0])
    np.testing.assert_array_equal(back.iloc[5:, 1], second.iloc[:, 1])
    assert len(stored(store, "HX-02")) == 10


def test_a_gap_erases_nothing_and_the_same_again_changes_nothing(store):
    register(store, "HX-01")
    frame = trend_frame(10)
    put(store, "HX-01", frame)
    with store.reading() as connection:
        version = imports.data_version(connection, "HX-01")
    gaps = frame.copy()
    gaps.iloc[:, 1] = np.nan
    for again in (frame, gaps):
        assert put(store, "HX-01", again) == imports.Change(rows=10)
    with store.reading() as connection:
        assert imports.data_version(connection, "HX-01") == version
    np.testing.assert_array_equal(stored(store, "HX-01"), frame)


def test_a_crash_half_way_leaves_nothing(store):
    register(store, "HX-01")

    def crash() -> None:
        with store.writing() as connection:
            imports.keep_file(connection, sha256="a" * 64, name="f", data=b"x", now_utc=NOW)
            imports.store_readings(connection, "HX-01", trend_frame(1000))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crash()
    assert stored(store, "HX-01").empty
    with store.reading() as connection:
        assert imports.kept_file(connection, "a" * 64) is None
        assert connection.scalar(select(func.count()).select_from(reading_block)) == 0


def test_bytes_of_a_file_are_kept_once(store):
    with store.writing() as connection:
        for _ in range(2):
            imports.keep_file(connection, sha256="b" * 64, name="f", data=b"abc" * 99, now_utc=NOW)
        assert imports.kept_file(connection, "b" * 64) == b"abc" * 99


@pytest.mark.slow
def test_a_hundred_thousand_rows_take_seconds(store):
    """One minute's trends of ten weeks; row by row takes minutes, and the bound is for a busy machine."""
    register(store, "HX-01")
    frame = trend_frame(100_000, 8)
    began = perf_counter()
    put(store, "HX-01", frame)
    assert perf_counter() - began < 60.0
    assert len(stored(store, "HX-01")) == 100_000


# --- log -------------------------------------------------------------------------------------------


def test_the_same_log_entry_twice_is_one(store):
    register(store, "HX-01")
    visit = MaintenanceEvent(tag="HX-01", at_utc=NOW, deed=Deed.CLEANED_IN_PLACE, note="once")
    meter = MaintenanceEvent(
        tag="HX-01", at_utc=NOW - timedelta(days=1), deed=Deed.METER_CHANGED, role="primary_flow"
    )
    with store.writing() as connection:
        assert log.add_events(connection, [visit, meter, visit], now_utc=NOW, zone=UTC) == 2
        assert log.add_events(connection, [visit], now_utc=NOW, zone=UTC) == 0
    with store.reading() as connection:
        assert log.load_events(connection, "HX-01") == (meter, visit)
        assert log.load_events(connection) == (meter, visit)


def test_a_visit_noted_by_its_day_and_then_with_its_time_is_one(store):
    """Noon of Zurich in June is 10:00 UTC: an entry by its day alone; the one with its time counts."""
    register(store, "HX-01")
    zone = ZoneInfo("Europe/Zurich")
    noon = datetime(2026, 6, 10, 10, tzinfo=UTC)
    day, morning, evening, next_day = (
        MaintenanceEvent(tag="HX-01", at_utc=at, deed=Deed.CLEANED_IN_PLACE)
        for at in (
            noon,
            noon - timedelta(hours=3),
            noon + timedelta(hours=8),
            noon + timedelta(days=1),
        )
    )
    with store.writing() as connection:
        added = partial(log.add_events, connection, now_utc=NOW, zone=zone)
        assert [added([e]) for e in (day, morning, day, evening)] == [1, 0, 0, 1]
        assert log.load_events(connection, "HX-01") == (morning, evening)
        assert added([next_day]) == 1
        assert log.remove_event(connection, replace(evening, note="x"), zone=zone)
        assert not log.remove_event(connection, evening, zone=zone)
        assert log.load_events(connection, "HX-01") == (morning, next_day)


# --- evaluations -----------------------------------------------------------------------------------


def assert_same(left, right, where="evaluation"):
    """Compare records field by field; frames by value, NaN as equal."""
    if is_dataclass(left):
        assert type(left) is type(right), where
        for f in fields(left):
            assert_same(getattr(left, f.name), getattr(right, f.name), f"{where}.{f.name}")
    elif isinstance(left, pd.DataFrame):
        pd.testing.assert_frame_equal(
            left,
            right,
            check_freq=False,
            check_index_type=False,
            check_column_type=False,
            check_like=True,
        )
    elif isinstance(left, tuple):
        assert len(left) == len(right), where
        for n, (a, b) in enumerate(zip(left, right, strict=True)):
            assert_same(a, b, f"{where}[{n}]")
    elif isinstance(left, float) and np.isnan(left):
        assert np.isnan(right), where
    else:
        assert left == right, where


def test_every_evaluation_comes_back_as_it_was(store):
    cases = {e.tag: e for e in made_up.every_case().values()}
    register(store, *cases)
    for evaluation in cases.values():
        with store.writing() as connection:
            evaluations.save_evaluation(connection, evaluation, fingerprint="f", made_utc=NOW)
    with store.reading() as connection:
        for tag, evaluation in cases.items():
            assert_same(evaluation, evaluations.load_evaluation(connection, tag), tag)
            bare = evaluations.load_evaluation(connection, tag, with_intervals=False)
            assert bare.intervals.empty
            assert_same(evaluation.verdict, bare.verdict, tag)


def test_the_newest_evaluation_counts_and_old_verdicts_are_remembered(store):
    deposit, clean = made_up.deposit("HX-01"), made_up.clean("HX-01")
    register(store, "HX-01")
    with store.writing() as connection:
        evaluations.save_evaluation(connection, deposit, fingerprint="1", made_utc=NOW)
        later = NOW + timedelta(days=7)
        evaluations.save_evaluation(connection, clean, fingerprint="2", made_utc=later)
    with store.reading() as connection:
        head = evaluations.heads(connection)["HX-01"]
        assert (head.fingerprint, head.verdict) == ("2", str(clean.verdict.kind))
        then = evaluations.verdicts_at(connection, NOW + timedelta(days=1))["HX-01"]
        assert then == (str(deposit.verdict.kind), str(deposit.verdict.cause.kind))
        assert evaluations.verdicts_at(connection, NOW - timedelta(days=1)) == {}
        assert len(evaluations.load_daily(connection, "HX-01")) == len(clean.daily)


def test_json_holds_no_NaN_and_no_infinity():
    evaluation = made_up.deposit("HX-01")
    odd = pd.DataFrame(
        {"a": [1.5, np.nan, -np.inf, np.inf]}, index=pd.Index([0, 1, 2, 3], name="n")
    )
    forecast = replace(evaluation.forecast, fan=odd, chance_within_horizon=float("nan"))
    text = json.dumps(evaluation_document(replace(evaluation, forecast=forecast)), allow_nan=False)
    empty = pd.DataFrame()
    back = evaluation_from(json.loads(text), daily=empty, intervals=empty).forecast
    pd.testing.assert_frame_equal(back.fan, odd)
    assert np.isnan(back.chance_within_horizon)


def test_fingerprint_tells_values_apart():
    assert fingerprint({"a": 1, "b": 2}) == fingerprint({"b": 2, "a": 1})
    assert fingerprint({"a": 1}) != fingerprint({"a": 1.5})
