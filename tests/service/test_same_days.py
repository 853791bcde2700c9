"""Page, document and JSON name the same days and the same figures for one exchanger."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from analytics.vocabulary.records import Evaluation
from service.documents.contents import page_one
from service.pages.account_sections import money as money_part
from service.pages.account_sections import money_account
from service.pages.exchanger import answer, facts
from service.usecases.status import Status, status_of
from service.wording import dates
from service.wording.waiting import other_days, shared_days
from tests.service import made_up

PLANT = made_up.whole_plant()


def _document(evaluation: Evaluation) -> dict[str, Any]:
    exchanger = PLANT.exchanger(evaluation.tag)
    return page_one(PLANT, exchanger, evaluation, made_up.events(), made_up.THROUGH)


def _status(evaluation: Evaluation) -> Status:
    return status_of(PLANT, evaluation.tag, evaluation, 1, made_up.THROUGH)


def test_one_day_of_a_visit_is_spoken_of() -> None:
    """The account of the made-up deposit is best on 7 December, two weeks after its readings end."""
    evaluation = made_up.deposit()
    told = _status(evaluation).avoidable_cost
    assert told.best_visit == datetime(2026, 12, 7, tzinfo=UTC)
    assert told.visit_brings.value == evaluation.money.best_net_benefit.value
    assert facts(evaluation, PLANT)[-1].label == "A visit on 7\u00a0Dec brings"
    assert "about 7\u00a0December\u00a02026" in money_part(evaluation, PLANT).heading
    assert "7\u00a0December\u00a02026" in "".join(p["t"] for p in _document(evaluation)["request"])


def test_one_day_of_the_loss_is_spoken_of() -> None:
    """The made-up deposit began on 20 January 2026; its cost is counted from then."""
    evaluation, day = made_up.deposit(), datetime(2026, 1, 20, tzinfo=UTC)
    told = _status(evaluation)
    assert told.since == told.avoidable_cost.since == day
    assert answer(evaluation, PLANT)[1].endswith("since 20\u00a0January\u00a02026.")
    account = money_account(evaluation, PLANT)
    assert account.groups[0].head == "Avoidable since 20\u00a0Jan\u00a02026"
    document = _document(evaluation)
    assert "since 20\u00a0Jan\u00a02026" in document["figures"][-1]["note"]
    assert account.note in document["sure"]
    assert "20\u00a0January\u00a02026" in account.note


def test_one_month_of_waiting_is_spoken_of() -> None:
    """Thirty days from the end of the readings; a list names a row's own where they differ."""
    evaluation = made_up.deposit()
    days = f"30 days from {dates.short_day(evaluation.through_utc, PLANT.zone)}"
    assert f"{days} cost" in [f.label for f in facts(evaluation, PLANT)]
    assert f"{days} cost" in [f["label"] for f in _document(evaluation)["figures"]]
    assert _status(evaluation).avoidable_cost.next_month_from == evaluation.through_utc
    older = replace(evaluation, through_utc=evaluation.through_utc - timedelta(days=40))
    shared = shared_days([older, evaluation], PLANT)
    assert shared == days
    assert other_days(evaluation, shared, PLANT) == ""
    own = dates.short_day(older.through_utc, PLANT.zone)
    assert other_days(older, shared, PLANT) == f"from {own}"
