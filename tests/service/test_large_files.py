"""Large files on their way into the store: part by part, once, or not at all."""

import gzip
import io
import json
import subprocess
import sys
import textwrap
import zipfile
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics.vocabulary.errors import IngestError
from ingest import large, streams
from service.usecases import importing
from service.usecases.dropping import DropFolder
from service.usecases.files import ImportOptions, load

OPTIONS = ImportOptions()
HOURS = 24 * 20


@pytest.fixture
def _small_parts(monkeypatch):
    monkeypatch.setattr(streams, "_READ", 500)
    monkeypatch.setattr(large, "PART_BYTES", 4000)
    monkeypatch.setattr(large, "LARGE_FROM", 10_000)
    monkeypatch.setattr(large, "_PACKED_FROM", 500)
    monkeypatch.setattr(large, "CONTEXT_BYTES", 500)
    monkeypatch.setattr(large, "_SAMPLE_BYTES", 2000)
    monkeypatch.setattr(importing, "_LARGE_PERHAPS", 0)


@pytest.fixture
def path(tmp_path, write_trends):
    target = tmp_path / "october.csv"
    target.write_text(write_trends(hours=HOURS))
    return target


@pytest.fixture
def _no_whole(monkeypatch):
    """Whoever reads the file whole fails."""
    monkeypatch.setattr(importing, "read_source", lambda *_a, **_k: pytest.fail("read whole"))


@pytest.mark.usefixtures("_small_parts", "_no_whole")
def test_a_large_file_is_stored_as_a_small_one_would_be(ledger, path, monkeypatch):
    checked = ledger.import_check(path.name, load(path), OPTIONS)
    assert load(path) == path
    done = ledger.import_store(path.name, load(path), OPTIONS)
    assert (checked.rows, checked.new_values) == (done.rows, done.new_values)
    parts = ledger.readings("HX-01")
    again = ledger.import_store(path.name, load(path), OPTIONS)
    assert again.repeated
    assert again.run == done.run
    report = ledger.import_report(done.run)
    monkeypatch.undo()
    whole = ledger.import_check("the same.csv", path.read_bytes() + b"\n", OPTIONS)
    assert (whole.rows, whole.new_values, whole.changed_values) == (done.rows, 0, 0)
    assert report["account"]["lines_read"] == HOURS
    assert report["account"]["stamps_stored"] == len(parts) == done.rows == HOURS


@pytest.mark.usefixtures("_small_parts", "_no_whole")
def test_packed_ones_too_and_they_are_kept_and_read_again(ledger, workspace, path, tmp_path):
    packed = tmp_path / "october.csv.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert load(packed) == packed
    done = ledger.import_store(packed.name, packed, OPTIONS)
    before = ledger.readings("HX-01")
    assert done.new_values == int(before.count().sum())
    reread = ledger.reread()
    assert reread.values_now == reread.values_before == done.new_values
    pd.testing.assert_frame_equal(ledger.readings("HX-01"), before)


@pytest.mark.usefixtures("_small_parts", "_no_whole")
def test_an_open_question_stores_nothing(ledger, write_trends, tmp_path):
    path = tmp_path / "spring.csv"
    # the clock of the file runs through the hour that never was, a part of the file after its start
    path.write_text(write_trends(start="2026-03-20", hours=HOURS, step_min=60))
    with pytest.raises(IngestError, match="time-zone"):
        ledger_of_limit(ledger, path)
    assert ledger.readings("HX-01").empty
    assert ledger.import_runs() == ()
    done = ledger.import_store(path.name, path, ImportOptions(time_zone="+01:00"))
    assert done.rows == HOURS


def ledger_of_limit(ledger, path):
    """Import with a limit of size that lets nothing be read whole."""
    survey_source = importing.survey_source

    def limited(*args):
        survey = survey_source(*args)
        survey.rules = replace(survey.rules, bytes_most=1)
        return survey

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(importing, "survey_source", limited)
        return ledger.import_store(path.name, path, OPTIONS)


@pytest.mark.usefixtures("_small_parts")
def test_a_file_out_of_order_is_read_whole_with_nothing_stored_twice(own_ledger, path):
    lines = path.read_text().splitlines()
    order = np.random.default_rng(1).permutation(HOURS)
    path.write_text("\n".join([lines[0], *(lines[1 + i] for i in order)]) + "\n")
    done = own_ledger.import_store(path.name, path, OPTIONS)
    assert (done.rows, done.new_rows) == (HOURS, HOURS)
    assert len(own_ledger.import_runs()) == 1


@pytest.mark.usefixtures("_small_parts", "_no_whole")
def test_the_watched_folder_takes_them(own_ledger, path, tmp_path):
    drop = DropFolder(tmp_path / "inbox", settle_s=0.0)
    drop.prepare()
    path.replace(drop.folder / path.name)
    drop.sweep(own_ledger)
    (taken,) = drop.sweep(own_ledger)
    assert taken.outcomes[0].new_rows == HOURS
    assert taken.moved_to.parent.name == "done"


