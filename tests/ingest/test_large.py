"""Files read part by part: as the careful reader would read the whole, or not at all."""

import gzip
import io
import random
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from analytics.vocabulary.errors import IngestError
from ingest import large, streams
from ingest.large import PartsDiffer, survey
from ingest.pipeline import ReadResult, read_trends
from ingest.streams import joined, line_blocks, opener, unpacked
from tests.ingest.corruptions import BASES, KINDS, RULES

CASES = [(name, base) for name, (_, bases) in KINDS.items() for base in bases]


@pytest.fixture(autouse=True)
def _small_parts(monkeypatch):
    monkeypatch.setattr(streams, "_READ", 100)
    monkeypatch.setattr(large, "PART_BYTES", 3000)
    monkeypatch.setattr(large, "LARGE_FROM", 0)
    monkeypatch.setattr(large, "CONTEXT_BYTES", 700)
    monkeypatch.setattr(large, "_SAMPLE_BYTES", 1200)


def in_parts(data, name, rules=RULES):
    """Return the reading in parts; ``None`` where the file is to be read whole."""
    found = survey(opener(data), name, rules)
    if found is None:
        return None
    frames: dict[str, list[pd.DataFrame]] = {}
    for part in found.parts():
        for tag, frame in part.items():
            frames.setdefault(tag, []).append(frame)
    blocks = {tag: pd.concat(f, sort=False).sort_index() for tag, f in frames.items()}
    for tag, frame in blocks.items():
        each = frame.groupby(level=0)
        assert each.count().max().max() <= 1, "a stamp of a role in two parts"
        blocks[tag] = each.first()
        blocks[tag].columns = blocks[tag].columns.astype(object)
    return ReadResult(blocks=blocks, findings=found.findings, examination=found.examination)


def test_most_kinds_of_damage_do_not_need_the_whole_file():
    taken = 0
    for name, base_name in CASES[::4]:
        base = BASES[base_name]()
        try:
            taken += survey(opener(KINDS[name][0](base, random.Random(4)).data), base.name, RULES) is not None  # fmt: skip
        except IngestError:
            continue
    assert taken > 0.7 * len(CASES[::4])


def columns_of(examination):
    return {
        c.heading: (
            c.taken_for, c.unit_used, c.values_read, c.values_missing, c.values_unreadable,
            c.values_outside_range, dict(c.missing_words), c.smallest, c.largest, c.left_out,
        )
        for c in examination.columns
    }  # fmt: skip


def assert_as_whole(parts, whole):
    assert parts.blocks.keys() == whole.blocks.keys()
    for tag, frame in whole.blocks.items():
        mine = parts.blocks[tag][list(frame.columns)]
        pd.testing.assert_frame_equal(mine, frame, check_exact=True, check_freq=False)
    for severity in ("refused", "doubtful", "note"):
        assert parts.findings.counts(severity) == whole.findings.counts(severity), severity
    key = lambda f: (f.reason, f.line or 0, f.column or "")
    told = [[(f.line, f.column, f.reason, f.severity) for f in sorted(r.findings, key=key)]
            for r in (parts, whole)]  # fmt: skip
    assert told[0] == told[1]
    a, b = parts.examination, whole.examination
    assert columns_of(a) == columns_of(b)
    for name in (
        "rows_read", "rows_stored", "rows_refused", "values_stored", "cells_missing",
        "cells_refused", "first_utc", "last_utc", "shape", "delimiter", "decimal", "header_line",
        "unit_line", "size_bytes", "newest_first", "time_columns",
    ):  # fmt: skip
        assert getattr(a, name) == getattr(b, name), name


@pytest.mark.parametrize(("name", "base_name"), CASES)
def test_damaged_files_are_read_as_whole_ones_or_not_at_all(name, base_name):
    base = BASES[base_name]()
    damage = KINDS[name][0](base, random.Random(4))
    try:
        parts = in_parts(damage.data, base.name)
    except IngestError:
        return  # is read whole, or refused
    if parts is None:
        return
    whole = read_trends(damage.data, base.name, RULES)
    assert_as_whole(parts, whole)
    assert set(whole.examination.questions) <= set(parts.examination.questions)


