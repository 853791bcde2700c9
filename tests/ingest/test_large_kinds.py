"""Large files that are no plain text: in parts as well, with the truth of the text they were made of."""

import bz2
import gzip
import io
import lzma
import zipfile
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from analytics.vocabulary.errors import IngestError
from ingest import large, streams, unpacking
from ingest.containers import members_on_disk
from ingest.large import can_be_large, survey
from ingest.pipeline import read_trends
from ingest.streams import joined, opener
from ingest.unpacking import LargeMember
from tests.ingest.corruptions import BASES, POINTS, RULES
from tests.ingest.test_large import _small_parts, assert_as_whole, in_parts

BASE = BASES["wide"]()
__all__ = ["_small_parts"]  # every file here is a large one


def zipped(*files: tuple[str, bytes], method=zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in files:
            archive.writestr(name, data)
    return out.getvalue()


def as_parquet(base) -> bytes:
    rows = [line.split(",") for line in base.lines[1:]]
    headings = base.lines[0].split(",")
    stamps = pa.array(np.array([r[0] for r in rows], dtype="datetime64[us]"))
    values = [pa.array([float(r[i]) for r in rows]) for i in range(1, len(headings))]
    out = io.BytesIO()
    parquet.write_table(pa.table([stamps, *values], names=headings), out, row_group_size=50)
    return out.getvalue()


TEXT = BASE.text.encode()
PACKED = {
    "utf-16 with a mark": BASE.text.encode("utf-16"),
    "utf-16 little end first": BASE.text.encode("utf-16-le"),
    "utf-16 big end first": BASE.text.replace("\n", "\r\n").encode("utf-16-be"),
    "zip": zipped(("wide.csv", TEXT)),
    "zip of utf-16": zipped(("wide.csv", BASE.text.encode("utf-16"))),
    "gzip of utf-16": gzip.compress(BASE.text.encode("utf-16")),
    "bzip2": bz2.compress(TEXT),
    "xz": lzma.compress(TEXT),
    "parquet": as_parquet(BASE),
}


def held_in_pieces(data):
    """Open as a file that is kept in pieces, in which nothing can be looked up."""
    return joined(lambda: (data[i : i + 777] for i in range(0, len(data), 777)))


@pytest.mark.parametrize("kind", PACKED)
def test_each_kind_is_read_in_parts_to_the_last_cell(kind):
    data = PACKED[kind]
    parts = in_parts(data, BASE.name)
    assert parts is not None
    whole = read_trends(data, BASE.name, RULES)
    assert_as_whole(parts, whole)
    assert (parts.examination.packed, parts.examination.encoding) == (
        whole.examination.packed,
        whole.examination.encoding,
    )
    frame = parts.blocks["HX-01"]
    assert len(frame) == len(BASE.lines) - 1
    for (role, at), value in BASE.truth.items():
        assert frame.loc[at, role] == pytest.approx(value, rel=1e-12)
    assert set(frame.columns) == {role for _, role, *_ in POINTS}


@pytest.mark.parametrize("kind", ["zip", "parquet", "zip of utf-16"])
def test_they_are_read_from_pieces_as_well(kind):
    found = survey(held_in_pieces(PACKED[kind]), BASE.name, RULES)
    assert found is not None
    assert sum(len(part["HX-01"]) for part in found.parts()) == len(BASE.lines) - 1


def test_a_stated_encoding_of_two_bytes_holds():
    rules, data = replace(RULES, encoding="utf-16-le"), BASE.text.encode("utf-16-le")
    assert_as_whole(in_parts(data, BASE.name, rules), read_trends(data, BASE.name, rules))


@pytest.mark.parametrize("kind", ["utf-16 with a mark", "zip", "gzip of utf-16", "xz", "parquet"])
def test_what_is_cut_short_is_refused_and_nothing_of_it_taken(kind):
    data = PACKED[kind]
    cut = data[: len(data) * 2 // 3 + 1]
    try:
        found = survey(opener(cut), BASE.name, RULES)
    except IngestError:
        return
    assert found is None  # the careful way says it
    with pytest.raises(IngestError, match=r"damaged|cut short|cannot be read|two bytes|utf-16"):
        read_trends(cut, BASE.name, RULES)


def test_a_parquet_file_with_nested_columns_says_what_to_do():
    out = io.BytesIO()
    parquet.write_table(pa.table({"Time": ["2025-01-01 00:00"] * 9, "v": [[1.0]] * 9}), out)
    with pytest.raises(IngestError, match="one plain column for each point"):
        survey(opener(out.getvalue()), "p.parquet", RULES)


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lambda d: zipped(("a.csv", d))])
def test_what_grows_as_no_trends_do_is_stopped(monkeypatch, pack):
    monkeypatch.setattr(unpacking, "_GROWTH_COUNTS_FROM", 1 << 16)
    data = pack(b"Time;P\n" + b"2025-01-01 00:00;1\n" * 400_000)
    with pytest.raises(IngestError, match="400 times its size"):
        survey(opener(data), "bomb", RULES)


