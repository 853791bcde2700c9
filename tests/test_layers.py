"""The shape of the project: imports run one way, and nothing lies about at the top."""

import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

from analytics.vocabulary.quantities import (
    DAILY_COLUMNS,
    ESTIMATED_COLUMNS,
    INTERVAL_COLUMNS,
    REASON_BITS,
    SET_ASIDE_REASONS,
    TREND_ROLES,
    Quantity,
)
from analytics.vocabulary.units import parse_unit

ROOT = Path(__file__).parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "ingest", "analytics", "tests",
       "demo_data"}  # fmt: skip


def test_imports_run_one_way():
    """Every contract of pyproject.toml is kept."""
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "kept" in done.stdout


def test_nothing_lies_beside_the_layout():
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    top = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".")
        and not any(fnmatch(path.name, pattern.strip("/")) for pattern in ignored)
    }
    assert top <= TOP
    assert {"README.md", "DEVELOPERS.md"} <= top


def _listed() -> list[Quantity]:
    return [*TREND_ROLES, *INTERVAL_COLUMNS, *SET_ASIDE_REASONS, *DAILY_COLUMNS]


@pytest.mark.parametrize("quantity", _listed(), ids=lambda q: q.name)
def test_every_quantity_has_unit_label_and_meaning(quantity):
    parse_unit(quantity.unit)
    assert quantity.label.strip()
    assert quantity.meaning.strip()
    assert quantity.low < quantity.high


@pytest.mark.parametrize(
    "names",
    [
        [q.name for q in TREND_ROLES],
        [q.name for q in INTERVAL_COLUMNS],
        [q.name for q in DAILY_COLUMNS],
        list(REASON_BITS),
    ],
)
def test_names_stand_once(names):
    assert len(names) == len(set(names))


def test_estimated_columns_are_daily_columns():
    assert set(ESTIMATED_COLUMNS) < {q.name for q in DAILY_COLUMNS}


def test_reason_bits_are_single_and_distinct_bits():
    bits = list(REASON_BITS.values())
    assert sum(bits) == 2 ** len(bits) - 1
