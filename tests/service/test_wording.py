"""Wording: rounding against values worked by hand, verdicts, and a template for every remark."""

import ast
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Deed,
    Estimate,
    Evaluation,
    MaintenanceEvent,
    Remark,
    VerdictKind,
    VisitProof,
)
from service.documents.contents import page_one
from service.pages import account_sections
from service.register.plant import DisplayUnits
from service.usecases.status import status_of
from service.wording import causes, dates, explaining, limits, numbers, proofs, reasons, verdicts
from service.wording.remarks import REMARKS, remark_text
from tests.service import made_up

NB = "\u00a0"
ROOT = Path(__file__).resolve().parents[2]


def estimate(value: float, low: float, high: float) -> Estimate:
    return Estimate(value=value, low=low, high=high)


@pytest.mark.parametrize(
    ("value", "low", "high", "name", "expected"),
    [
        # width 1.0 K leaves one decimal
        (5.91, 5.42, 6.42, "approach_K", f"5.9{NB}K (5.4–6.4)"),
        # width 0.6 would leave two decimals; a tenth of a kelvin is the finest that means anything
        (0.213, -0.106, 0.494, "error_K", f"0.2{NB}K (−0.1{NB}to{NB}+0.5)"),
        # width 27 kW leaves whole kilowatts
        (581_600.0, 568_300.0, 595_400.0, "duty_W", f"582{NB}kW (568–595)"),
        # width 416 kW leaves tens
        (1_234_567.0, 1_021_000.0, 1_437_000.0, "duty_W", f"1,230{NB}kW (1,020–1,440)"),
        (0.878e-4, 0.79e-4, 0.98e-4, "r_m2K_W", f"0.88{NB}×{NB}10⁻⁴{NB}m²K/W (0.79–0.98)"),
        # 11.6 m3/h is 0.003222 m3/s
        (0.00322222, 0.00319444, 0.0032500, "flow_m3_s", f"11.60{NB}m³/h (11.50–11.70)"),
    ],
)
def test_range_keeps_two_figures_of_its_width(
    value: float, low: float, high: float, name: str, expected: str
) -> None:
    measure = numbers.measure_of(name, DisplayUnits())
    assert numbers.figure(estimate(value, low, high), measure).text == expected


@pytest.mark.parametrize(
    ("value", "low", "high", "expected"),
    [
        (392.0, 312.0, 478.0, "€390 (310–480)"),
        (1430.0, 700.0, 2110.0, "€1,400 (700–2,100)"),
        (-31.0, -70.0, 12.0, f"−€31 (−70{NB}to{NB}+12)"),
        (0.0, 0.0, 0.0, "€0 (0)"),
    ],
)
def test_money_has_its_sign_before_it(value: float, low: float, high: float, expected: str) -> None:
    assert numbers.money(estimate(value, low, high), "EUR").text == expected


def test_currency_without_a_sign_keeps_its_code() -> None:
    assert numbers.sum_of_money(1450.0, "CHF") == f"CHF{NB}1,450"


def test_other_units_are_those_of_the_plant() -> None:
    units = DisplayUnits(temperature="degF", power="MW", flow="gpm", pressure="psi")
    # 95 degC = 203 degF; 5 K = 9 degF of difference; 1 US gallon is 3.785411784 l exactly
    assert numbers.single(95.0, numbers.measure_of("inlet_degC", units)) == f"203.0{NB}°F"
    assert numbers.single(5.0, numbers.measure_of("approach_K", units)) == f"9.0{NB}°F"
    one_gallon_a_minute_m3_s = 3.785411784e-3 / 60
    flow = numbers.measure_of("flow_m3_s", units)
    assert numbers.single(one_gallon_a_minute_m3_s, flow) == f"1.00{NB}gpm"
    assert numbers.single(620e3, numbers.measure_of("duty_W", units)) == f"0.62{NB}MW"


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_not_known_is_said(value: float) -> None:
    measure = numbers.measure_of("approach_K", DisplayUnits())
    assert numbers.single(value, measure) == "cannot tell"
    assert numbers.figure(estimate(value, 0.0, 1.0), measure).text == "cannot tell"
    assert numbers.money(None, "EUR").text == "cannot tell"


def test_no_negative_zero() -> None:
    assert numbers.number(-0.04, 1) == "0.0"


