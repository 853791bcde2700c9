"""The demonstration plant: its files, register and log fit together and can be rebuilt."""

import csv
import gzip
import tomllib
from pathlib import Path

import numpy as np
import pytest

import demo_data
from demo_data.exports import EXPORTS, points_of, write
from demo_data.hidden import what_was_hidden
from demo_data.plant import EXCHANGERS
from demo_data.register import maintenance, register
from demo_data.shapes import changes

HERE = Path(demo_data.__file__).parent
FILES = sorted((HERE / "files").glob("*.csv.gz"))
MOST_BYTES = 12e6
MOST_ROWS = 480_000


def test_ten_exchangers_in_files_of_moderate_size():
    assert [e.tag for e in EXCHANGERS] == [f"HX-{n:02d}" for n in range(1, 11)]
    assert sum(f.stat().st_size for f in FILES) < MOST_BYTES


def test_rows_in_all_stay_moderate():
    assert sum(gzip.decompress(f.read_bytes()).count(b"\n") for f in FILES) < MOST_ROWS


def test_committed_texts_are_those_the_code_writes():
    assert (HERE / "plant.toml").read_text(encoding="utf-8") == register()
    assert (HERE / "maintenance.csv").read_text(encoding="utf-8") == maintenance()
    assert (HERE / "what_was_hidden.md").read_text(encoding="utf-8") == what_was_hidden()


def test_register_parses_and_names_every_logged_role():
    document = tomllib.loads(register())
    assert len(document["exchanger"]) == 10
    for table, e in zip(document["exchanger"], EXCHANGERS, strict=True):
        assert table["tag"] == e.tag
        assert set(table["points"]) == set(e.scenario.logger.roles)


def test_maintenance_log_names_known_tags():
    rows = list(csv.DictReader(maintenance().splitlines()))
    assert {r["tag"] for r in rows} <= {e.tag for e in EXCHANGERS}
    assert [r["date"] for r in rows] == sorted(r["date"] for r in rows)
    assert any(r["plates_after"] == "76" for r in rows)


@pytest.mark.parametrize("export", EXPORTS, ids=lambda e: e.name)
def test_points_stand_in_the_file_they_are_registered_for(export):
    path = next(f for f in FILES if f.match(f"{export.name.format('*')}.csv.gz"))
    text = gzip.decompress(path.read_bytes()).decode(export.shape.encoding)
    for tag in export.tags:
        for name, _, pattern in points_of(tag).values():
            if path.match(pattern):
                assert name in text


def test_local_stamps_come_twice_in_october_and_miss_an_hour_in_march():
    autumn = gzip.decompress((HERE / "files/mill-block_2025-half-2.csv.gz").read_bytes())
    spring = gzip.decompress((HERE / "files/mill-block_2026-half-1.csv.gz").read_bytes())
    assert autumn.count(b"26.10.2025 02:30;") == 2
    assert spring.count(b"29.03.2026 02:30;") == 0
    assert spring.count(b"29.03.2026 03:30;") == 1


def test_a_change_of_value_logger_writes_changes_and_heartbeats():
    values = np.array([20.0, 20.1, 20.1, 21.0, np.nan, 21.0])
    written = changes(values, increment=0.5, heartbeat=3)
    assert written.tolist() == [True, False, False, True, False, True]


def test_a_file_rebuilds_to_the_same_bytes(tmp_path):
    export = next(e for e in EXPORTS if e.tags == ("HX-03",))
    (path,) = write(export, tmp_path, only_part="2025-09")
    assert path.read_bytes() == (HERE / "files" / path.name).read_bytes()
