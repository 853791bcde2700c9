"""Hours in which a regular log has no row are told: how many times, how long, when; nothing else is."""

import numpy as np
import pandas as pd
import pytest

from ingest.findings import Findings
from ingest.outages import POINT_REASON, REASON, Outages

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
    assert "no row from 2026-01-03 04:15 UTC to 2026-01-04 21:15 UTC (41 h)" in text


def test_several_are_counted_summed_and_the_longest_comes_first() -> None:
    """3 h, 41 h and 10 h: 54 h in three; one and a half hours are no outage."""
    stamps = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    stamps = without(stamps, "2026-01-10T00:00Z", "2026-01-10T03:00Z")
    stamps = without(stamps, "2026-01-12T00:00Z", "2026-01-12T10:00Z")
    stamps = without(stamps, "2026-01-20T00:00Z", "2026-01-20T01:30Z")
    ((text, count),) = said(frame(stamps))
    assert count == 3
    assert "3 times, 54 h in all" in text
    assert text.index("2026-01-03 04:15 UTC") < text.index("2026-01-12") < text.index("2026-01-10")
    assert "2026-01-20" not in text


def test_points_that_nobody_registered_are_spoken_of_by_their_headings() -> None:
    stamps = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    found = pd.DataFrame({"FT-7": 1.0, "TT-1": 40.0}, index=stamps.as_unit("us"))
    found.loc["2026-01-10 00:15":"2026-01-10 11:45", "FT-7"] = np.nan
    outages, findings = Outages(), Findings()
    outages.add({"": found})
    outages.say(findings)
    whole, single = (f.text for f in findings)
    assert whole.startswith("The log is regular and has no row from 2026-01-03 04:15 UTC")
    assert single.startswith("FT-7: is logged regularly and has no value from 2026-01-10 00:00 UTC")


def test_outages_are_listed_newest_first_with_the_points_that_share_one() -> None:
    stamps = without(every(15), "2026-01-03T04:15Z", "2026-01-04T21:15Z")
    found = pd.DataFrame(
        {"primary_flow": 1.0, "heat_power": 2.0, "outdoor_temperature": 3.0},
        index=stamps.as_unit("us"),
    )
    found.loc["2026-01-10 00:15":"2026-01-10 11:45", ["primary_flow", "heat_power"]] = np.nan
    outages = Outages()
    outages.add({"HX-01": found})
    single, whole = outages.of("HX-01")
    assert (single.roles, single.hours) == (("heat_power", "primary_flow"), 12.0)
    assert (whole.roles, whole.hours) == ((), 41.0)
    assert f"{whole.begin_utc:%d %H:%M} {whole.end_utc:%d %H:%M}" == "03 04:15 04 21:15"
    assert outages.is_regular("HX-01")
    assert outages.of("HX-02") == ()


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
    # lines 30 to 47 of hourly readings from the site's midnight: its hour 29 to its hour 48
    told = "no row from 2025-10-02 05:00 CEST to 2025-10-03 00:00 CEST (19 h)"
    assert told in done.stderr
    report = own_ledger.import_report(1)
    (reason,) = [r for r in report["reasons"] if r["reason"] == REASON]
    assert (reason["what"], reason["count"]) == ("noted", 1)
    assert told in reason["examples"][0]["text"]


# --- one point, while others go on ----------------------------------------------------------------


def told(*parts: dict[str, pd.DataFrame]) -> list[tuple[str, int]]:
    outages, findings = Outages(), Findings()
    for part in parts:
        outages.add(part)
    outages.say(findings)
    return [(f.text, f.count) for f in findings if f.reason == POINT_REASON]


def pair(minutes: int = 15, days: float = 30.0) -> pd.DataFrame:
    """Two points at each stamp."""
    return frame(every(minutes, days)).assign(outdoor_temperature=2.0)


def emptied(whole: pd.DataFrame, *stretches: tuple[str, str]) -> pd.DataFrame:
    """Take the values of one point strictly between stamps."""
    whole = whole.copy()
    for first, last in stretches:
        inside = (whole.index > first) & (whole.index < last)
        whole.loc[inside, "primary_flow"] = np.nan
    return whole


DAYS = ("2026-01-03T04:15Z", "2026-01-04T21:15Z")