def test_lines_of_an_account_add_up_by_eye() -> None:
    lines = [881.6, 24.4, 0.4]  # 906.4: each rounded by itself gives 882 + 24 + 0 = 906
    assert sum(numbers.rounded_to_add_up(lines, 906.4)) == 906
    thirds = [33.4, 33.4, 33.4]  # by themselves 99, the total rounds to 100
    assert sum(numbers.rounded_to_add_up(thirds, 100.2)) == 100


def test_days_are_those_of_the_site() -> None:
    # 23:30 UTC on 31 December is 00:30 on 1 January in CET
    new_year = datetime(2026, 12, 31, 23, 30, tzinfo=UTC)
    assert dates.long_day(new_year, made_up.ZONE) == f"1{NB}January{NB}2027"
    assert dates.clock(new_year, made_up.ZONE) == "00:30"
    assert dates.weekday(made_up.THROUGH, made_up.ZONE) == f"Monday{NB}23{NB}November{NB}2026"


def test_spans_of_days_are_as_fine_as_they_are_near() -> None:
    today = made_up.THROUGH
    near = dates.day_span(
        datetime(2027, 1, 2, tzinfo=UTC), datetime(2027, 3, 21, tzinfo=UTC), made_up.ZONE, today
    )
    far = dates.day_span(
        datetime(2027, 4, 2, tzinfo=UTC), datetime(2027, 11, 21, tzinfo=UTC), made_up.ZONE, today
    )
    assert near == f"2{NB}Jan–21{NB}Mar{NB}2027"
    assert far == f"Apr–Nov{NB}2027"
    same = dates.day_span(
        datetime(2026, 11, 22, tzinfo=UTC), datetime(2026, 11, 29, tzinfo=UTC), made_up.ZONE, today
    )
    assert same == f"22–29{NB}Nov{NB}2026"


def test_time_to_the_limit_is_in_weeks_then_in_months() -> None:
    today = datetime(2026, 11, 23, tzinfo=UTC)
    # 42 and 119 days are 6 and 17 weeks; 152 and 365 days are 5 and 12 months
    zone = made_up.ZONE
    soon = dates.time_after(
        datetime(2027, 1, 4, tzinfo=UTC), datetime(2027, 3, 22, tzinfo=UTC), zone, today
    )
    late = dates.time_after(
        datetime(2027, 4, 24, tzinfo=UTC), datetime(2027, 11, 23, tzinfo=UTC), zone, today
    )
    assert soon == f"6–17{NB}weeks after 23{NB}Nov"
    assert late == f"5–12{NB}months after 23{NB}Nov"


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (41.3, f"40{NB}times less likely"),
        (168.0, f"200{NB}times less likely"),
        (510.0, f"500{NB}times less likely"),
        (960.0, f"over{NB}1,000{NB}times less likely"),
        (2e4, f"over{NB}1,000{NB}times less likely"),
        (float("inf"), "ruled out"),
        (1.0, "as likely"),
    ],
)
def test_odds_are_rounded_to_what_they_can_bear(times: float, expected: str) -> None:
    assert causes.times_less_likely(times) == expected


def test_too_few_plates_compete_with_no_deposit() -> None:
    """Both may be so: one of them is not as likely as the other, which is there for sure."""
    beside = Cause(kind=CauseKind.CAPACITY, chances=0.9, times_less_likely=1.0)
    rival = Cause(kind=CauseKind.THERMOMETER, chances=0.9, times_less_likely=1.0)
    assert causes.odds_beside(beside) == "holds along with it"
    assert causes.odds_beside(rival) == "as likely"


def test_never_a_hundred_chances_in_a_hundred() -> None:
    assert causes.chances(0.97) == f"97{NB}chances in{NB}100"
    assert causes.chances(1.0) == f"over 99{NB}chances in{NB}100"
    assert causes.chances(0.0) == f"under 1{NB}chance in{NB}100"


def test_verdicts_say_what_to_do_and_why() -> None:
    plant = made_up.whole_plant()
    said = {n: verdicts.headline(e, plant) for n, e in made_up.every_case().items()}
    assert said["deposit"] == "Clean it: deposit."
    assert said["thermometer"] == "Check a thermometer: primary return."
    assert said["add plates"] == "Add 12 plates: too few for the load."
    assert said["stopped"] == f"Cannot tell since 4{NB}November{NB}2026."
    assert said["visited"] == "Leave it: the visit worked."
    assert said["nothing known"] == "Cannot tell yet."


