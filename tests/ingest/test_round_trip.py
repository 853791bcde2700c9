"""A frame written in a notation drawn at random comes back as it was."""

import gzip
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.pipeline import read_trends
from ingest.point_map import Point, PointMap
from ingest.rules import Rules

COLUMNS = {
    "HX PRI FLW T": ("primary_supply_temperature", "degC", 1.0),
    "HX PRI RTN T": ("primary_return_temperature", "degC", 1.0),
    "HX FLOW": ("primary_flow", "m3/h", 1 / 3600),
    "HX POWER": ("heat_power", "kW", 1000.0),
}
RULES = Rules(
    zone=ZoneInfo("CET"),
    points=PointMap(Point(name=n, tag="HX-01", role=r, unit=u) for n, (r, u, _) in COLUMNS.items()),
)
STAMPS = ("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%Y/%m/%d %H:%M", "%m/%d/%Y %I:%M %p",
          "%Y-%m-%dT%H:%M:%S%z", "%d-%b-%Y %H:%M", "%Y%m%d%H%M%S")  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(
    delimiter=st.sampled_from([";", "\t", "|", ","]),
    comma=st.booleans(),
    stamp=st.sampled_from(STAMPS),
    step_min=st.sampled_from([1, 5, 15, 60]),
    long=st.booleans(),
    newest_first=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    missing=st.sampled_from(["", "---", "NaN", "(null)"]),
    quoted=st.booleans(),
    preamble=st.booleans(),
    crlf=st.booleans(),
    packed=st.booleans(),
    seed=st.integers(0, 10_000),
)
def test_round_trip(delimiter, comma, stamp, step_min, long, newest_first, encoding, missing,
                    quoted, preamble, crlf, packed, seed):  # fmt: skip
    rng = np.random.default_rng(seed)
    comma = comma and (delimiter != "," or quoted)
    # begins on a day above 12, so that day and month can be told apart
    start = pd.Timestamp("2025-01-20", tz="UTC") + pd.Timedelta(days=int(rng.integers(0, 280)))
    start = start.replace(day=20)
    index = pd.date_range(start, periods=40, freq=f"{step_min}min", name="time_utc")
    values = rng.uniform(1.0, 99.0, (len(index), len(COLUMNS))).round(2)
    values[rng.random(values.shape) < 0.1] = np.nan
    values[0] = 50.25
    wall = [t.tz_convert("CET").strftime(stamp) for t in index]

    def cell(value):
        text = missing if np.isnan(value) else f"{value:.2f}".replace(".", "," if comma else ".")
        return f'"{text}"' if quoted else text

    if long:
        header = delimiter.join(["Time", "Point", "Value"])
        rows = [
            delimiter.join([t, name, cell(v)])
            for t, row in zip(wall, values, strict=True)
            for name, v in zip(COLUMNS, row, strict=True)
        ]
    else:
        header = delimiter.join(["Time", *COLUMNS])
        rows = [delimiter.join([t, *map(cell, row)]) for t, row in zip(wall, values, strict=True)]
    lines = [*(["Trend log"] if preamble else []), header, *(rows[::-1] if newest_first else rows)]
    end = "\r\n" if crlf else "\n"
    data = (end.join(lines) + end).encode(encoding)
    result = read_trends(gzip.compress(data) if packed else data, "x.csv", RULES)

    assert result.findings.count("refused") == 0
    frame = result.blocks["HX-01"].reindex(index)
    for position, (role, _, factor) in enumerate(COLUMNS.values()):
        assert frame[role].to_numpy() == pytest.approx(
            values[:, position] * factor, rel=1e-9, nan_ok=True
        )
