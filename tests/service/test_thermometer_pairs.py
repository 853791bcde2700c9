"""The table of thermometer pairs: which, how much, since when, from which evidence, how old."""

from dataclasses import replace
from datetime import UTC, datetime

from analytics.vocabulary.records import Estimate, PairOffset
from service.pages.thermometer_pairs import pairs_table
from service.store.codec import plain
from tests.service import made_up


def _pair(evidence, age):
    return PairOffset(
        first_role="primary_return_temperature", second_role="secondary_return_temperature",
        evidence=evidence, from_utc=datetime(2023, 5, 3, tzinfo=UTC),
        to_utc=datetime(2023, 10, 15, tzinfo=UTC), hours=2886.0,
        difference_K=Estimate(value=-2.4, low=-3.3, high=-1.5), age_days=age,
    )  # fmt: skip


def test_a_pair_is_named_once_with_all_that_is_said_of_it():
    found = replace(
        next(iter(made_up.every_case().values())),
        pairs=(_pair("standstill", 500.0), _pair("together", 158.0)),
    )  # fmt: skip
    table = pairs_table(found, made_up.whole_plant())
    assert table is not None
    newest, older = table.rows
    assert newest[0] == "primary return – secondary return"
    assert older[0] == ""
    assert newest[1].startswith("all together")
    assert older[1].startswith("at a standstill")
    assert older[2].replace("\N{NO-BREAK SPACE}", " ") == "May 2023 to Oct 2023"
    assert "−2.4" in newest[3]
    assert older[4].endswith("old")
    assert newest[4].startswith("158")
    assert plain(found.pairs[0])["age_days"] == 500.0


def test_nothing_is_shown_where_nothing_is_known():
    found = replace(next(iter(made_up.every_case().values())), pairs=())
    assert pairs_table(found, made_up.whole_plant()) is None
