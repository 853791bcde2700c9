"""Distinct values that say how often they occur are judged as the rows they stand for."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.dialects.readings import to_si
from ingest.examination import ColumnReport, Examination
from ingest.findings import Findings
from ingest.mapping.hours import common_hours
from ingest.point_map import Point

_VALUE = st.one_of(st.floats(-400.0, 900.0), st.just(float("nan")))
_COUNTED = st.lists(st.tuples(_VALUE, st.integers(0, 9)), min_size=1, max_size=30)


def _judged(
    role: str, unit: str, values: np.ndarray, counts: np.ndarray | None
) -> tuple[object, ...]:
    report, findings = ColumnReport(heading="P"), Findings()
    examination = Examination(name="f.csv")
    point = Point(name="P", tag="HX", role=role, unit=unit)
    switched = np.zeros(len(values), dtype=bool)
    to_si(point, values, switched, unit, report, findings, examination, counts)
    said = [(f.reason, f.text, f.count) for f in findings]
    numbers = (report.smallest, report.largest, report.values_outside_range, report.unit_used)
    return said, numbers, examination.questions


@given(
    counted=_COUNTED,
    kind=st.sampled_from(
        [
            ("primary_supply_temperature", "K"),
            ("primary_supply_temperature", "degF"),
            ("outdoor_temperature", "degC"),
            ("valve_position", "%"),
            ("valve_position", "1"),
        ]
    ),
)
def test_counts_say_what_rows_say(counted: list[tuple[float, int]], kind: tuple[str, str]) -> None:
    values, counts = np.array([v for v, _ in counted]), np.array([n for _, n in counted])
    by_rows = _judged(*kind, np.repeat(values, counts), None)
    assert _judged(*kind, values, counts) == by_rows


@pytest.mark.parametrize("unit", ["s", "us", "ns"])
@pytest.mark.parametrize("step", ["7min", "1h", "5h"])
def test_hourly_means_are_those_of_the_library(unit: str, step: str) -> None:
    rng = np.random.default_rng(7)
    index = pd.date_range("2025-01-01 00:13", periods=900, freq=step, tz="UTC").as_unit(unit)
    points = {}
    for name in "ab":
        values = rng.normal(size=900)
        values[rng.random(900) < 0.3] = np.nan
        values[:40] = values[-25:] = values[300:450] = np.nan
        points[name] = pd.Series(values, index=index)
    means = {n: s.dropna().resample("1h").mean().ffill(limit=3) for n, s in points.items()}
    expected = pd.DataFrame(means).dropna(how="all")
    found = common_hours(points)
    chosen = np.linspace(0, len(expected) - 1, min(len(expected), 2000)).astype(int)
    pd.testing.assert_frame_equal(
        found, expected.iloc[chosen], check_freq=False, check_index_type=False
    )
