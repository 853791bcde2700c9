"""Hours in which a regular log has no row are told: how many times, how long, when; nothing else is."""

import numpy as np
import pandas as pd
import pytest

from ingest.findings import Findings
from ingest.outages import REASON, Outages

START = "2026-01-01"


def frame(stamps: pd.DatetimeIndex) -> pd.DataFrame:
    return pd.DataFrame({"primary_flow": 1.0}, index=stamps.as_unit("us"))


def every(minutes: int, days: float = 30.0) -> pd.DatetimeIndex:
    return pd.date_range(START, periods=int(days * 1440 / minutes), freq=f"{minutes}min", tz="UTC")


def without(stamps: pd.DatetimeIndex, first: str, last: str) -> pd.DatetimeIndex:
    return stamps[(stamps <= first) | (stamps >= last)]


def said(*parts: pd.DataFrame) -> list[tuple[str, int]]:
    outages, findings = Outages(), Findings()
    for part in parts:
        outages.add({"HX-01": part})
    outages.say(findings)
    return [(f.text, f.count) for f in findings if f.reason == REASON]


def test_one_silence_is_told_with_both_ends() -> None:
    silent = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    ((text, count),) = said(frame(silent))
    assert count == 1
    assert "no row from 2026-01-03T04:15Z to 2026-01-04T21:15Z (41 h)" in text


def test_several_are_counted_summed_and_the_longest_comes_first() -> None:
    """3 h, 41 h and 10 h: 54 h in three; one and a half hours are no outage."""
    stamps = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    stamps = without(stamps, "2026-01-10T00:00Z", "2026-01-10T03:00Z")
    stamps = without(stamps, "2026-01-12T00:00Z", "2026-01-12T10:00Z")
    stamps = without(stamps, "2026-01-20T00:00Z", "2026-01-20T01:30Z")
    ((text, count),) = said(frame(stamps))
    assert count == 3
    assert "3 times, 54 h in all" in text
    assert text.index("2026-01-03T04:15Z") < text.index("2026-01-12") < text.index("2026-01-10")
    assert "2026-01-20" not in text


@pytest.mark.parametrize("minutes", [1, 15, 60])
def test_a_whole_log_is_not_spoken_of(minutes: int) -> None:
    assert said(frame(every(minutes))) == []


def test_an_hourly_log_is_silent_from_four_hours_and_a_daily_one_from_four_days() -> None:
    assert said(frame(without(every(60), "2026-01-05T00:00Z", "2026-01-05T03:00Z"))) == []
    assert said(frame(without(every(60), "2026-01-05T00:00Z", "2026-01-05T04:00Z")))
    assert said(frame(every(1440, days=200))) == []


def test_silence_on_change_of_value_says_nothing() -> None:
    rng = np.random.default_rng(3)
    hours = np.sort(rng.uniform(0, 24 * 30, 600))
    stamps = pd.DatetimeIndex(pd.Timestamp(START, tz="UTC") + pd.to_timedelta(hours, unit="h"))
    stamps = without(stamps, "2026-01-05T00:00Z", "2026-01-06T00:00Z")
    assert said(frame(stamps)) == []


def test_parts_tell_what_the_whole_tells_in_any_order_and_point_after_point() -> None:
    stamps = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    whole = said(frame(stamps))
    first, last = frame(stamps[:1000]), frame(stamps[1000:])
    assert said(first, last) == said(last, first) == whole
    # one part ends with the last days of one point and begins with the first days of the next
    torn = frame(stamps[:300].union(stamps[-300:]))
    assert said(frame(stamps), torn) == said(torn, frame(stamps)) == whole


def test_the_report_of_an_import_and_the_command_tell_it(
    own_ledger, write_trends, tmp_path
) -> None:
    from typer.testing import CliRunner

    from service.cli import (
        answers,  # noqa: F401
        data,  # noqa: F401
    )
    from service.cli.command import app

    lines = write_trends(hours=96).splitlines(keepends=True)
    path = tmp_path / "october.csv"
    path.write_text(
        "".join(lines[:31] + lines[49:]), encoding="utf-8"
    )  # hours 30 to 47 are left out
    done = CliRunner().invoke(
        app, ["import", str(path), "-w", str(own_ledger.settings.workspace)]
    )  # fmt: skip
    assert done.exit_code == 0
    # hour 29 of a CET midnight (UTC+2 in October) is 03:00Z of the second day, hour 48 is 22:00Z
    told = "no row from 2025-10-02T03:00Z to 2025-10-02T22:00Z (19 h)"
    assert told in done.stderr
    report = own_ledger.import_report(1)
    (reason,) = [r for r in report["reasons"] if r["reason"] == REASON]
    assert (reason["what"], reason["count"]) == ("noted", 1)
    assert told in reason["examples"][0]["text"]
