"""A few hundred of the files that ``python -m tests.benchmarks.fuzz`` tries by the thousand."""

import pandas as pd

from ingest.pipeline import read_trends
from tests.benchmarks.fuzz import Mutant, bases, judge, try_chunk
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
