"""The bench itself: sets kept apart, exact intervals, yardsticks that find what is plain to see."""

import dataclasses
import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.vocabulary.records import VerdictKind
from demo_data.simulator import simulate
from demo_data.simulator.events import LoadChange
from demo_data.simulator.wide_fleet import SETS, draw_case
from demo_data.simulator.wide_kinds import CLEAN_KINDS, FAULTY_KINDS, Deposit
from tests.benchmarks import asked, judging
from tests.benchmarks.fleet import read_rows, run_fleet
from tests.benchmarks.report import (
    alike_by_one_meter,
    delays_at,
    poisson_rate,
    threshold_for,
    unlogged_events,
    write_report,
)
from tests.benchmarks.yardsticks import floor_scores, plain_scores

SET = "testing"


def test_no_test_opens_the_set_for_judging():
    """Cases of that set are for one look; the tests, this one included, draw from their own."""
    assert len(set(SETS.values())) == len(SETS)
    opened = '"judg' + 'ing"'
    for path in Path(__file__).parents[1].rglob("test_*.py"):
        assert opened not in path.read_text(encoding="utf-8")


def test_sets_share_no_case():
    cases = [draw_case(s, "clean", n).scenario.seed for s in ("tuning", SET) for n in range(8)]
    assert len(set(cases)) == len(cases)


def test_by_a_single_meter_or_none_a_deposit_and_its_rivals_are_one():
    cases = [
        ("primary flow", "linear deposit", "deposit", True),
        ("registers", "primary_flow step", "other", True),
        ("meter power", "secondary_supply_temperature drift", "other", True),
        ("both flows", "linear deposit", "deposit", False),
        ("four temperatures", "linear deposit", "deposit", True),
        ("four temperatures", "primary_supply_temperature drift", "other", False),
        ("primary flow", "secondary_return_temperature drift", "other", False),
        ("primary flow", "building side", "other", False),
    ]
    frame = pd.DataFrame(cases, columns=["instrumentation", "kind", "category", "alike"])
    assert (alike_by_one_meter(frame) == frame["alike"]).all()


def test_a_case_is_the_same_every_time():
    assert draw_case(SET, "faulty", 5) == draw_case(SET, "faulty", 5)


@pytest.mark.parametrize(("group", "kinds"), [("clean", CLEAN_KINDS), ("faulty", FAULTY_KINDS)])
def test_every_kind_can_be_drawn_and_has_a_right_answer(group: str, kinds: tuple[str, ...]):
    for number, kind in enumerate(kinds):
        case = draw_case(SET, group, number)
        assert case.kind == kind
        assert asked.right_verdicts(kind, 0.1) <= set(VerdictKind)
        judging.exchanger_of(case.scenario)
        assert len(judging.maintenance_of(case)) == len(case.hidden.visits)


@pytest.mark.parametrize(("error_K", "harmless"), [(0.05, True), (4.0, False)])
def test_an_error_is_harmless_by_what_it_does_to_duty_and_UA(error_K, harmless):
    number = FAULTY_KINDS.index("secondary_return_temperature step")
    case = draw_case(SET, "faulty", number)
    (fault,) = case.scenario.faults
    faults = (dataclasses.replace(fault, error_K=error_K),)
    changed = dataclasses.replace(case, scenario=dataclasses.replace(case.scenario, faults=faults))
    assert asked.harmless(changed) is harmless
    assert (VerdictKind.LEAVE in asked.asked_of(changed, 0.0)) is harmless
    assert not asked.harmless(draw_case(SET, "faulty", FAULTY_KINDS.index("primary_flow step")))


def test_log_mean_of_a_worked_example():
    """90 to 40 against 30 to 70 degC: ends of 20 and 10 K, (20 - 10) / ln 2 by hand."""
    assert asked.log_mean(np.array([90.0, 40.0, 70.0, 30.0])) == pytest.approx(10 / np.log(2))


@pytest.mark.parametrize(("factor", "leave"), [(3.0, False), (1.0, True)])
def test_plates_are_too_few_by_a_week_at_the_design_outdoor_temperature(factor, leave):
    case = draw_case(SET, "faulty", FAULTY_KINDS.index("too few plates"))
    faults = tuple(
        dataclasses.replace(f, factor=factor) if isinstance(f, LoadChange) else f
        for f in case.scenario.faults
    )
    changed = dataclasses.replace(case, scenario=dataclasses.replace(case.scenario, faults=faults))
    assert (VerdictKind.LEAVE in asked.asked_of(changed, 0.0)) is leave


def test_exact_interval_of_a_poisson_rate():
    """Garwood's interval: 0 events 0 to 3.689, 3 events 0.619 to 8.767 (tables of exact Poisson
    limits, e.g. Ulm, Am. J. Epidemiology 131 (1990) 373-375; digits from memory)."""
    assert poisson_rate(0, 1.0) == pytest.approx((0.0, 0.0, 3.689), abs=1e-3)
    assert poisson_rate(3, 2.0) == pytest.approx((1.5, 0.619 / 2, 8.767 / 2), abs=1e-3)


