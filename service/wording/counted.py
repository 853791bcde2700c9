"""Since when a loss is told and its cost counted: one day, and what that day rests on.

Days of the account are days in UTC, as are those of the sentences that explain a verdict.
"""

from datetime import UTC, datetime

from analytics.vocabulary.records import CauseKind, Evaluation, MoneyAccount
from service.wording import dates


def loss_began(evaluation: Evaluation) -> datetime | None:
    """Return the day on which the loss began, where the leading cause is a deposit and dated."""
    cause = evaluation.verdict.cause
    if cause is None or cause.kind is not CauseKind.DEPOSIT:
        return None
    return evaluation.verdict.since_utc or cause.since_utc


def counted_sentence(money: MoneyAccount) -> str:
    """Return from which day on the cost is counted, and why from that day."""
    day = dates.long_day(money.since_utc, UTC)
    return {
        "loss began": (
            f"Cost is counted since the loss began, about {day}: the day on which the readings as a whole began"
            " to leave the clean level."
        ),
        "last visit": f"Cost is counted since the last visit to the plates, {day}.",
        "clean level": f"Cost is counted since the clean level was settled, {day}.",
    }[money.counted_from]
