"""Two causes left standing: the table's heading, its odds and the verdict say the same."""

from dataclasses import replace

from analytics.vocabulary.records import Cause, CauseKind, Remark, Verdict, VerdictKind
from service.documents.contents import page_one
from service.pages import causes
from service.wording.causes import odds_beside
from service.wording.reasons import runner_up
from service.wording.verdicts import home_sentence
from tests.service import made_up


def undecided():
    deposit = Cause(kind=CauseKind.DEPOSIT, chances=0.25, times_less_likely=3.0)
    rival = Cause(
        kind=CauseKind.THERMOMETER, subject="secondary_supply_temperature", chances=0.75,
        times_less_likely=1.0,
    )  # fmt: skip
    verdict = Verdict(
        kind=VerdictKind.CANNOT_TELL, cause=deposit, runner_up=rival, since_utc=None,
        reasons=(
            Remark(code="deposit_or_instrument", numbers={"loss": 0.2},
                   words={"role": "secondary_supply_temperature"}),
            Remark(code="calibration_would_settle", words={"role": "secondary_supply_temperature"}),
        ),
    )  # fmt: skip
    return replace(made_up.deposit(), verdict=verdict, causes=(rival, deposit))


def test_heading_names_both_and_what_would_settle_it():
    evaluation = undecided()
    said = causes.heading(evaluation)
    assert said.startswith("Deposit on the plates, or a secondary-supply thermometer that is off")
    assert "check of the secondary supply instrument" in said
    shown = causes.rows(evaluation, made_up.plant())
    assert [r.odds.split()[0][:2] for r in shown] == ["25", "75"]


def test_the_first_sentence_counts_a_check_a_proposal_and_an_alert():
    asks = replace(undecided(), proposals=(made_up.proposal(),))
    others = [made_up.clean_later(), made_up.clean("HX-09")]
    text = home_sentence([*others, asks], made_up.whole_plant(), {asks.tag: 2})
    assert text.startswith(
        "HX-03 in Block A needs you: one instrument to check, one proposed log entry"
    )
    assert "two alerts to acknowledge" in text
    assert "nothing can be told" not in text  # a loss is told
    beside = home_sentence([made_up.deposit("HX-01"), asks], made_up.whole_plant())
    assert beside.endswith(
        "Also waiting: one instrument to check and one proposed log entry to accept or reject."
    )


def test_a_single_meter_has_no_odds_against_the_deposit_it_looks_like():
    deposit = Cause(kind=CauseKind.DEPOSIT, chances=0.95, times_less_likely=1.0)
    meter = Cause(
        kind=CauseKind.FLOW_METER, subject="primary_flow", chances=0.03, times_less_likely=30.0,
        speaks_for=(Remark(code="one_meter_ambiguous"),),
    )  # fmt: skip
    verdict = Verdict(
        kind=VerdictKind.CLEAN_LATER, cause=deposit, runner_up=meter, since_utc=None, reasons=()
    )
    found = replace(made_up.deposit(), verdict=verdict, causes=(deposit, meter))
    said = causes.heading(found)
    assert "which a single meter cannot tell from it: together 98" in said
    assert causes.rows(found, made_up.plant())[1].odds == "cannot be told from a deposit"
    assert runner_up(found).startswith("With a single meter")


def test_unchanged_plates_hold_along_with_a_fault_of_the_building():
    leader = Cause(kind=CauseKind.BUILDING_SIDE, chances=0.9, times_less_likely=1.0)
    nothing = Cause(kind=CauseKind.NOTHING, chances=0.8, times_less_likely=1.0)
    assert odds_beside(nothing, leader) == "holds along with it"
    assert odds_beside(nothing, replace(leader, kind=CauseKind.DEPOSIT)) == "as likely"


def test_causes_that_are_as_good_as_excluded_share_one_heading():
    """Of the made-up rivals the return is over the cap, too few plates are ruled out; others have odds of their own."""
    shown = causes.rows(made_up.deposit(), made_up.whole_plant())
    own = [r for r in shown if not r.group]
    assert shown[: len(own)] == own
    assert all(r.odds for r in own)
    assert not [r.odds for r in shown[len(own) :] if r.odds]
    assert [r.group for r in shown[len(own) :]] == [
        "Over\u00a01,000\u00a0times less likely",
        "Ruled out",
    ]


def test_the_document_tells_odds_that_all_its_rivals_share_once():
    found = made_up.deposit()
    exchanger = made_up.whole_plant().exchanger(found.tag)
    assert exchanger is not None
    far = tuple(
        replace(c, times_less_likely=5e3) if c.kind is not CauseKind.DEPOSIT else c
        for c in found.causes
    )
    for causes_then, compared, odds in ((found.causes, "Compared", "40"), (far, "Each over", "")):
        page = page_one(
            made_up.whole_plant(),
            exchanger,
            replace(found, causes=causes_then),
            (),
            made_up.THROUGH,
        )
        assert page["compared"].startswith(compared)
        assert page["rivals"][0][2].split("\u00a0")[0] == odds
