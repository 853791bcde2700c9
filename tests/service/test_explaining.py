"""Every verdict is explained in one sentence whose numbers are those of the daily account."""

import re
from dataclasses import replace

import pytest

from analytics.decisions.explanation import explain
from analytics.evaluation import evaluate
from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Estimate,
    Evaluation,
    Remark,
    VerdictKind,
)
from service.pages import causes
from service.register.plant import DisplayUnits
from service.wording import numbers
from service.wording.explaining import explanation
from service.wording.remarks import REMARKS
from tests.analytics.plants import simulated
from tests.service import made_up

_DAY = re.compile(r"\d{1,2} [A-Z][a-z]+ \d{4}")
_NUMBER = re.compile(r"\d[\d,]*(?:\.\d+)?")
K = VerdictKind


def _by_rule(kind: VerdictKind, cause: CauseKind, code: str, **numbers: float) -> Evaluation:
    base = made_up.clean()
    says = Remark(code=code, numbers=numbers, words={"side": "primary"})
    named = Cause(kind=cause, chances=0.9, times_less_likely=1.0, speaks_for=(says,))
    return replace(
        base, causes=(named,), verdict=replace(base.verdict, kind=kind, cause=named, reasons=(says,))
    )  # fmt: skip


CASES: dict[VerdictKind, Evaluation] = {
    K.CLEAN_NOW: made_up.deposit(),
    K.CLEAN_LATER: made_up.clean_later(),
    K.BUILDING_SIDE: made_up.building_side(),
    K.ADD_PLATES: made_up.add_plates(),
    K.CHECK_INSTRUMENT: made_up.thermometer(),
    K.CHECK_CONTROLS: _by_rule(K.CHECK_CONTROLS, CauseKind.CONTROLS, "valve_hunting", step=0.1, before=0.01),
    K.CHECK_PIPING: _by_rule(
        K.CHECK_PIPING, CauseKind.PIPING, "parallel_flow_possible", effectiveness=0.62, most=0.64
    ),
    K.RINSE_STRAINER: _by_rule(
        K.RINSE_STRAINER, CauseKind.STRAINER, "pressure_drop_risen", ratio=1.6, low=1.5, high=1.7
    ),
    K.CANNOT_TELL: made_up.temperatures_only(),
    K.LEAVE: made_up.clean(),
}  # fmt: skip


def _numbers(text: str) -> list[str]:
    plain = text.replace("\u00a0", " ").replace("\u2060", "")
    return _NUMBER.findall(_DAY.sub("", plain))


@pytest.mark.parametrize("kind", list(VerdictKind))
def test_every_kind_of_verdict_has_one_sentence_with_two_numbers(kind: VerdictKind):
    found = CASES[kind]
    assert found.verdict.kind is kind
    text = explanation(found, made_up.whole_plant())
    assert len(_numbers(text)) >= 2, text
    assert text.endswith(".")
    assert ". " not in text.replace("\u00a0", " ")
    assert all(r.code in REMARKS for r in explain(found))


@pytest.mark.parametrize("name", list(made_up.every_case()))
def test_so_has_every_case_and_what_cannot_be_told_says_what_would_settle_it(name: str):
    found = made_up.every_case()[name]
    text = explanation(found, made_up.whole_plant())
    assert len(_numbers(text)) >= 2, text
    assert ("would settle it" in text) == (found.verdict.kind is K.CANNOT_TELL)


def test_numbers_come_in_the_plants_units():
    plant = made_up.plant(
        *made_up.whole_plant().exchangers, units=DisplayUnits(temperature="degF", power="MW")
    )
    text = explanation(made_up.deposit(), plant).replace("\u00a0", " ")
    assert "10.6 °F against" in text  # 5.9 K
    assert "0.56 MW" in explanation(made_up.add_plates(), plant).replace("\u00a0", " ")


def test_an_open_proposal_comes_first_where_the_plates_are_left_alone():
    found = replace(made_up.clean(), proposals=(made_up.proposal(),))
    text = explanation(found).replace("\u00a0", " ")
    assert text.startswith("Heat transfer rose by 14–28 % in one step about 18 March 2026")


def test_the_likeliest_rival_is_named_with_the_error_it_needs():
    (rival,) = [r for r in explain(made_up.deposit()) if r.code.startswith("why_rival")]
    assert rival.code == "why_rival_thermometer"
    assert rival.numbers == {"error_K": 2.9, "times": 40.0}
    assert rival.words == {"role": "primary_return_temperature"}


