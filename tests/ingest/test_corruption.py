"""Every kind of damage is repaired and said, or refused and said: nothing is wrong in silence."""

import random

import pandas as pd
import pytest

from analytics.vocabulary.errors import IngestError
from ingest.pipeline import read_trends
from tests.ingest.corruptions import BASES, KINDS, RULES, Base, Damage

CASES = [(name, base) for name, (_, bases) in KINDS.items() for base in bases]


def stored_cells(result):
    """Return what would be stored, by role and stamp."""
    return {
        (str(role), at): float(value)
        for frame in result.blocks.values()
        for role in frame.columns
        for at, value in frame[role].dropna().items()
    }


def check(base: Base, damage: Damage, result) -> None:
    """Hold every stored cell against the truth, and every lost one against what was said."""
    found = stored_cells(result)
    extra = {cell for cell in found if cell not in base.truth}
    assert not extra, f"cells that never were: {sorted(extra)[:3]}"
    wrong = {c for c, v in found.items() if v != pytest.approx(base.truth[c], rel=1e-9)}
    assert not wrong, f"changed in silence: {sorted(wrong)[:3]}"
    allowed = {cell for line in damage.lines for cell in base.cells.get(line, ())}
    lost = set(base.truth) - set(found)
    assert lost <= allowed, f"lost elsewhere: {sorted(lost - allowed)[:3]}"


def test_there_are_at_least_sixty_kinds():
    assert len(KINDS) >= 60


@pytest.mark.parametrize(("name", "base_name"), CASES)
@pytest.mark.parametrize("seed", [1])
def test_damage(name, base_name, seed):
    base = BASES[base_name]()
    damage = KINDS[name][0](base, random.Random(seed))
    if damage.expect == "file":
        with pytest.raises(IngestError, match=rf"^{base.name}"):
            read_trends(damage.data, base.name, RULES)
        return
    result = read_trends(damage.data, base.name, RULES)
    check(base, damage, result)
    if damage.expect == "question":
        assert result.examination.questions
    else:
        assert not result.examination.questions
    lost = set(base.truth) - set(stored_cells(result))
    if lost and name not in ("lines_lost",):
        said = result.findings.count("refused") + sum(
            c.values_missing + bool(c.left_out not in (None, "time"))
            for c in result.examination.columns
        )
        assert said, "lost without a word"


@pytest.mark.parametrize("base_name", BASES)
def test_the_undamaged_file_is_read_whole_without_a_word(base_name):
    base = BASES[base_name]()
    result = read_trends(base.text.encode(), base.name, RULES)
    check(base, Damage(data=b"", expect="all"), result)
    assert not result.findings.count()
    assert isinstance(next(iter(stored_cells(result)))[1], pd.Timestamp)
