"""What must hold of every export, whatever its notation: drawn at random, held against the drawing.

Expected values come from the frame that was written; zones from zoneinfo, units from their definitions.
"""

import gzip
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analytics.vocabulary.errors import IngestError
from ingest.pipeline import read_trends
from ingest.point_map import Point, PointMap
from ingest.rules import Rules

# unit -> what one of it is in SI, and where its zero lies there, by definition
UNITS = {
    "degC": (1.0, 0.0),
    "degF": (5.0 / 9.0, -160.0 / 9.0),
    "K": (1.0, -273.15),
    "m3/h": (1.0 / 3600.0, 0.0),
    "l/s": (1e-3, 0.0),
    "l/min": (1e-3 / 60.0, 0.0),
    "gpm": (231 * 0.0254**3 / 60.0, 0.0),  # the gallon of 231 cubic inches
    "W": (1.0, 0.0),
    "kW": (1e3, 0.0),
    "MW": (1e6, 0.0),
}
ROLES = {
    "PS": ("primary_supply_temperature", ("degC", "degF", "K"), (60.0, 110.0)),
    "SS": ("secondary_supply_temperature", ("degC", "degF", "K"), (30.0, 70.0)),
    "FLOW": ("primary_flow", ("m3/h", "l/s", "l/min", "gpm"), (1e-4, 5e-3)),
    "POWER": ("heat_power", ("W", "kW", "MW"), (1e4, 9e5)),
}
# a zone, the UTC days on which its clocks change in 2025, and by how many minutes
ZONES = {
    "Europe/Paris": (("2025-03-30", "2025-10-26"), 60),
    "America/Chicago": (("2025-03-09", "2025-11-02"), 60),
    "Pacific/Auckland": (("2025-04-05", "2025-09-27"), 60),
    "Australia/Lord_Howe": (("2025-04-05", "2025-10-04"), 30),
    "UTC": (("2025-03-30", "2025-10-26"), 0),
}
STAMPS = ("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %I:%M %p",
          "%Y-%m-%dT%H:%M:%S%z", "%d-%b-%Y %H:%M", "%Y%m%d%H%M%S")  # fmt: skip


def to_SI(values, unit):
    factor, zero = UNITS[unit]
    return values * factor + zero


def rules(zone, units, **stated):
    points = (
        Point(name=name, tag="HX-01", role=role, unit=units[name])
        for name, (role, *_) in ROLES.items()
    )
    return Rules(zone=ZoneInfo(zone), points=PointMap(points), **stated)