@pytest.mark.parametrize("base_name", BASES)
def test_sound_files_are_read_in_parts(base_name):
    base = BASES[base_name]()
    parts = in_parts(base.text.encode(), base.name)
    assert parts is not None
    assert_as_whole(parts, read_trends(base.text.encode(), base.name, RULES))
    assert not parts.examination.questions


def local_file(zone="Europe/Berlin", start="2025-10-20", days=12, step="15min"):
    """Readings of a clock that falls back on 26 October: the hour from two to three comes twice."""
    index = pd.date_range(start, periods=int(pd.Timedelta(days=days) / pd.Timedelta(step)), freq=step, tz="UTC")  # fmt: skip
    values = np.round(60 + 5 * np.sin(np.arange(len(index)) / 7), 2)
    local = index.tz_convert(zone)
    return index, [f"{t:%d.%m.%Y %H:%M:%S};{str(v).replace('.', ',')}" for t, v in zip(local, values, strict=True)], values  # fmt: skip


HEAD = "Zeit;A.HX1.PRI SUP T"
LOCAL = replace(RULES, zone=ZoneInfo("Europe/Berlin"))


def text_of(lines, head=HEAD, end="\n"):
    return (end.join([head, *lines]) + end).encode()


@pytest.mark.parametrize("start", ["2025-10-20", "2025-10-24", "2025-03-26"])
@pytest.mark.parametrize("backwards", [False, True])
def test_the_doubled_hour_is_told_apart_wherever_the_parts_are_cut(start, backwards):
    index, lines, values = local_file(start=start)
    for shift in range(0, 90, 9):
        # blank lines above move the cuts
        chosen = lines[::-1] if backwards else lines
        data = text_of(chosen, "Bericht\n" + ("x" * 30 + "\n") * (shift // 3) + HEAD)
        parts = in_parts(data, "a.csv", LOCAL)
        assert_as_whole(parts, read_trends(data, "a.csv", LOCAL))
        found = parts.blocks["HX-01"]["primary_supply_temperature"]
        assert list(found.index) == list(index)
        np.testing.assert_array_equal(found, values)


@pytest.mark.parametrize(
    "encode",
    [
        lambda t: t.encode("cp1252"),
        lambda t: t.encode("utf-8-sig"),
        lambda t: t.replace("\n", "\r\n").encode(),
        lambda t: t.replace("\n", "\r\r\n").encode(),
        lambda t: gzip.compress(t.encode()),
        lambda t: t.replace("Zeit", '"Zeit"').replace(",", '","').replace('","', ",").encode(),
    ],
)
def test_encodings_line_ends_and_packing(encode):
    _, lines, _ = local_file()
    data = encode(f"Gebäude °C\n{HEAD}\n" + "\n".join(lines) + "\n")
    assert_as_whole(in_parts(data, "a.csv", LOCAL), read_trends(data, "a.csv", LOCAL))


def test_a_table_point_after_point_is_read_in_parts():
    base = BASES["long"]()
    by_point = sorted(base.lines[1:], key=lambda line: line.split(";")[1])
    data = text_of(by_point, base.lines[0])
    parts, whole = in_parts(data, base.name), read_trends(data, base.name, RULES)
    assert len(list(line_blocks(opener(data), large.PART_BYTES))) > 5
    # stamps of parts that lie in the same time count once for each of them
    parts.examination.rows_stored = whole.examination.rows_stored
    assert_as_whole(parts, whole)


def test_a_stamp_that_comes_twice_across_a_cut_is_settled_and_one_far_away_refuses():
    base = BASES["wide"]()
    lines = list(base.lines[1:])
    for at in range(30, 90):
        other = lines[at].rsplit(",", 1)[0] + ",99.9"
        data = text_of([*lines[: at + 1], other, *lines[at + 1 :]], base.lines[0])
        parts = in_parts(data, base.name)
        assert_as_whole(parts, read_trends(data, base.name, RULES))
        assert parts.findings.counts("refused") == {"different values": 2}
    again = text_of([*lines, lines[20]], base.lines[0])
    again_inside = text_of([*lines[:200], *lines[20:22], *lines[200:]], base.lines[0])
    for data in (again, again_inside):
        # strays are left out as elsewhere; what looks like rows of their own cannot be settled
        try:
            parts = in_parts(data, base.name)
        except PartsDiffer:
            continue
        assert_as_whole(parts, read_trends(data, base.name, RULES))
    shuffled = list(lines)
    random.Random(1).shuffle(shuffled)
    with pytest.raises(PartsDiffer, match="earlier lines tell"):
        in_parts(text_of(shuffled, base.lines[0]), base.name)


def test_a_unit_that_changes_half_way_refuses():
    lines = [f"2025-10-{1 + i // 96:02d} {i // 4 % 24:02d}:{i % 4 * 15:02d}" for i in range(600)]
    rows = [f"{t};{60 + i % 7} {'°C' if i < 400 else '°F'}" for i, t in enumerate(lines)]
    with pytest.raises(PartsDiffer, match="elsewhere"):
        in_parts(text_of(rows), "a.csv")


def test_another_decimal_mark_in_one_part_is_asked_about():
    lines = [f"2025-10-{1 + i // 96:02d} {i // 4 % 24:02d}:{i % 4 * 15:02d}" for i in range(600)]
    rows = [f"{t};{60 + i % 7}{',' if i < 400 else '.'}5" for i, t in enumerate(lines)]
    parts = in_parts(text_of(rows), "a.csv")
    assert any("decimal" in q for q in parts.examination.questions)


def test_a_clock_that_never_changes_is_not_read_as_if_it_did():
    index = pd.date_range("2025-03-20", periods=15 * 96, freq="15min")
    lines = [f"{t:%d.%m.%Y %H:%M:%S};60,{i % 9}" for i, t in enumerate(index)]
    with pytest.raises(PartsDiffer, match="--time-zone"):
        in_parts(text_of(lines), "a.csv", LOCAL)


def test_a_stamp_damaged_at_a_cut_is_found():
    base = BASES["wide"]()
    for at in range(20, 120):
        lines = list(base.lines)
        lines[at] = lines[at].replace("2025-10", "2025-11")
        data = ("\n".join(lines) + "\n").encode()
        parts = in_parts(data, base.name)
        assert parts.findings.counts("refused") == {"stamp out of order": 1}
        assert_as_whole(parts, read_trends(data, base.name, RULES))


def test_states_are_judged_by_the_whole_file():
    lines = [f"2025-10-{1 + i // 96:02d} {i // 4 % 24:02d}:{i % 4 * 15:02d}" for i in range(900)]
    # a word that nobody knows, on all rows of one part and on few of the file
    rows = [f"{t};60,5;{'xyz' if 400 <= i < 560 else 'ok'}" for i, t in enumerate(lines)]
    data = text_of(rows, HEAD + ";Status")
    parts = in_parts(data, "a.csv")
    assert parts.findings.counts("refused") == {"state": 160}
    assert_as_whole(parts, read_trends(data, "a.csv", RULES))


@pytest.mark.parametrize("size", [1, 10, 100, 10_000])
def test_blocks_of_lines_are_the_text(size):
    data = b"".join(b"line %d\r\n" % n for n in range(300)) + b"the last"
    pieces = [data[i : i + 37] for i in range(0, len(data), 37)]
    source, packing = unpacked(joined(lambda: iter(pieces)))
    assert packing == ""
    blocks = list(line_blocks(source, max(size, 20)))
    assert b"".join(blocks) == data
    assert all(b.endswith(b"\n") for b in blocks[:-1])
    assert isinstance(source(), io.BufferedReader)