def _with_useless_visit(evaluation: Evaluation, high: float) -> Evaluation:
    event = MaintenanceEvent(
        tag=evaluation.tag, at_utc=datetime(2026, 10, 1, 10, tzinfo=UTC), deed=Deed.CLEANED_IN_PLACE
    )  # fmt: skip
    proof = VisitProof(
        event=event, recovered=None, days_before=20, days_after=20,
        measured=made_up.compared(0.9, 0.89, Estimate(value=-0.01, low=-0.03, high=0.01)),
        at_visit=made_up.compared(0.9, 0.9, Estimate(value=0.003, low=-0.012, high=high)),
        outcome="no effect seen",
    )  # fmt: skip
    return replace(evaluation, proofs=(*evaluation.proofs, proof))


@pytest.mark.parametrize(("high", "verb"), [(0.018, "changed nothing"), (0.12, "shows no effect")])
def test_a_visit_without_effect_is_said(high: float, verb: str) -> None:
    """A gain that may be 12 % is no proof of nothing, only none of an effect."""
    plant = made_up.whole_plant()
    deposit = _with_useless_visit(made_up.deposit(), high)
    clean = _with_useless_visit(made_up.clean(), high)
    assert verdicts.headline(deposit, plant) == f"Clean it: deposit; the visit on 1{NB}Oct {verb}."
    assert verdicts.headline(clean, plant) == (
        f"Leave it: no loss found; the visit on 1{NB}Oct {verb}."
    )
    said = proofs.visit_sentence(deposit, plant).replace(NB, " ")
    assert said.startswith(f"The visit of 1 October 2026 (cleaned in place) {verb}: heat transfer")
    assert "changed by 0 % (−1 to +" in said
    assert proofs.visit_sentence(made_up.visited(), plant) == ""
    assert verdicts.headline(made_up.deposit(), plant) == "Clean it: deposit."


def test_a_gain_known_too_little_and_added_plates_are_no_visit_without_effect() -> None:
    plant = made_up.whole_plant()
    assert proofs.changed_nothing(_with_useless_visit(made_up.clean(), 0.25), plant) == ""
    added = _with_useless_visit(made_up.clean(), 0.018)
    last = added.proofs[-1]
    deed = replace(last.event, deed=Deed.PLATES_CHANGED, plates_after=106)
    plates = replace(last, event=deed)
    assert proofs.proof_text(plates).startswith("U changed by 0")
    assert proofs.changed_nothing(replace(added, proofs=(plates,)), plant) == ""


def test_a_visit_is_told_by_its_fortnights_and_by_itself() -> None:
    """What was measured and what follows at the visit stand apart, each with its range."""
    plant, found = made_up.whole_plant(), made_up.visited()
    text = proofs.proof_text(found.proofs[-1]).replace(NB, " ")
    assert text.startswith("Worked: 94 %")
    assert "changed by +32 % (29" in text
    assert "by +28 % (26" in text
    assert "from the fortnight before to the fortnight after" in text
    told = proofs.achieved(found, plant)
    assert told is not None
    assert told.heading.replace(NB, " ") == "The visit of 2 November 2026: worked."
    assert "18 October and 16 November 2026" in told.note.replace(NB, " ")
    assert [row[-1][:3] for row in told.rows] == ["+28", "+32"]
    early = replace(found.proofs[-1], measured=None, at_visit=None, outcome="too early to tell")
    assert proofs.achieved(replace(found, proofs=(early,)), plant) is None
    event = replace(found.proofs[-1].event, deed=Deed.PLATES_CHANGED, plates_after=106)
    plates = replace(found.proofs[-1], event=event)
    assert proofs.achieved(replace(found, proofs=(plates,)), plant) is None


def test_a_later_visit_that_worked_silences_the_one_before() -> None:
    evaluation = _with_useless_visit(made_up.deposit(), 0.018)
    later = replace(
        evaluation.proofs[-1],
        event=replace(evaluation.proofs[-1].event, at_utc=datetime(2026, 10, 20, tzinfo=UTC)),
        outcome="worked",
    )
    after = replace(evaluation, proofs=(later, *evaluation.proofs))
    assert proofs.changed_nothing(after, made_up.whole_plant()) == ""


