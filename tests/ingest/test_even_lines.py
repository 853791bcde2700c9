"""Reading the even middle of a text by columns changes nothing: values, findings or what is told."""

import random
from dataclasses import asdict

import pandas as pd
import pytest

from analytics.vocabulary.errors import IngestError
from ingest.dialects import even_lines
from ingest.dialects.records import split_records
from ingest.pipeline import read_trends
from tests.ingest.corruptions import BASES, KINDS, RULES

CASES = [(name, base) for name, (_, bases) in KINDS.items() for base in bases]
NEVER = 1 << 40


def outcome(data, name):
    """Return all that a reading tells, or why it refuses."""
    try:
        result = read_trends(data, name, RULES)
    except IngestError as exc:
        return str(exc)
    findings = [asdict(f) for f in result.findings]
    return result.blocks, findings, asdict(result.examination)


def assert_same(data, name, monkeypatch, ends=150):
    monkeypatch.setattr(even_lines, "_ENDS", NEVER)
    careful = outcome(data, name)
    monkeypatch.setattr(even_lines, "_ENDS", ends)
    fast = outcome(data, name)
    if isinstance(careful, str):
        assert fast == careful
        return
    assert fast[0].keys() == careful[0].keys()
    for tag, frame in careful[0].items():
        pd.testing.assert_frame_equal(fast[0][tag], frame, check_exact=True)
    assert fast[1] == careful[1]
    for told in (fast[2], careful[2]):
        told.pop("unregistered")
    assert fast[2] == careful[2]


@pytest.mark.parametrize(("name", "base_name"), CASES)
def test_damaged_files_give_the_same_by_either_way(name, base_name, monkeypatch):
    base = BASES[base_name]()
    damage = KINDS[name][0](base, random.Random(2))
    assert_same(damage.data, base.name, monkeypatch)


@pytest.mark.parametrize(("name", "base_name"), CASES[::3])
def test_columns_without_a_list_of_their_texts_give_the_same(name, base_name, monkeypatch):
    monkeypatch.setattr(even_lines, "_GROWS", 0.0)
    monkeypatch.setattr(even_lines, "_FEW_TEXTS", -1)
    base = BASES[base_name]()
    damage = KINDS[name][0](base, random.Random(3))
    assert_same(damage.data, base.name, monkeypatch)


@pytest.mark.parametrize("base_name", BASES)
def test_sound_files_take_the_fast_way_and_give_the_same(base_name, monkeypatch):
    base = BASES[base_name]()
    assert_same(base.text.encode(), base.name, monkeypatch)
    lines = base.text.encode()
    delimiter = max(",;\t", key=base.text.splitlines()[-1].count)
    if '"' not in base.text:
        assert split_records(lines, delimiter).even is not None


def both_ways(data, monkeypatch, delimiter=","):
    monkeypatch.setattr(even_lines, "_ENDS", NEVER)
    careful = split_records(data, delimiter)
    monkeypatch.setattr(even_lines, "_ENDS", 40)
    return careful, split_records(data, delimiter)


@pytest.mark.parametrize("line_end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("middle", [b" a ,,NA", b",,", b"null,\xc3\xb8,\xef\xbb\xbf"])
def test_records_are_the_same_cell_by_cell(middle, line_end, monkeypatch):
    lines = [b"site", b"x,y,z", *[b"1,2,3"] * 20, middle, *[b"4,,5 "] * 20, middle, b"", b"end,of"]
    careful, fast = both_ways(line_end.join(lines * 2) + line_end, monkeypatch)
    # the text is uneven where it was doubled: nothing but the careful way will do
    assert fast.even is None
    careful, fast = both_ways(line_end.join(lines) + line_end, monkeypatch)
    assert fast.even is not None
    for name in ("first", "width", "line", "blank"):
        assert getattr(fast, name).tolist() == getattr(careful, name).tolist(), name
    every = range(len(careful.width))
    assert [fast.row(i) for i in every] == [careful.row(i) for i in every]
    rows = (careful.width == 3).nonzero()[0]
    for chosen in (rows, rows[::3], rows[:4], rows[-4:], rows[:0]):
        for position in range(3):
            a, b = (r.column(position, chosen) for r in (careful, fast))
            assert a.to_pylist() == b.to_pylist()
            assert set(a.dictionary.to_pylist()) == set(b.dictionary.to_pylist())


@pytest.mark.parametrize("broken", [b"1,2", b"1,2,3,4", b"", b"\r", b'1,"2",3'])
def test_one_uneven_line_is_left_to_the_careful_way(broken, monkeypatch):
    lines = [*[b"1,2,3"] * 30, broken, *[b"1,2,3"] * 30]
    careful, fast = both_ways(b"\n".join(lines) + b"\n", monkeypatch)
    assert fast.even is None
    assert fast.width.tolist() == careful.width.tolist()
