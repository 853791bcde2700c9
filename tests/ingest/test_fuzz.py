"""A few hundred of the files that ``python -m tests.benchmarks.fuzz`` tries by the thousand."""

from dataclasses import replace

import pandas as pd

from ingest.pipeline import read_trends
from tests.benchmarks import fuzz
from tests.benchmarks.fuzz import Mutant, bases, judge, packages, try_chunk, try_packed
from tests.ingest.corruptions import RULES


def test_changed_bytes_change_no_other_cell():
    found = try_chunk(0, size=300)
    assert not found["wrong"]
    assert sum(found["counts"].values()) == 300


def test_the_judge_can_find_fault():
    base = bases()[0]
    untouched = Mutant(base.text.encode(), frozenset(), 0)
    result = read_trends(untouched.data, base.name, RULES)
    assert judge(base, untouched, result) == "read"
    frame = result.blocks["HX-01"]
    frame.iloc[3, 0] += 0.01
    assert judge(base, untouched, result).startswith("WRONG: ('")
    frame.iloc[3, 0] = float("nan")
    assert judge(base, untouched, result).startswith("WRONG: lost")
    frame.index = frame.index + pd.Timedelta(minutes=1)
    assert "never were" in judge(base, untouched, result)


def test_every_text_and_package_is_read_whole_when_nothing_is_changed(monkeypatch):
    for base in bases():
        found = fuzz._values_of(read_trends(base.text.encode(), base.name, RULES))
        assert found.keys() == base.truth.keys(), base.name
        assert all(fuzz._same(v, base.truth[c]) for c, v in found.items())
    monkeypatch.setattr(fuzz, "mutate_bytes", lambda data, chance: data)
    assert {try_packed(p, None) for p in packages()} == {"read"}


def test_the_judge_of_packages_can_find_fault(monkeypatch):
    monkeypatch.setattr(fuzz, "mutate_bytes", lambda data, chance: data)
    package = packages()[0]
    cell = min(package.truth)
    wrong = replace(package, truth={**package.truth, cell: package.truth[cell] + 0.01})
    assert try_packed(wrong, None).startswith("WRONG")