@pytest.fixture
def _at_4000(monkeypatch):
    monkeypatch.setattr(large, "LARGE_FROM", 4000)
    monkeypatch.setattr(large, "_PACKED_FROM", 100)


@pytest.mark.usefixtures("_at_4000")
@pytest.mark.parametrize("kind", PACKED)
def test_their_beginning_tells_that_they_may_be_large(tmp_path, kind):
    path = tmp_path / "file"
    path.write_bytes(PACKED[kind])
    assert can_be_large(path)


@pytest.mark.usefixtures("_at_4000")
def test_small_archives_and_workbooks_are_held_as_before(tmp_path):
    path = tmp_path / "a.zip"
    for data in (
        zipped(("a.csv", TEXT[:3000]), ("b.csv", TEXT[:3000])),
        zipped(("[Content_Types].xml", b"x" * 9000), ("xl/workbook.xml", b"y")),
        zipped(("../a.csv", TEXT)),
    ):
        path.write_bytes(data)
        assert not can_be_large(path)


def on_disk(path, name="a.zip", **more):
    """Return name, reason and bytes of each member; paths are read while they hold."""
    found = []
    for member in members_on_disk(name, path, 4000, **more):
        if isinstance(member, LargeMember):
            found.append((member.name, "", member.path.read_bytes()))
        else:
            found.append((member.name, member.refused, member.data))
    return found


def test_large_files_of_an_archive_are_read_from_the_disk_one_after_the_other(tmp_path):
    path = tmp_path / "a.zip"
    inner = zipped(("c.csv", TEXT), ("d.csv", b"small"))
    stored = zipped(("e.csv", TEXT), method=zipfile.ZIP_STORED)
    path.write_bytes(
        zipped(("a.csv", TEXT), ("b.csv", b"tiny"), ("in.zip", inner), ("st.zip", stored))
    )
    assert on_disk(path) == [
        ("a.zip/a.csv", "", TEXT),
        ("a.zip/b.csv", "", b"tiny"),
        ("a.zip/in.zip/c.csv", "", TEXT),
        ("a.zip/in.zip/d.csv", "", b"small"),
        ("a.zip/st.zip", "", stored),
    ]
    path.write_bytes(zipped(("a.csv", TEXT)))
    assert on_disk(path) == [("a.zip", "", path.read_bytes())]
    path.write_bytes(zipped(("st.zip", stored)))
    assert on_disk(path) == [("a.zip/st.zip", "", stored)]


def test_what_is_held_of_an_archive_stays_limited_and_a_damaged_file_is_named(
    tmp_path, monkeypatch
):
    path = tmp_path / "a.zip"
    path.write_bytes(zipped(("a.csv", TEXT), ("b.csv", b"x" * 3000), ("c.csv", b"x" * 3000)))
    with pytest.raises(IngestError, match="more than the limit"):
        on_disk(path, most=5000)  # the large file is not held and does not count
    data = bytearray(zipped(("a.csv", TEXT), ("b.csv", b"fine"), method=zipfile.ZIP_STORED))
    data[200] ^= 1
    path.write_bytes(data)
    (name, refused, held), other = on_disk(path)
    assert (name, held, other) == ("a.zip/a.csv", b"", ("a.zip/b.csv", "", b"fine"))
    assert "cannot be read" in refused
    path.write_bytes(zipped(("a.csv", TEXT), ("b.csv", b"fine")))
    monkeypatch.setattr(unpacking.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 900}))
    with pytest.raises(IngestError, match="TMPDIR"):
        on_disk(path)


def test_pandas_index_and_small_row_groups_make_no_difference(monkeypatch):
    monkeypatch.setattr("ingest.as_text._ROWS", 17)
    monkeypatch.setattr(streams, "BLOCK_BYTES", 64)
    frame = pd.read_csv(io.BytesIO(TEXT), parse_dates=["Time"], index_col="Time").rename_axis(None)
    out = io.BytesIO()
    frame.to_parquet(out)
    parts = in_parts(out.getvalue(), BASE.name)
    assert_as_whole(parts, read_trends(out.getvalue(), BASE.name, RULES))
