"""Packed files, archives, workbooks and Parquet give what the plain file gives; traps are refused."""

import bz2
import gzip
import io
import lzma
import zipfile

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analytics.vocabulary.errors import IngestError
from ingest.containers import members
from ingest.pipeline import read_trends

INDEX = pd.date_range("2025-10-20 06:00", periods=48, freq="15min")
FRAME = pd.DataFrame(
    {
        "PRI FLW T": np.round(80 + 5 * np.sin(np.arange(48) / 7), 2),
        "HM FLOW": np.round(6 + np.cos(np.arange(48) / 5), 3),
    },
    index=pd.DatetimeIndex(INDEX, name="Time"),
)
PLAIN = FRAME.to_csv().encode()


def zipped(**files):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def workbook(frames, **kwargs):
    buffer = io.BytesIO()
    with pd.ExcelWriter(buffer, engine="openpyxl") as writer:
        for sheet, frame in frames.items():
            frame.to_excel(writer, sheet_name=sheet, **kwargs)
    return buffer.getvalue()


def parquet(frame):
    buffer = io.BytesIO()
    frame.to_parquet(buffer)
    return buffer.getvalue()


PACKED = {
    "gzip": gzip.compress(PLAIN),
    "bzip2": bz2.compress(PLAIN),
    "xz": lzma.compress(PLAIN),
    "zstd": pa.compress(PLAIN, codec="zstd", asbytes=True),
    "zip": zipped(**{"oct.csv": PLAIN}),
    "workbook": workbook({"Trends": FRAME}),
    "parquet": parquet(FRAME),
}


@pytest.mark.parametrize("packing", PACKED)
def test_each_packing_gives_the_same_frame(read, packing):
    found = read(PACKED[packing])
    assert found.examination.packed == packing
    pd.testing.assert_frame_equal(found.blocks["HX-01"], read(PLAIN).blocks["HX-01"])


def test_a_workbook_with_a_title_above_and_dates_as_text(read):
    found = read(workbook({"Trends": FRAME}, startrow=4))
    pd.testing.assert_frame_equal(found.blocks["HX-01"], read(PLAIN).blocks["HX-01"])


def test_sheets_of_a_workbook_are_files_of_their_own(rules_of):
    book = workbook(
        {"Flow": FRAME[["HM FLOW"]], "Empty": FRAME.iloc[:0, :0], "T": FRAME[["PRI FLW T"]]}
    )
    found = {m.name: read_trends(m.data, m.name, rules_of()).blocks["HX-01"]
             for m in members("oct.xlsx", book) if not m.name.endswith("Empty")}  # fmt: skip
    assert [list(f) for f in found.values()] == [["primary_flow"], ["primary_supply_temperature"]]
    assert list(found) == ["oct.xlsx/Flow", "oct.xlsx/T"]


def test_an_archive_of_one_file_a_point_with_folders_and_an_archive_inside(rules_of):
    flow = FRAME["HM FLOW"].rename("Value").to_csv().encode()
    warm = FRAME["PRI FLW T"].rename("Value").to_csv().encode()
    inner = zipped(**{"PRI FLW T.csv": warm, "notes/readme.txt": b"see the log"})
    outer = zipped(
        **{"a/HM FLOW.csv": flow, "more.zip": inner, "__MACOSX/x": b"?", ".DS_Store": b"?"}
    )
    found = {m.name: m.data for m in members("all.zip", outer)}
    assert list(found) == [
        "all.zip/a/HM FLOW.csv", "all.zip/more.zip/PRI FLW T.csv", "all.zip/more.zip/notes/readme.txt",
    ]  # fmt: skip
    roles = [
        next(iter(read_trends(found[name], name, rules_of()).blocks["HX-01"]))
        for name in list(found)[:2]
    ]
    assert roles == ["primary_flow", "primary_supply_temperature"]


@pytest.mark.parametrize("path", ["../up.csv", "/etc/x.csv", "a/../../b.csv", "C:\\x.csv"])
def test_a_path_outside_the_archive_is_refused(path):
    with pytest.raises(IngestError, match="leads outside"):
        list(members("trap.zip", zipped(**{path: PLAIN, "b.csv": PLAIN})))


def bombs():
    zeros = b"0" * (64 << 20)
    return {
        "gzip": gzip.compress(zeros), "bzip2": bz2.compress(zeros), "xz": lzma.compress(zeros),
        "zstd": pa.compress(zeros, codec="zstd", asbytes=True), "zip": zipped(a=zeros),
    }  # fmt: skip


