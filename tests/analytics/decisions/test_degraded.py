"""What is told with fewer instruments, which one would help most, and flows in the wrong unit."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.decisions.instrument_worth import worths
from analytics.evaluation import evaluate
from analytics.trends.account import keep_account
from analytics.vocabulary.records import CauseKind, Instrumentation, VerdictKind
from demo_data.simulator import BlockedStrainer, Deposit
from service.wording.remarks import remark_text
from tests.analytics.plants import START, plant_of, simulated
from tests.benchmarks.drawn import draw

FLOWS = ["primary_flow", "secondary_flow", "heat_power", "heat_energy", "heat_volume"]
KINDS = {
    "both flows": (["primary_flow", "secondary_flow"], Instrumentation.BOTH_FLOWS),
    "primary only": (["primary_flow"], Instrumentation.PRIMARY_FLOW),
    "secondary only": (["secondary_flow"], Instrumentation.SECONDARY_FLOW),
    "meter power": (["heat_power"], Instrumentation.PRIMARY_POWER),
    "four temperatures": ([], Instrumentation.TEMPERATURES_ONLY),
}


def with_roles(plant, *roles):
    """Log other roles of the same simulated exchanger."""
    scenario = plant.scenario
    kept = tuple(r for r in scenario.logger.roles if r not in FLOWS)
    return replace(scenario, logger=replace(scenario.logger, roles=(*kept, *roles)))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_each_instrumentation_end_to_end(kind):
    """A clean exchanger: no deposit is claimed, and each kind says what it can and cannot tell."""
    roles, expected = KINDS[kind]
    plant = plant_of(with_roles(simulated(None, 21), *roles))
    found = evaluate(plant.exchanger, plant.logged, ())
    assert found.health.instrumentation is expected
    assert found.verdict.kind not in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    codes = {r.code for r in found.health.consequences}
    helped = codes & {"would_help_most", "would_help_and_give_U", "would_let_tell"}
    steady = found.intervals[found.intervals["set_aside"] == 0]
    assert steady["NTU"].notna().mean() > 0.5
    if kind == "both flows":
        assert not helped
    elif kind == "four temperatures":
        assert helped == {"would_help_and_give_U"}
        assert found.state.cleanliness_factor is None
        assert steady["UA_W_K"].isna().all()
        assert steady["duty_primary_W"].isna().all()
    else:
        assert helped == {"would_help_most"}
        assert steady["UA_W_K"].notna().mean() > 0.5


def test_a_missing_temperature_gives_no_verdict_but_says_what_it_would_bring():
    plant = simulated(None, 21)
    found = evaluate(plant.exchanger, plant.logged.drop(columns="primary_return_temperature"), ())
    assert found.verdict.kind is VerdictKind.CANNOT_TELL
    assert [r.code for r in found.verdict.reasons] == ["missing_role", "would_let_tell"]
    said = remark_text(found.verdict.reasons[1])
    assert said.startswith("The primary return would help most")


@pytest.mark.parametrize("kind", ["primary flow", "secondary flow", "four temperatures"])
def test_another_instrument_narrows_what_is_told(kind):
    drawn = draw(3, kind)
    now, *added = worths(keep_account(drawn.exchanger, drawn.trends, ()))
    assert now.role is None
    assert added
    assert all(w.loss_half < now.loss_half for w in added)
    assert [w.loss_half for w in added] == sorted(w.loss_half for w in added)


def test_the_expected_spread_is_of_the_size_of_the_real_one():
    """What is promised of a second meter is what an exchanger with two meters then has."""
    one, two = draw(3, "primary flow"), draw(3, "both flows")
    promised = worths(keep_account(one.exchanger, one.trends, ()))[1].loss_half
    _, sd = keep_account(two.exchanger, two.trends, ()).deposit()
    assert promised == pytest.approx(1.645 * 1.6 * float(sd[-1]), rel=0.7)


@pytest.mark.parametrize(
    ("factor", "unit", "registered"),
    [(1 / 3.6, "l/s", "m3/h"), (60.0 / 1000.0, "m3/h", "l/min"), (3.6, "m3/h", "l/s")],
)
def test_a_flow_in_another_unit(factor, unit, registered):
    """Litres a second taken as cubic metres an hour read 3.6 times too little, and so on."""
    drawn = draw(3, "both flows")
    trends = drawn.trends.assign(
        heat_power=drawn.truth["duty_W"], primary_flow=drawn.trends["primary_flow"] * factor
    )
    found = evaluate(drawn.exchanger, trends, ())
    remark = found.verdict.reasons[0]
    assert found.verdict.kind is VerdictKind.CANNOT_TELL
    assert remark.code == "flow_unit"
    assert (remark.words["unit"], remark.words["registered"]) == (unit, registered)


def test_a_flow_in_its_own_unit_is_not_remarked_upon():
    drawn = draw(3, "both flows")
    trends = drawn.trends.assign(heat_power=drawn.truth["duty_W"])
    found = evaluate(drawn.exchanger, trends, ())
    assert "flow_unit" not in {r.code for r in found.health.consequences}


@pytest.mark.slow
def test_pressure_tells_a_strainer_from_a_deposit_and_its_side():
    plant = simulated(None, 5)
    roles = tuple(r for r in plant.scenario.logger.roles if "pressure" not in r)
    logger = replace(
        plant.scenario.logger, roles=(*roles, "primary_pressure_drop", "secondary_pressure_drop")
    )
    logged = replace(plant.scenario, logger=logger)
    day = np.timedelta64(1, "D").astype("timedelta64[s]").item()
    blocked = plant_of(replace(logged, faults=(BlockedStrainer(
        start=START + 90 * day, full=START + 150 * day, pressure_factor=2.5, side="secondary"
    ),)))  # fmt: skip
    found = evaluate(blocked.exchanger, blocked.logged, ())
    strainer = next(c for c in found.causes if c.kind is CauseKind.STRAINER)
    assert found.verdict.kind is VerdictKind.RINSE_STRAINER
    assert strainer.magnitude.low < 2.5 < strainer.magnitude.high
    assert strainer.speaks_for[0].words["side"] == "secondary"
    fouled = plant_of(replace(logged, deposit=Deposit(
        law="linear", start=START + 80 * day, reached=START + 220 * day, share_lost=0.3
    )))  # fmt: skip
    found = evaluate(fouled.exchanger, fouled.logged, ())
    deposit = next(c for c in found.causes if c.kind is CauseKind.DEPOSIT)
    side = [r for r in deposit.speaks_for if r.code == "deposit_side"]
    assert found.verdict.kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    # the simulator's deposit narrows the secondary channels: 3 R k/gap of the pressure drop
    last = blocked.truth.index[-1]
    narrowed = 1 + 3 * fouled.truth.loc[last, "fouling_resistance_m2K_W"] / 1.5e-3
    assert side[0].words["side"] == "secondary"
    assert side[0].numbers["low"] < narrowed + 0.02
    assert side[0].numbers["high"] > narrowed - 0.04