_STREAM = """
    import json, sys, tempfile
    from pathlib import Path
    from service.settings import Settings
    from service.usecases.files import ImportOptions, load
    from service.usecases.ledger import Ledger
    from tests.benchmarks.ingest import REGISTER

    def peak_MB():
        # not ru_maxrss, which a process takes over from the one that started it
        (line,) = (r for r in open("/proc/self/status") if r.startswith("VmHWM"))
        return int(line.split()[1]) / 1024

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "plant.toml").write_text(REGISTER)
        ledger = Ledger.open(Settings(workspace=Path(folder)))
        ledger.load_register()
        found = []
        for path in map(Path, sys.argv[1:]):
            done = ledger.import_store(path.name, load(path), ImportOptions())
            found.append({"rows": done.rows, "new": done.new_rows, "peak_MB": peak_MB()})
        ledger.close()
    print(json.dumps(found))
"""


@pytest.mark.slow
def test_memory_does_not_grow_with_the_file(tmp_path):
    """Some 120 MB twice, until the allocators hold what a part needs; then twice as much at once."""
    from tests.benchmarks.ingest import write_seconds

    sizes = {"first.csv": ("2025-01-01", 120e6), "second.csv": ("2025-04-01", 120e6),
             "big.csv": ("2025-07-01", 240e6)}  # fmt: skip
    paths = [tmp_path / name for name in sizes]
    rows = [
        write_seconds(path, size, start) for path, (start, size) in zip(paths, sizes.values(), strict=True)
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(_STREAM), *map(str, paths)],
        check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    found = json.loads(done.stdout.splitlines()[-1])
    assert [f["rows"] for f in found] == [f["new"] for f in found] == rows
    peaks = [f["peak_MB"] for f in found]
    assert max(peaks) < 600
    assert peaks[2] - peaks[1] < 60, peaks  # the file is 120 MB longer


def _as_parquet(text):
    out = io.BytesIO()
    pd.read_csv(io.StringIO(text), parse_dates=["Time"]).to_parquet(out, index=False)
    return out.getvalue()


def _zipped(**files):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(f"{name}.csv", text)
    return out.getvalue()


@pytest.mark.usefixtures("_small_parts", "_no_whole")
@pytest.mark.parametrize(
    ("name", "packed"),
    [
        ("october.txt", lambda text: text.encode("utf-16")),
        ("october.zip", lambda text: _zipped(october=text)),
        ("october.parquet", _as_parquet),
    ],
)
def test_beyond_what_is_held_whole_they_are_stored_and_read_again(
    own_ledger, tmp_path, write_trends, name, packed
):
    text = write_trends(hours=HOURS)
    path = tmp_path / name
    path.write_bytes(packed(text))
    assert load(path) == path
    done = ledger_of_limit(own_ledger, path)
    written = pd.read_csv(io.StringIO(text)).drop(columns="Time")
    assert (done.rows, done.new_values) == (HOURS, written.size)
    stored = own_ledger.readings("HX-01")
    outdoor, supply = stored["outdoor_temperature"], stored["primary_supply_temperature"]
    np.testing.assert_array_equal(outdoor, written["OAT"])
    np.testing.assert_array_equal(supply, written["A.HX1.PRI FLW T"])
    reread = own_ledger.reread()
    assert reread.values_now == reread.values_before == written.size
    pd.testing.assert_frame_equal(own_ledger.readings("HX-01"), stored)


@pytest.mark.usefixtures("_small_parts", "_no_whole")
def test_an_archive_of_large_months_is_stored_file_by_file(own_ledger, tmp_path, write_trends):
    months = {"october": write_trends(hours=HOURS), "november": write_trends("2025-11-01", HOURS)}
    drop = DropFolder(tmp_path / "inbox", settle_s=0.0)
    drop.prepare()
    (drop.folder / "autumn.zip").write_bytes(_zipped(**months))
    drop.sweep(own_ledger)
    (taken,) = drop.sweep(own_ledger)
    names = {outcome.name: outcome.new_rows for outcome in taken.outcomes}
    assert names == {"autumn.zip/november.csv": HOURS, "autumn.zip/october.csv": HOURS}
    assert len(own_ledger.readings("HX-01")) == 2 * HOURS


def test_json_beyond_the_limit_says_how_to_split_it(tmp_path, monkeypatch):
    monkeypatch.setattr("ingest.rules.BYTES_MOST", 1000)
    path = tmp_path / "log.jsonl"
    path.write_text('{"timestamp": "2025-01-01T00:00:00Z", "log-datum": {"real-value": 1}}\n' * 99)
    with pytest.raises(IngestError, match="Split it between its lines"):
        load(path)
