"""Page, document and JSON name the same days and the same figures for one exchanger."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from analytics.vocabulary.records import Evaluation, Remark, VerdictKind
from service.documents.contents import page_one
from service.pages.account_sections import money as money_part
from service.pages.account_sections import money_account
from service.pages.exchanger import answer, facts
from service.usecases.status import Status, status_of
from service.wording import dates, foreseen
from service.wording.paying import loss_price_and_day
from service.wording.visit_day import SOON
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
    assert facts(evaluation, PLANT, made_up.THROUGH)[-1].label == "A visit on 7\u00a0Dec brings"
    assert (
        "about 7\u00a0December\u00a02026" in money_part(evaluation, PLANT, made_up.THROUGH).heading
    )
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
    assert account.note in document["sums"]
    assert "20\u00a0January\u00a02026" in account.note


def test_one_month_of_waiting_is_spoken_of() -> None:
    """Thirty days from the end of the readings; a list names a row's own where they differ."""
    evaluation = made_up.deposit()
    days = f"30 days from {dates.short_day(evaluation.through_utc, PLANT.zone)}"
    assert f"{days} cost" in [f.label for f in facts(evaluation, PLANT, made_up.THROUGH)]
    assert f"{days} cost" in [f["label"] for f in _document(evaluation)["figures"]]
    assert _status(evaluation).avoidable_cost.next_month_from == evaluation.through_utc
    older = replace(evaluation, through_utc=evaluation.through_utc - timedelta(days=40))
    shared = shared_days([older, evaluation], PLANT)
    assert shared == days
    assert other_days(evaluation, shared, PLANT) == ""
    own = dates.short_day(older.through_utc, PLANT.zone)
    assert other_days(older, shared, PLANT) == f"from {own}"


def test_a_best_day_that_is_today_or_went_by_is_told_as_soon_as_it_can_be_arranged() -> None:
    """The best day is 7 December 2026; on it and after it no place names it any more as a day to come."""
    evaluation = made_up.deposit()
    exchanger = PLANT.exchanger(evaluation.tag)
    assert exchanger is not None
    best = datetime(2026, 12, 7, 8, tzinfo=UTC)
    for now, due in ((best - timedelta(days=1), False), (best, True), (best + timedelta(3), True)):
        page = page_one(PLANT, exchanger, evaluation, made_up.events(), now)
        part = money_part(evaluation, PLANT, now)
        told = (
            facts(evaluation, PLANT, now)[-1].label, part.heading, part.chart.text,
            "".join(p["t"] for p in page["request"]), page["approval"][0],
        )  # fmt: skip
        for text in told:
            assert (SOON in text) == due, text
            assert ("7\u00a0Dec" in text.split("Visit on")[0]) != due, text
        assert (">best at once<" in part.chart.svg) == due
        assert ("reckoned for 7\u00a0December\u00a02026" in page["sums"]) == due
        status = status_of(PLANT, evaluation.tag, evaluation, 1, now).avoidable_cost
        assert status.best_visit_is_due == due


def test_the_load_of_the_days_to_come_stands_beside_their_cost() -> None:
    """The made-up days before cost 130 at 240 kW and 6 degC; those to come are reckoned at 410 kW, -1 degC."""
    evaluation = made_up.deposit()
    sentence = foreseen.sentence(evaluation, PLANT)
    for part in ("€130", "240\u00a0kW", "6.0\u00a0°C", "410\u00a0kW", "\u22121.0\u00a0°C"):
        assert part in sentence
    assert "rises faster than the load" in sentence  # 390 for 130, at 1.7 times the load
    assert sentence in money_account(evaluation, PLANT).note
    assert sentence in _document(evaluation)["sums"]
    told = _status(evaluation).avoidable_cost
    assert (told.next_month_basis, told.last_month.value) == (sentence, 130)
    brief = "at 410\u00a0kW; the 30 days before €130 at 240\u00a0kW"
    assert brief in facts(evaluation, PLANT, made_up.THROUGH)[3].note
    assert brief in _document(evaluation)["figures"][1]["note"]
    assert foreseen.sentence(made_up.clean(), PLANT) == ""  # it may cost nothing
    unseen = replace(
        evaluation.money, month_basis=replace(evaluation.money.month_basis, months_seen=False)
    )
    assert "nearest in cold" in foreseen.sentence(replace(evaluation, money=unseen), PLANT)


def test_loss_price_and_best_day_are_told_together() -> None:
    """Made up: 906 lost, a price of 1,450, net 1,430 on the best day, 3,850 in twelve months."""
    now, later = made_up.THROUGH, made_up.clean_later()
    due = loss_price_and_day(made_up.deposit(), PLANT, now)
    assert "€910 lost so far are gone either way" in due
    assert "saves €2,900 of the €3,800" in due
    assert "more than its price of €1,450" in due
    assert due in _document(made_up.deposit())["sums"]
    assert due in money_part(made_up.deposit(), PLANT, now).note
    assert _status(made_up.deposit()).avoidable_cost.why == due
    # a loss above the price and yet later: an earlier visit would bring less
    spent = replace(later.money, avoidable_so_far=made_up.around(1900, 200),
                    net_benefit_now=made_up.around(900, 300))  # fmt: skip
    text = loss_price_and_day(replace(later, money=spent), PLANT, now)
    assert text.startswith("A visit is paid by what it saves afterwards; the €1,900 lost")
    assert "At once it would bring €900 net" in text
    # no day pays
    none = replace(spent, best_visit_utc=None, best_net_benefit=None,
                   net_benefit_now=made_up.around(-1050, 100))  # fmt: skip
    assert "would save €400 of" in loss_price_and_day(replace(later, money=none), PLANT, now)
    limit = (Remark(code="limit_passed", numbers={"limit_K": 7.0}),)
    passed = replace(later.verdict, kind=VerdictKind.CLEAN_NOW, reasons=limit)
    by_limit = loss_price_and_day(replace(later, money=none, verdict=passed), PLANT, now)
    assert by_limit.endswith("for the limit, not for the money.")
    # sums above the price that no established deposit vouches for
    assert "no deposit is established" in loss_price_and_day(
        replace(made_up.clean(), money=spent), PLANT, now
    )
    assert loss_price_and_day(made_up.building_side(), PLANT, now) == ""
