"""What the cost of the thirty days to come is reckoned with: the load and the weather that it assumes.

Without it a cost to come that is far above the one of the days before looks like a mistake.
"""

from analytics.vocabulary.records import Evaluation, MoneyAccount, MonthBasis
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.waiting import DAYS

# for headings and foot notes of lists, in which no load of a single exchanger can stand
AT_THE_LOAD = "at the load of the same months within the last twelve"
_MORE = 1.1  # loads that differ by less are alike


def briefly(evaluation: Evaluation, plant: Plant) -> str:
    """Return ``at 807 kW; the 30 days before €230 at 506 kW``; empty without a certain cost, or a basis."""
    found = _basis(evaluation)
    if found is None:
        return ""
    money, basis = found
    power = numbers.measure_of("load_W", plant.units)
    before = numbers.money(basis.cost_before, money.currency).main
    return (
        f"at {numbers.single(basis.load_W, power)}; the {DAYS} days before"
        f" {before} at {numbers.single(basis.load_before_W, power)}"
    )


def sentence(evaluation: Evaluation, plant: Plant) -> str:
    """Return what the thirty days before cost, at which load, and what is assumed of those to come."""
    found = _basis(evaluation)
    if found is None:
        return ""
    money, basis = found
    day = dates.long_day(evaluation.through_utc, plant.zone)
    before = numbers.money(basis.cost_before, money.currency).text
    said = (
        f"The {DAYS} days before {day} cost {before}, at a mean load of"
        f" {_at(basis.load_before_W, basis.outdoor_before_degC, plant)}. Those from then on are reckoned at"
        f" {_at(basis.load_W, basis.outdoor_degC, plant)}: {_whose(basis)}."
    )
    risen = basis.load_W / basis.load_before_W if basis.load_before_W > 0 else 1.0
    if risen > _MORE and money.next_month.value > risen * basis.cost_before.value:
        said += " What a deposit costs rises faster than the load."
    return said


def _basis(evaluation: Evaluation) -> tuple[MoneyAccount, MonthBasis] | None:
    money = evaluation.money
    if money is None or money.month_basis is None or money.next_month.low <= 0:
        return None
    return money, money.month_basis


def _at(load_W: float, outdoor_degC: float | None, plant: Plant) -> str:
    said = numbers.single(load_W, numbers.measure_of("load_W", plant.units))
    if outdoor_degC is None:
        return said
    outdoor = numbers.single(outdoor_degC, numbers.measure_of("outdoor_degC", plant.units))
    return f"{said} and {outdoor} outdoors"


def _whose(basis: MonthBasis) -> str:
    if basis.months_seen:
        return "the means of the same months within the last twelve"
    return "the means of the logged months that are nearest in cold, as not all of these were logged yet"