def test_a_meter_that_cannot_be_told_from_a_deposit_has_no_odds_against_it():
    base = made_up.deposit()
    meter = Cause(
        kind=CauseKind.FLOW_METER, subject="primary_flow", chances=0.001, times_less_likely=900.0,
        magnitude=Estimate(value=-0.13, low=-0.2, high=-0.06), magnitude_unit="",
    )  # fmt: skip
    single = replace(base.verdict.cause, speaks_against=(Remark(code="one_meter_ambiguous"),))
    for leader, named in ((base.verdict.cause, True), (single, False)):
        found = replace(base, causes=(leader, meter), verdict=replace(base.verdict, cause=leader))
        codes = [r.code for r in explain(found)]
        assert ("why_rival_meter" in codes) is named
        assert ("why_one_meter" in codes) is not named


def test_an_error_that_is_needed_does_not_stand_beside_none_that_explains():
    """Where the table names the error that comes nearest, the sentence says why it does not count."""
    needed = Cause(
        kind=CauseKind.THERMOMETER, subject="primary_supply_temperature", chances=0.0,
        times_less_likely=float("inf"), magnitude=made_up.around(2.4, 0.5), magnitude_unit="K",
        speaks_against=(Remark(code="offset_needed", numbers={"offset_K": 2.4}),),
    )  # fmt: skip
    other = Cause(
        kind=CauseKind.THERMOMETER, subject="primary_return_temperature", chances=0.0,
        times_less_likely=float("inf"), speaks_against=(Remark(code="no_error_explains"),),
    )  # fmt: skip
    base = made_up.deposit()
    both = explanation(replace(base, causes=(base.causes[0], needed, other)))
    assert "the nearest, +2.4 K of the primary supply thermometer, is ruled out" in both.replace(
        "\u00a0", " "
    )
    alone = explanation(replace(base, causes=(base.causes[0], other)))
    assert "no error of a single instrument explains it as well." in alone


def test_odds_read_alike_in_the_sentence_and_in_the_table():
    base = made_up.deposit()
    rivals = tuple(
        replace(c, times_less_likely=510.0 if c.kind is CauseKind.THERMOMETER else 5e3)
        if c.magnitude_unit == "K" or c.kind is CauseKind.FLOW_METER
        else c
        for c in base.causes
    )
    found = replace(base, causes=rivals)
    table = {r.odds for r in causes.rows(found, made_up.whole_plant())}
    assert "500\u00a0times less likely" in table
    assert "500\u00a0times less likely" in explanation(found)


FAULTS = (None, "deposit", "thermometer", "flow meter", "building side", "controls",
          "too few plates", "parallel flow", "blocked strainer")  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_no_number_contradicts_the_account_it_is_drawn_from(fault: str | None):
    """The day of the daily account that the state is of, and the causes as listed, to the digits shown."""
    plant = simulated(fault, 5)
    found = evaluate(plant.exchanger, plant.logged)
    text = explanation(found)
    assert len(_numbers(text)) >= 2, text
    assert found.state is not None
    concluded = found.daily.dropna(subset=["approach_reference_K"])
    last = concluded.loc[: found.state.as_of_utc].iloc[-1]
    parts = {r.code: r for r in explain(found)}
    level = next(r for code, r in parts.items() if code.startswith("why_level"))
    assert level.numbers == {
        "approach_K": last["approach_reference_K"], "clean_K": last["approach_clean_K"],
    }  # fmt: skip
    kelvin = numbers.measure_of("approach_K", DisplayUnits())
    for name in ("approach_reference_K", "approach_clean_K"):
        assert numbers.single(last[name], kelvin) in text
    if "why_loss" in parts:
        lost = parts["why_loss"].numbers
        assert lost["low"] == pytest.approx(max(1 - last["cleanliness_factor_high"], 0.0))
        assert lost["high"] == pytest.approx(1 - last["cleanliness_factor_low"])
    if "why_share" in parts:
        share = parts["why_share"].numbers
        assert share["low"] == last["cleanliness_factor_low"]
        assert share["high"] == last["cleanliness_factor_high"]
    cause = found.verdict.cause
    for code in ("why_thermometer", "why_meter"):
        if code in parts:
            shown = parts[code].numbers
            assert [*shown.values()] == [
                cause.magnitude.value, cause.magnitude.low, cause.magnitude.high,
            ]  # fmt: skip
    for code in ("why_rival_thermometer", "why_rival_meter"):
        if code in parts:
            rivals = [c for c in found.causes if c.subject == parts[code].words["role"]]
            assert next(iter(parts[code].numbers.values())) == rivals[0].magnitude.value


@pytest.mark.parametrize("kind", list(VerdictKind))
def test_the_first_page_has_the_same_sentence_with_fewer_parts(kind: VerdictKind):
    plant = made_up.whole_plant()
    whole, brief = (explanation(CASES[kind], plant, brief=b) for b in (False, True))
    assert len(_numbers(brief)) >= 2, brief
    assert len(brief) <= len(whole)
    assert all(n in _numbers(whole) for n in _numbers(brief))