def test_a_point_that_is_empty_while_another_goes_on_is_told_with_both_ends() -> None:
    ((text, count),) = told({"HX-01": emptied(pair(), DAYS)})
    assert count == 1
    assert text.startswith("HX-01 primary flow")
    assert "no value from 2026-01-03 04:15 UTC to 2026-01-04 21:15 UTC (41 h)" in text
    assert said(emptied(pair(), DAYS)) == []  # the rows are all there


def test_several_of_a_point_are_counted_and_short_ones_are_not() -> None:
    """41 h and 10 h are two; an hour and a half is none."""
    more = (("2026-01-12T00:00Z", "2026-01-12T10:00Z"), ("2026-01-20T00:00Z", "2026-01-20T01:30Z"))
    ((text, count),) = told({"HX-01": emptied(pair(), DAYS, *more)})
    assert count == 2
    assert "2 times, 51 h in all" in text


def test_a_point_that_ends_before_the_others_or_begins_after_them_is_told() -> None:
    """30 days from 1 January: the last row is at 23:45 on the 30th."""
    ((text, _),) = told({"HX-01": emptied(pair(), ("2026-01-20T00:00Z", "2027-01-01"))})
    assert "from 2026-01-20 00:00 UTC to 2026-01-30 23:45 UTC (264 h)" in text
    ((text, _),) = told({"HX-01": emptied(pair(), ("2025-12-31", "2026-01-02T00:00Z"))})
    assert "from 2026-01-01 00:00 UTC to 2026-01-02 00:00 UTC (24 h)" in text


def test_hours_without_a_row_are_the_logs_and_not_the_points() -> None:
    whole = pair()
    away = whole[(whole.index <= DAYS[0]) | (whole.index >= DAYS[1])]
    assert told({"HX-01": away}) == []
    # nine hours before those are the point's alone
    ((text, count),) = told({"HX-01": emptied(away, ("2026-01-02T19:15Z", DAYS[1]))})
    assert count == 1
    assert "from 2026-01-02 19:15 UTC to 2026-01-04 21:15 UTC (9 h)" in text


def test_a_point_of_its_own_slower_interval_or_on_change_is_not_spoken_of() -> None:
    hourly = pair(5)
    hourly.loc[hourly.index.minute != 0, "primary_flow"] = np.nan
    assert told({"HX-01": hourly}) == []
    changes = pair(5)
    kept = np.random.default_rng(4).random(len(changes)) < 0.03
    changes.loc[~kept, "primary_flow"] = np.nan
    assert told({"HX-01": changes}) == []
    ((text, _),) = told({"HX-01": emptied(hourly, DAYS)})
    # the hours before the one end and after the other
    assert "from 2026-01-03 04:00 UTC to 2026-01-04 22:00 UTC (42 h)" in text


def test_parts_tell_of_a_point_what_the_whole_tells_and_one_for_many_is_told_once() -> None:
    whole = emptied(pair(), DAYS)
    cut = [{"HX-01": whole[:250]}, {"HX-01": whole[250:300]}, {"HX-01": whole[300:]}]
    assert told(*cut) == told(*cut[::-1]) == told({"HX-01": whole})
    ((text, count),) = told({f"HX-0{n}": whole for n in range(1, 6)})
    assert count == 1
    assert text.startswith("HX-01, HX-02, HX-03 and 2 more primary flow")


def test_empty_cells_of_a_wide_file_reach_the_report(own_ledger, write_trends) -> None:
    from service.usecases.files import ImportOptions

    lines = write_trends(hours=96).splitlines()
    at = lines[0].split(",").index("OAT")
    for n in range(31, 49):  # hours 30 to 47
        cells = lines[n].split(",")
        cells[at] = ""
        lines[n] = ",".join(cells)
    done = own_ledger.import_store("o.csv", "\n".join([*lines, ""]).encode(), ImportOptions())
    (reason,) = [
        r for r in own_ledger.import_report(done.run)["reasons"] if r["reason"] == POINT_REASON
    ]
    assert (
        "from 2025-10-02 05:00 CEST to 2025-10-03 00:00 CEST (19 h)"
        in reason["examples"][0]["text"]
    )