@st.composite
def exports(draw, zones=tuple(ZONES)):
    """Draw a day and a half of readings, and how they are written; return rules, text and truth."""
    zone = draw(st.sampled_from(zones))
    days, change_min = ZONES[zone]
    # stamps must come twice, or stay out, in the hour or half hour that changes
    step_min = draw(st.sampled_from([s for s in (5, 10, 15, 30, 60) if s <= (change_min or 60)]))
    if change_min == step_min == 30:
        step_min = 15
    noon = pd.Timestamp(draw(st.sampled_from(days)), tz="UTC") - timedelta(hours=12)
    index = pd.date_range(noon, periods=36 * 60 // step_min, freq=f"{step_min}min", name="time_utc")
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    units = {name: draw(st.sampled_from(of)) for name, (_, of, _) in ROLES.items()}
    texts, truth = {}, {}
    for name, (role, _, (low, high)) in ROLES.items():
        factor, zero = UNITS[units[name]]
        raw = (rng.uniform(low, high, len(index)) - zero) / factor
        texts[name] = [f"{v:.6g}" if "e" not in f"{v:.6g}" else f"{v:.0f}" for v in raw]
        truth[role] = to_SI(np.array(texts[name], dtype=float), units[name])
    truth = pd.DataFrame(truth, index=index)
    for role in truth:
        gone = rng.random(len(index)) < 0.08
        gone[0] = False
        truth.loc[gone, role] = np.nan
    stamp = draw(st.sampled_from(STAMPS))
    wall = [t.tz_convert(zone).strftime(stamp) for t in index]
    return rules(zone, units), wall, texts, truth


@st.composite
def notations(draw):
    delimiter = draw(st.sampled_from([";", "\t", "|", ","]))
    return {
        "delimiter": delimiter,
        "comma": draw(st.booleans()) and delimiter != ",",
        "long": draw(st.booleans()),
        "missing": draw(st.sampled_from(["", "---", "NaN", "n/a"])),
        "newest_first": draw(st.booleans()),
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "order": draw(st.permutations(list(ROLES))),
    }


def written(wall, texts, truth, *, delimiter=";", comma=False, long=False, missing="", newest_first=False,
            end="\n", encoding="utf-8", order=tuple(ROLES), extra=()):  # fmt: skip
    """Return a file of the readings; ``extra`` are headings that nobody registered."""

    def cell(name, row):
        if np.isnan(truth[ROLES[name][0]].iloc[row]):
            return missing
        return texts[name][row].replace(".", "," if comma else ".")

    if long:
        lines = [
            delimiter.join([w, name, cell(name, row)])
            for row, w in enumerate(wall)
            for name in order
        ]
        head = ["Time", "Point", "Value"]
    else:
        lines = [
            delimiter.join([w, *(cell(name, row) for name in order), *["7"] * len(extra)])
            for row, w in enumerate(wall)
        ]
        head = ["Time", *order, *extra]
    lines = [delimiter.join(head), *(lines[::-1] if newest_first else lines)]
    return (end.join(lines) + end).encode(encoding)


def assert_is(result, truth):
    assert result.findings.count("refused") == 0
    frame = result.blocks["HX-01"]
    assert frame.index.difference(truth.index).empty
    frame = frame.reindex(truth.index)
    for role in truth:
        assert frame[role].to_numpy() == pytest.approx(
            truth[role].to_numpy(), rel=1e-9, nan_ok=True
        )


@settings(max_examples=45, deadline=None)
@given(export=exports(), notation=notations(), packed=st.booleans())
def test_an_export_over_a_change_of_the_clock_comes_back(export, notation, packed):
    read_by, wall, texts, truth = export
    data = written(wall, texts, truth, **notation)
    result = read_trends(gzip.compress(data) if packed else data, "x.csv", read_by)
    assert_is(result, truth)
    assert result.examination.questions == []


@settings(max_examples=18, deadline=None)
@given(export=exports(zones=("UTC",)), notation=notations(), cuts=st.lists(st.integers(1, 9999), max_size=3))  # fmt: skip
def test_parts_of_a_file_hold_what_the_whole_holds(export, notation, cuts):
    read_by, wall, texts, truth = export
    bounds = sorted({0, len(wall), *(1 + c % (len(wall) - 2) for c in cuts)})
    assume(min(np.diff(bounds)) >= 4)  # of three lines hardly anything can be told
    found = []
    for start, end in pairwise(bounds):
        part = {name: cells[start:end] for name, cells in texts.items()}
        data = written(wall[start:end], part, truth.iloc[start:end], **notation)
        found.append(read_trends(data, "x.csv", read_by).blocks["HX-01"])
    whole = read_trends(written(wall, texts, truth, **notation), "x.csv", read_by)
    joined = pd.concat(found).sort_index()
    pd.testing.assert_frame_equal(
        joined, whole.blocks["HX-01"][joined.columns], check_exact=True, check_freq=False
    )


@settings(max_examples=18, deadline=None)
@given(export=exports(), order=st.permutations(list(ROLES)), extra=st.lists(st.sampled_from(["A", "B", "Note 3"]), unique=True))  # fmt: skip
def test_order_of_columns_and_strange_columns_change_nothing(export, order, extra):
    read_by, wall, texts, truth = export
    plain = read_trends(written(wall, texts, truth), "x.csv", read_by).blocks["HX-01"]
    other = read_trends(
        written(wall, texts, truth, order=order, extra=extra), "x.csv", read_by
    ).blocks["HX-01"]
    pd.testing.assert_frame_equal(other[plain.columns], plain, check_exact=True)


@settings(max_examples=18, deadline=None)
@given(export=exports(), notation=notations())
def test_what_was_read_reads_the_same_when_written_in_utc(export, notation):
    read_by, wall, texts, truth = export
    first = read_trends(written(wall, texts, truth, **notation), "x.csv", read_by).blocks["HX-01"]
    names = {role: name for name, (role, *_) in ROLES.items()}
    again = first.rename(columns=names)
    again.index = [f"{t:%Y-%m-%dT%H:%M:%SZ}" for t in first.index]
    si = {"PS": "degC", "SS": "degC", "FLOW": "m3/s", "POWER": "W"}
    second = read_trends(
        again.to_csv(index_label="Time").encode(), "y.csv", rules(read_by.zone.key, si)
    ).blocks["HX-01"]
    pd.testing.assert_frame_equal(second[first.columns], first, rtol=1e-12, check_freq=False)


PIECES = st.sampled_from(
    ["Time", "PS", "FLOW", "2025-03-30 02:30", "30.03.2025", "1,5", "1.5", ";", ",", "\t", "\n", "\r", '"', "'",
     "=", "[degC]", "NaN", "-", "1e999", "\x00", "\ufeff", "ä", "12:00", "sep=;", " ", "{", "[", "PK\x03\x04"]
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(data=st.one_of(st.lists(PIECES, max_size=80).map(lambda p: "".join(p).encode()), st.binary(max_size=400)))  # fmt: skip
def test_whatever_comes_is_read_or_refused_with_a_sentence(data):
    units = dict.fromkeys(("PS", "SS"), "degC") | {"FLOW": "m3/h", "POWER": "kW"}
    found = outcome(data, rules("Europe/Paris", units))
    if isinstance(found, str):
        assert found.startswith("any.csv")
        assert len(found) > 30
    else:
        assert found


def outcome(data, read_by):
    try:
        return read_trends(data, "any.csv", read_by).blocks
    except IngestError as error:
        return str(error)