def test_a_shortage_of_plates_stands_beside_the_deposit() -> None:
    """560 kW are needed and 500 kW delivered clean in the made-up capacity: 60 kW short."""
    plant = made_up.whole_plant()
    short = Cause(kind=CauseKind.CAPACITY, chances=0.9, times_less_likely=1.0)
    later = made_up.clean_later()
    both = replace(later, causes=(*later.causes, short), capacity=made_up.capacity(120e3, 12))
    assert verdicts.headline(both, plant) == (
        "Clean later: deposit, still mild; too few plates as well."
    )
    said = verdicts.shortage_sentence(both, plant).replace(NB, " ")
    assert said == "Even clean it is 60 kW short on the coldest days; 12 more plates would do."
    assert verdicts.headline(later, plant) == "Clean later: deposit, still mild."
    assert verdicts.shortage_sentence(later, plant) == ""
    assert verdicts.shortage_sentence(made_up.add_plates(), plant) == ""  # its headline says it


def test_reason_of_a_thermometer_says_how_far_and_which_way() -> None:
    assert reasons.reason(made_up.thermometer(), made_up.whole_plant()) == (
        f"Reads 1.6{NB}K too low (1.2–2.0{NB}K)."
    )


def test_every_verdict_has_a_headline_and_a_filter_label() -> None:
    base = made_up.nothing_known()
    for kind in VerdictKind:
        evaluation = made_up.with_kind(base, kind)
        assert verdicts.headline(evaluation).endswith(".")
        assert verdicts.FILTER_LABELS[kind]


def test_home_sentence_names_exchanger_size_cost_and_time() -> None:
    plant = made_up.whole_plant()
    text = verdicts.home_sentence([made_up.deposit()], plant)
    assert text.startswith("HX-03 in Block A needs a cleaning visit: deposit has taken")
    for part in (f"29{NB}%", "€390 (300–480)", "reaches its limit between"):
        assert part in text


def test_home_sentence_says_when_nobody_is_needed() -> None:
    text = verdicts.home_sentence([made_up.clean(), made_up.clean_later()], made_up.whole_plant())
    assert text.startswith("Neither of the two exchangers needs you.")
    assert "HX-05" in text


def test_a_single_exchanger_is_not_told_of_twice() -> None:
    alone = made_up.clean_later()
    text = verdicts.home_sentence([alone], made_up.whole_plant())
    assert text == f"{alone.tag} does not need you. It may later: deposit, still mild."


def test_cost_that_may_be_nothing_is_at_most() -> None:
    unsure = replace(made_up.clean_later(), money=made_up.thermometer().money)
    assert verdicts.month_of_waiting(unsure).main == f"at most{NB}€25"
    assert not verdicts.is_a_loss(Estimate(value=5, low=-1, high=9))


def test_every_template_can_be_filled_and_survives_missing_numbers() -> None:
    for code, template in REMARKS.items():
        names = set(re.findall(r"[{.](\w+)[%#+~]*[.}]", template)) | set(
            re.findall(r"\{(\w+)", template)
        )
        full = Remark(
            code=code,
            numbers=dict.fromkeys(names, 0.25),
            words=dict.fromkeys(re.findall(r"\{(\w+)!\}", template), "primary_return_temperature"),
        )
        for remark in (full, Remark(code=code)):
            text = remark_text(remark)
            assert text
            assert not re.search(r"[{}\[\]]", text), f"{code}: {text}"


def test_a_list_whose_first_is_left_out_begins_with_its_second() -> None:
    said = remark_text(
        Remark(code="quiet_hours", numbers={"running": 719.0, "quiet": 34.0, "transient": 34.0})
    )
    assert said.endswith("no alert rests on them: 34 not steady")


def test_remark_leaves_out_what_is_not_known() -> None:
    numbers_ = {"offset_K": 2.9, "idle_low_K": -0.1, "idle_high_K": 0.5}
    assert remark_text(Remark(code="offset_needed", numbers=numbers_)) == (
        f"Would need an error of +2.9{NB}K; idle hours allow −0.1{NB}to{NB}+0.5{NB}K"
    )
    assert remark_text(Remark(code="offset_needed", numbers={"offset_K": 2.9})) == (
        f"Would need an error of +2.9{NB}K"
    )


def test_unknown_remark_is_spelt_out() -> None:
    text = remark_text(
        Remark(code="odd_thing", numbers={"gap_K": 1.5}, words={"of": "primary_flow"})
    )
    assert text == f"Odd thing: gap 1.5{NB}K, primary flow"


