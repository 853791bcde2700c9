"""How the loss so far, the price of a visit and its best day belong together.

A loss above the price is no reason to go at once, and one below it none to wait: what is lost is gone
either way. Lives here: the sentence that says so beside the money.
"""

from datetime import datetime

from analytics.vocabulary.records import Estimate, Evaluation, MoneyAccount, VerdictKind
from service.register.plant import Plant
from service.wording import numbers
from service.wording.causes import chances
from service.wording.reckoned import is_of_another_cause
from service.wording.visit_day import best_when, visit_day

_OF_A_DEPOSIT = (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)


def loss_price_and_day(evaluation: Evaluation, plant: Plant, now_utc: datetime) -> str:
    """Return why the visit is advised when it is, by its money; empty without a price, or a deposit's cost."""
    money = evaluation.money
    if money is None or money.visit_price is None or is_of_another_cause(evaluation):
        return ""
    if evaluation.verdict.kind not in _OF_A_DEPOSIT:
        return _unproven(money, money.visit_price)
    lost = numbers.money(money.avoidable_so_far, money.currency).main
    said = [
        f"A visit is paid by what it saves afterwards; the {lost} lost so far are gone either way.",
        _earned(evaluation, money, money.visit_price, plant, now_utc),
        _why_not_now(evaluation, money, plant, now_utc),
    ]
    return " ".join(s for s in said if s)


def _unproven(money: MoneyAccount, price: float) -> str:
    """Say why no visit is advised on sums above its price that nothing vouches for."""
    if max(money.avoidable_so_far.value, money.next_year_untouched.value) <= price:
        return ""
    return (
        "These sums are above the price of a visit, but no deposit is established that they would be"
        " the cost of: they may as well be nothing, and no visit is advised on them."
    )


def _earned(
    evaluation: Evaluation, money: MoneyAccount, price: float, plant: Plant, now_utc: datetime
) -> str:
    spoken_of = visit_day(evaluation)
    if spoken_of is None:
        return ""
    net = spoken_of.net_benefit
    saved = Estimate(value=net.value + price, low=net.low + price, high=net.high + price)
    sums = [numbers.money(e, money.currency).main for e in (saved, money.next_year_untouched)]
    cost = numbers.sum_of_money(price, money.currency)
    when = best_when(evaluation, plant, now_utc)
    if not when:
        return (
            f"At once it would save {sums[0]} of the {sums[1]} that the next twelve months cost,"
            f" less than its price of {cost}."
        )
    return (
        f"{when[:1].upper()}{when[1:]} it saves {sums[0]} of the {sums[1]} that the next twelve months"
        f" cost if nothing is done, more than its price of {cost}."
    )


def _why_not_now(
    evaluation: Evaluation, money: MoneyAccount, plant: Plant, now_utc: datetime
) -> str:
    """Return what else decides: the limit, too small a chance, or a later day that brings more."""
    if evaluation.verdict.kind is VerdictKind.CLEAN_NOW:
        by_money = any(r.code == "visit_pays" for r in evaluation.verdict.reasons)
        by_limit = any(r.code.startswith("limit_") for r in evaluation.verdict.reasons)
        return (
            "It is advised for the limit, not for the money." if by_limit and not by_money else ""
        )
    best, now = money.best_net_benefit, money.net_benefit_now
    if best is None or now is None or money.best_visit_utc is None:
        return ""
    said = ""
    if best.value > now.value:
        at_once = numbers.money(now, money.currency).main
        said = (
            f"At once it would bring {at_once} net: plates that begin to foul again so early cost more"
            " than the deposit does until then."
        )
    if money.chance_visit_pays is not None:
        said += f" That it pays has {chances(money.chance_visit_pays)}."
    return said.strip()