def test_threshold_follows_an_exponential_tail():
    """Of exponential scores with mean 2, one in a hundred is above 2 ln 100."""
    scores = np.random.default_rng(1).exponential(2.0, 20_000)
    assert threshold_for(scores, 0.01) == pytest.approx(2 * np.log(100), rel=0.03)


def test_delay_counts_from_the_beginning_to_the_end_of_the_day_found():
    record = json.dumps({"first": "2026-01-01", "scores": [9, 0, 0, 1, 5, 6]})
    frame = pd.DataFrame({"r": [record, None], "since_utc": ["2026-01-03T12:00Z"] * 2})
    found = delays_at(frame, "r", 4.0)
    assert found.iloc[0] == pytest.approx(2.5)
    assert np.isnan(found.iloc[1])
    assert np.isnan(delays_at(frame, "r", -1.0).iloc[0])  # stood before the deposit began


def test_proposals_are_held_to_what_happened_and_was_not_logged():
    numbers = {kind: n for n, kind in enumerate(FAULTY_KINDS)}
    case = draw_case(SET, "faulty", numbers["deposit, unlogged cleaning"])
    ((at, what),) = judging.unlogged_truth(case)
    assert what == "plates"
    assert at == case.scenario.cleanings[0].at
    assert not judging.unlogged_truth(draw_case(SET, "faulty", numbers["deposit, worked visit"]))
    stepped = draw_case(SET, "faulty", numbers["secondary_return_temperature step"])
    ((at, what),) = judging.unlogged_truth(stepped)
    assert (at, what) == (stepped.hidden.since, "secondary_return_temperature")
    frame = pd.DataFrame({
        "category": ["clean", "deposit"], "proposals": [1, 2], "proposals_right": [0, 1],
        "proposals_false": [1, 1], "visits_false": [1, 0], "unlogged": [0, 1],
        "proposal_days_off": [np.nan, 2.0],
    })  # fmt: skip
    lines = unlogged_events(frame).splitlines()
    assert lines[2] == "| all | 2 | 3 | 2 | 1 | 1 | 1 | 2.0 |"
    assert lines[3] == "| clean | 1 | 1 | 1 | 1 | 0 | 0 | – |"


def _step_case() -> judging.Case:
    case = draw_case(SET, "clean", 0)
    logger = dataclasses.replace(
        case.scenario.logger, roles=(*case.scenario.logger.roles, "primary_flow"), increments={}
    )
    begins = case.start + pd.Timedelta(days=120)
    deposit = Deposit(law="step", start=begins, reached=begins, share_lost=0.2)
    logger = dataclasses.replace(
        logger, interval_minutes=15, roles=tuple(dict.fromkeys(logger.roles))
    )
    load = dataclasses.replace(case.scenario.load, hot_water_draws_per_day=0.0)
    scenario = dataclasses.replace(
        case.scenario, logger=logger, load=load, deposit=deposit, step_minutes=15
    )
    return dataclasses.replace(case, scenario=scenario, end=case.start + pd.Timedelta(days=150))


@pytest.mark.slow
def test_both_yardsticks_find_a_large_step_and_the_floor_is_no_slower():
    case = _step_case()
    assert case.scenario.deposit is not None
    begins = case.scenario.deposit.start - timedelta(days=10)
    run = simulate(case.scenario, case.start, case.end)
    floor = floor_scores(case.scenario, run.logged, run.truth, [])
    plain = plain_scores(run.logged, begins, [])
    assert floor is not None
    assert plain is not None
    low, high = np.asarray(floor["scores"]), np.asarray(plain["scores"])
    assert low[:118].max() < 10 < low[123]
    assert high[-1] > 20
    assert (low > 10).argmax() <= (high > 20).argmax()


@pytest.mark.slow
def test_a_handful_of_cases_end_to_end(tmp_path: Path):
    """A clean exchanger and a deposit are judged, kept, not judged again, and reported."""
    tasks = [(SET, "clean", 7), (SET, "faulty", 0)]
    frame = run_fleet(tasks, tmp_path, workers=2)
    assert "error" not in frame
    assert frame["kind"].tolist() == ["plain", "linear deposit"]
    assert frame["causal"].dropna().astype(bool).all()
    before = (tmp_path / "rows.jsonl").read_text(encoding="utf-8")
    run_fleet(tasks, tmp_path, workers=1)
    assert len(read_rows(tmp_path / "rows.jsonl")) == 2
    assert (tmp_path / "rows.jsonl").read_text(encoding="utf-8").strip() == before.strip()
    text = write_report(frame, tmp_path)
    assert "False fouling alerts" in text
    assert (tmp_path / "report.png").stat().st_size > 10_000