def remark_codes_in(package: str) -> set[str]:
    """Return every literal code given to a Remark in the sources of ``package``."""
    found: set[str] = set()
    for path in (ROOT / package).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Remark":
                values = [k.value for k in node.keywords if k.arg == "code"]
                found |= {v.value for v in values if isinstance(v, ast.Constant)}
    return found


def test_every_remark_that_analytics_makes_has_a_template() -> None:
    missing = remark_codes_in("analytics") - set(REMARKS)
    assert not missing, f"service/wording/remarks.py lacks: {sorted(missing)}"


def test_limit_is_passed_since_the_day_the_mean_stayed_above_it() -> None:
    evaluation = made_up.deposit()
    state = evaluation.state
    assert state is not None
    assert state.approach_reference_K is not None
    daily = evaluation.daily.copy()
    daily["approach_reference_K"] = 4.0
    crossed = daily.index[-30]
    daily.loc[crossed:, "approach_reference_K"] = 9.0
    state = replace(
        state, approach_limit_K=5.0, approach_reference_K=Estimate(value=9.0, low=8.5, high=9.5)
    )
    passed = replace(evaluation, daily=daily, state=state)
    since = limits.passed_utc(passed)
    assert since is not None
    # a mean of five days lies above 5 K as soon as two of them, at 9 K against 4 K, do
    assert (since - crossed.to_pydatetime()).days in (0, 1)
    assert limits.passed_utc(replace(passed, state=replace(state, approach_limit_K=12.0))) is None


@pytest.mark.parametrize(
    ("now_K", "figure", "clause"),
    [
        (6.8, "by", "it reaches its limit by"),
        (7.1, "likely passed", "it has likely passed its limit, or does so by"),
    ],
)
def test_a_limit_passed_by_more_than_an_even_chance_is_not_told_as_to_come(
    now_K: float, figure: str, clause: str
) -> None:
    evaluation = replace(made_up.deposit(), forecast=made_up.forecast(now_K=now_K))
    assert verdicts.limit_reached(evaluation).main.startswith(figure)
    assert verdicts.limit_clause(evaluation).startswith(clause)


def test_cannot_tell_names_what_is_missing() -> None:
    evaluation = made_up.deposit()
    for code, said in (("effectiveness_only", "no flow"), ("few_days", "steady days")):
        verdict = replace(
            evaluation.verdict, kind=VerdictKind.CANNOT_TELL, reasons=(Remark(code=code),)
        )
        assert said in verdicts.headline(replace(evaluation, verdict=verdict))


def test_error_of_nothing_is_not_told_as_a_figure() -> None:
    for remark in (
        Remark(code="offset_needed", numbers={"offset_K": 0.01}),
        Remark(code="gain_needed", numbers={"gain": -0.002}),
        Remark(code="crossing_explained", numbers={"offset_K": 0.02, "share": 0.2}),
    ):
        text = remark_text(remark)
        assert "0.0" not in text
        assert "error of 0" not in text


def test_idle_hours_speak_only_where_they_leave_the_needed_error_out() -> None:
    inside = {"offset_K": 0.3, "idle_low_K": -0.6, "idle_high_K": 0.6}
    outside = {**inside, "offset_K": 1.0}
    assert "idle" not in remark_text(Remark(code="offset_needed", numbers=inside))
    assert "idle hours allow" in remark_text(Remark(code="offset_needed", numbers=outside))


def test_two_meters_never_agree_to_nothing() -> None:
    text = remark_text(Remark(code="balance_agrees", numbers={"residual": 0.0002}))
    assert text.endswith("both sides report the same heat within 0.1\u00a0%")


def _untold(evaluation: Evaluation, *reasons: Remark) -> Evaluation:
    verdict = replace(
        evaluation.verdict,
        kind=VerdictKind.CANNOT_TELL,
        cause=None,
        runner_up=None,
        reasons=reasons,
    )
    return replace(evaluation, verdict=verdict)


FEW = Remark(code="few_days", numbers={"days": 28, "needed": 55, "yardstick": 35})
SWAPPED = Remark(
    code="points_swapped", numbers={"share": 1.0}, words={"role": "primary_supply_temperature"}
)


