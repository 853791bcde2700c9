"""Readings in blocks: whatever the order in which they come, the store holds what a table would."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa
from alembic import command

from analytics.vocabulary.quantities import ROLE_NAMES
from service.store import imports, originals, readings
from service.store.migrating import configuration
from service.store.readings import Change
from service.store.store import Store
from service.store.tables import reading_block
from tests.service.test_store import NOW, put, register, stored, trend_frame

ROLES = list(ROLE_NAMES[:3])


def random_frame(chance: np.random.Generator) -> pd.DataFrame:
    """Some readings of 600 minutes, in a run or strewn, with gaps."""
    if chance.random() < 0.5:
        start = int(chance.integers(0, 500))
        minutes = np.arange(start, start + int(chance.integers(1, 100)))
    else:
        minutes = np.unique(chance.integers(0, 600, int(chance.integers(1, 30))))
    index = pd.Timestamp("2025-10-01", tz="UTC") + pd.to_timedelta(minutes, unit="min")
    values = np.round(chance.normal(50, 10, (len(minutes), 3)))
    values[chance.random(values.shape) < 0.2] = np.nan
    frame = pd.DataFrame(values, index=pd.DatetimeIndex(index, name="time_utc"), columns=ROLES)
    return frame.dropna(how="all")


def expected_change(table: pd.DataFrame, frame: pd.DataFrame) -> Change:
    before = table.reindex(index=frame.index, columns=ROLES).to_numpy()
    now = frame.to_numpy()
    given, had = ~np.isnan(now), ~np.isnan(before)
    return Change(
        rows=len(frame),
        new_rows=int((~frame.index.isin(table.index)).sum()),
        new_values=int((given & ~had).sum()),
        changed_values=int((given & had & (now != before)).sum()),
    )


@pytest.mark.parametrize("rows_most", [5, 64])
def test_blocks_hold_what_a_table_would(store, monkeypatch, rows_most):
    monkeypatch.setattr(readings, "ROWS_MOST", rows_most)
    register(store, "HX-01", "HX-02")
    put(store, "HX-02", trend_frame(20))
    chance = np.random.default_rng(rows_most)
    table = pd.DataFrame(columns=ROLES, index=pd.DatetimeIndex([], tz="UTC"), dtype=float)
    for _ in range(15):
        frame = random_frame(chance)
        wanted = expected_change(table, frame)
        with store.reading() as connection:
            assert imports.compare(connection, "HX-01", frame) == wanted
        assert put(store, "HX-01", frame) == wanted
        table = frame.combine_first(table)
        back = stored(store, "HX-01").reindex(columns=ROLES)
        pd.testing.assert_frame_equal(
            back, table, check_freq=False, check_index_type=False, check_names=False, rtol=0, atol=0
        )
    with store.reading() as connection:
        mine = sa.select(reading_block.c.rows, reading_block.c.first_utc, reading_block.c.last_utc)
        blocks = connection.execute(mine.order_by(reading_block.c.first_utc).where(
            reading_block.c.exchanger_id == 1)).all()  # fmt: skip
        assert max(b.rows for b in blocks) <= rows_most
        assert sum(b.rows for b in blocks) == len(table)
        assert all(a.last_utc < b.first_utc for a, b in pairwise(blocks))
        first, last = table.index[0].to_pydatetime(), table.index[-1].to_pydatetime()
        assert imports.reading_span(connection, "HX-01") == (first, last)
        middle = first + timedelta(minutes=200)
        part = imports.load_readings(connection, "HX-01", first, middle)
        assert list(part.index) == list(table.index[table.index < middle])
    with store.writing() as connection:
        assert imports.clear_readings(connection, "HX-01") == int(table.count().sum())
    assert stored(store, "HX-01").empty
    assert len(stored(store, "HX-02")) == 20


def test_values_pushed_one_by_one_fill_blocks(store, monkeypatch):
    monkeypatch.setattr(readings, "ROWS_MOST", 10)
    register(store, "HX-01")
    frame = trend_frame(45)
    for start in (*range(25, 45), *range(24, -1, -1)):
        put(store, "HX-01", frame.iloc[start : start + 1])
    np.testing.assert_array_equal(stored(store, "HX-01"), frame)
    with store.reading() as connection:
        count = connection.scalar(sa.select(sa.func.count()).select_from(reading_block))
    assert count <= 10


def test_readings_and_files_of_an_earlier_version_are_kept(database_url):
    """The tables as they were, with a row for each stamp, and what becomes of them."""
    config = configuration()
    engine = sa.create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    frame = trend_frame(20, 2)
    frame.iloc[3, 1] = np.nan
    with engine.connect() as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, "0003")
        tables = sa.MetaData()
        tables.reflect(connection)
        connection.execute(
            sa.insert(tables.tables["exchanger"]),
            [
                {"id": n, "tag": f"HX-0{n}", "position": n, "registered": True, "snapshot": {},
                 "data_version": 1}
                for n in (1, 2)
            ],
        )  # fmt: skip
        old = tables.tables["reading"]
        sqlite = connection.dialect.name == "sqlite"
        for number, part in ((1, frame), (2, frame.iloc[5:9])):
            connection.execute(
                sa.insert(old),
                [
                    {
                        "exchanger_id": number,
                        "time_utc": at.as_unit("ns").value // 1000 if sqlite else at,
                        **{n: None if np.isnan(v) else v for n, v in row.items()},
                    }
                    for at, row in part.iterrows()
                ],
            )
        connection.execute(
            sa.insert(tables.tables["source_file"]).values(
                sha256="c" * 64, name="f", size=3, packed=originals.pack(b"abc"),
                stored_utc=0 if sqlite else NOW,
            )
        )  # fmt: skip
    engine.dispose()
    store = Store.open(database_url)
    pd.testing.assert_frame_equal(
        stored(store, "HX-01"), frame, check_freq=False, check_index_type=False, rtol=0, atol=0
    )
    np.testing.assert_array_equal(stored(store, "HX-02"), frame.iloc[5:9])
    with store.reading() as connection:
        assert imports.kept_file(connection, "c" * 64) == b"abc"
    store.close()


def test_a_file_is_kept_in_parts(store, monkeypatch):
    monkeypatch.setattr(originals, "PART_BYTES", 10)
    data = bytes(range(256)) * 3
    with store.writing() as connection:
        imports.keep_file(connection, sha256="d" * 64, name="f", data=data, now_utc=NOW)
        assert imports.kept_file(connection, "d" * 64) == data
        assert sum(1 for _ in originals.parts(connection, "d" * 64)) == 77
        assert imports.kept_file(connection, "e" * 64) is None