def test_what_unpacks_to_hundreds_of_times_its_size_is_refused(read):
    for name, data in bombs().items():
        with pytest.raises(IngestError, match=r"times its size|limit of"):
            read(data, name)


def test_all_files_of_an_archive_together_may_not_pass_the_limit():
    data = zipped(a=PLAIN, b=PLAIN, c=PLAIN)
    with pytest.raises(IngestError, match="limit of"):
        list(members("x.zip", data, most=2 * len(PLAIN) + 10))


@pytest.mark.parametrize("packing", PACKED)
def test_a_packed_file_cut_short_is_refused_with_a_sentence(read, packing):
    with pytest.raises(IngestError, match=r"^cut"):
        read(PACKED[packing][: len(PACKED[packing]) * 2 // 3], "cut.bin")


def test_parquet_with_a_column_that_is_no_point_says_so(read):
    with pytest.raises(IngestError, match="plain column"):
        read(parquet(FRAME.assign(x=[[1, 2]] * len(FRAME))))


def test_stamps_of_spreadsheets_come_back_to_the_second(read):
    """A day is a float there: one second is 1/86400, and 00:14:59.9999 means 00:15."""
    found = read(workbook({"T": FRAME})).blocks["HX-01"]
    assert (pd.DatetimeIndex(found.index).microsecond == 0).all()


def damaged(data, name):
    """Turn over bytes inside the packed content of one file of an archive."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        info = archive.getinfo(name)
    start = info.header_offset + 30 + len(name) + info.compress_size // 2
    return data[:start] + bytes(b ^ 0xFF for b in data[start : start + 8]) + data[start + 8 :]


def test_a_damaged_file_of_an_archive_is_named_and_the_others_come():
    inner = damaged(zipped(**{"x.csv": PLAIN, "y.csv": PLAIN}), "x.csv")
    outer = damaged(zipped(**{"a.csv": PLAIN, "b.csv": PLAIN, "c.zip": inner}), "b.csv")
    found = {m.name: m for m in members("all.zip", outer)}
    assert list(found) == [
        "all.zip/a.csv", "all.zip/b.csv", "all.zip/c.zip/x.csv", "all.zip/c.zip/y.csv"
    ]  # fmt: skip
    assert [m.data == PLAIN for m in found.values()] == [True, False, False, True]
    assert "all.zip/b.csv" in found["all.zip/b.csv"].refused
    assert [bool(m.refused) for m in found.values()] == [False, True, True, False]


def test_an_archive_or_workbook_inside_that_is_no_such_thing_is_refused_alone():
    broken = workbook({"A": FRAME, "B": FRAME})
    with zipfile.ZipFile(io.BytesIO(broken)) as book:
        parts = {n: book.read(n) for n in book.namelist()}
    parts["xl/worksheets/sheet1.xml"] = b"<worksheet><sheetData><row"
    deep = zipped(**{"z.zip": zipped(**{"y.zip": zipped(a=PLAIN), "b": PLAIN}), "c": PLAIN})
    outer = zipped(
        **{"1.zip": b"PK\x03\x04 nothing", "2.xlsx": zipped(**parts), "3.csv": PLAIN, "4.zip": deep}
    )
    found = list(members("all.zip", outer))
    whole = [m.name for m in found if not m.refused]
    assert whole == ["all.zip/3.csv", "all.zip/4.zip/c"]
    refused = [m.name for m in found if m.refused]
    assert refused == ["all.zip/1.zip", "all.zip/2.xlsx", "all.zip/4.zip/z.zip"]


def test_archives_inside_share_the_limit_of_the_one_that_was_sent():
    inner = zipped(a=PLAIN, b=PLAIN)
    outer = zipped(**{f"{n}.zip": inner for n in range(4)})
    assert len(list(members("x.zip", outer, most=4 * len(inner) + 8 * len(PLAIN)))) == 8
    with pytest.raises(IngestError, match="limit of"):
        list(members("x.zip", outer, most=4 * len(inner) + 8 * len(PLAIN) - 1))


def test_damaged_files_use_up_the_limit_too():
    """Else an archive of files that fail at their last byte would be unpacked without end."""
    rough = np.random.default_rng(1).bytes(len(PLAIN))  # does not pack, so the damage is met late
    data = zipped(a=rough, b=rough, c=PLAIN)
    for name in "ab":
        data = damaged(data, name)
    with pytest.raises(IngestError, match="limit of"):
        list(members("x.zip", data, most=2 * len(PLAIN)))
    assert [bool(m.refused) for m in members("x.zip", data)] == [True, True, False]