def test_what_another_cause_costs_is_not_reckoned() -> None:
    evaluation, plant = made_up.thermometer(), made_up.whole_plant()
    shown = verdicts.month_of_waiting(evaluation)
    assert (shown.main, shown.range) == ("not reckoned", f"deposit: at most{NB}€25")
    cost = status_of(plant, evaluation.tag, evaluation, 1, made_up.THROUGH).avoidable_cost
    assert cost.next_month.value is None
    assert "not reckoned" in (cost.next_month.reason or "")
    exchanger = plant.exchanger(evaluation.tag)
    assert exchanger is not None
    paper = page_one(plant, exchanger, evaluation, (), made_up.THROUGH)
    assert {f["figure"] for f in paper["figures"]} >= {"not reckoned"}
    assert "not reckoned" in paper["sure"]


def test_a_registered_price_of_a_visit_needs_no_flow() -> None:
    plant, evaluation = made_up.whole_plant(), made_up.temperatures_only()
    exchanger = made_up.exchanger(evaluation.tag, "Block A")
    priced = replace(exchanger, tariff=replace(exchanger.tariff, visit_clean_in_place=900.0))
    plant = replace(plant, exchangers=(priced,))
    cost = status_of(plant, evaluation.tag, evaluation, 1, made_up.THROUGH).avoidable_cost
    assert cost.visit_price.value == (exchanger.tariff.visit_open_and_clean or 900.0)


@pytest.mark.parametrize(
    ("remark", "said"),
    [
        (FEW, ("too few steady days", "Steady days still to come before a verdict: 27")),
        (SWAPPED, ("two points seem swapped", "which pipe each thermometer sits in")),
        (Remark(code="flow_unit"), ("a flow seems to be in another unit", "the meter's plate")),
        (
            Remark(code="missing_role", words={"role": "primary_return_temperature"}),
            ("primary return is missing", "would settle it"),
        ),
    ],
)
def test_the_first_sentence_says_what_is_needed_where_nothing_can_be_told(remark, said) -> None:
    plant = made_up.whole_plant()
    text = verdicts.home_sentence([_untold(made_up.clean(), remark)], plant)
    assert "need you" not in text
    assert "Nothing can be told of HX-07" in text
    for part in said:
        assert part in text
    beside = verdicts.home_sentence(
        [_untold(made_up.clean(), remark), made_up.clean_later()], plant
    )
    assert "Neither" not in beside
    assert "None of the two exchangers needs you." not in beside


def test_what_has_to_be_put_right_first_is_told_beside_a_visit() -> None:
    found = [made_up.deposit(), _untold(made_up.clean(), SWAPPED)]
    text = verdicts.home_sentence(found, made_up.whole_plant())
    assert text.endswith("Of one nothing can be told before its data is put right.")


def test_days_that_are_missing_are_waited_for_and_no_instrument_is_offered() -> None:
    helps = Remark(
        code="would_help_most",
        numbers={"with_it": 0.02, "now": 0.05},
        words={"role": "secondary_flow"},
    )
    thin = _untold(made_up.clean(), FEW)
    thin = replace(thin, health=replace(thin.health, consequences=(helps,)))
    text = explaining.explanation(thin, made_up.whole_plant())
    assert (
        "28 of the 55 steady days needed are in, the first 35 of which make the yardstick" in text
    )
    assert "steady days still to come before a verdict: 27" in text
    assert "settle" not in text


def test_currency_in_a_remark_is_a_sign_and_one_is_no_plural() -> None:
    numbers_ = {"loss_watts": 90, "low_J": 1e9, "high_J": 2e9, "low_money": 20, "high_money": 40}
    text = remark_text(Remark(code="bare_loses", numbers=numbers_, words={"currency": "EUR"}))
    assert "EUR" not in text
    assert "€" in text
    assert numbers.counted(1, "cell") == "1 cell"
    assert numbers.counted(1200, "cell") == "1,200 cells"


def test_a_cost_that_is_subtracted_has_one_sign_with_its_range() -> None:
    """970 (600 to 1,400) a year after a visit, as the made-up account has it."""
    account = account_sections.money_account(made_up.deposit(), made_up.whole_plant())
    assert account is not None
    (after,) = [n for g in account.groups for n in g.lines if n.label.startswith("Cost after")]
    assert after.figure == "−970"
    assert after.range.replace(NB, " ") == "−1,400 to −600"


def test_the_cost_of_waiting_says_from_which_day() -> None:
    plant, found = made_up.whole_plant(), made_up.deposit()
    day = dates.long_day(found.through_utc, plant.zone)
    assert f"another 30 days of waiting from {day} cost" in verdicts.cost_clause(found, plant)
