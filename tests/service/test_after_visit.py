"""A visit to the plates that no reading follows yet: nothing asks for another, and what was found stays."""

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from pypdf import PdfReader

from analytics.vocabulary.records import (
    SURFACE_DEEDS,
    Deed,
    Evaluation,
    MaintenanceEvent,
    Remark,
    VerdictKind,
    VisitProof,
)
from service.settings import Settings
from service.usecases.after_visit import verdict_before, with_unread_visit
from service.usecases.assessing import assess
from service.usecases.documents import document_name
from service.usecases.files import ImportOptions
from service.usecases.ledger import Ledger
from service.usecases.ranking import rank
from service.usecases.status import list_status
from service.wording.verdicts import changes_since, headline, home_sentence
from tests.service import made_up
from tests.service.test_pages import Client, MadeUpLedger

PLANT = made_up.whole_plant()
VISIT_UTC = datetime(2026, 11, 24, 11, tzinfo=UTC)  # the made-up readings end on the 23rd
SAID = (
    "Cannot tell yet: opened and cleaned on 24 November 2026, no day since that shows the plates."
)
WAITS = "cannot be judged until a day with load follows it; the readings end on 23 November 2026"
ASKS = ("approve a cleaning", "needs a cleaning visit", "Clean it: deposit.", "of waiting from")


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").replace("\u2060", "").split())


def visit(tag: str, deed: Deed = Deed.OPENED_AND_CLEANED) -> MaintenanceEvent:
    plates = 106 if deed is Deed.PLATES_CHANGED else None
    return MaintenanceEvent(tag=tag, at_utc=VISIT_UTC, deed=deed, plates_after=plates)


def unread(base: Evaluation, deed: Deed = Deed.OPENED_AND_CLEANED) -> Evaluation:
    return with_unread_visit(base, (visit(base.tag, deed),), PLANT)


@pytest.mark.parametrize("deed", list(Deed))
def test_only_what_touches_the_plates_puts_the_verdict_off(deed: Deed) -> None:
    base = made_up.deposit()
    found = unread(base, deed)
    assert (found is base) is (deed not in SURFACE_DEEDS)
    assert (verdict_before(found) == "clean it") is (deed in SURFACE_DEEDS)


def test_only_a_visit_after_the_last_reading_counts_and_only_of_its_own() -> None:
    base = made_up.deposit()
    before = replace(visit(base.tag), at_utc=base.through_utc)
    assert with_unread_visit(base, (before, visit("HX-99")), PLANT) is base
    nothing = made_up.nothing_known()
    bare = replace(nothing, health=replace(nothing.health, last_utc=None))
    assert unread(bare) is bare


def test_a_visit_on_the_day_on_which_the_readings_end_has_shown_nothing_either() -> None:
    base = made_up.deposit()
    assert base.state is not None
    event = replace(visit(base.tag), at_utc=base.through_utc - timedelta(hours=1))
    midnight = base.through_utc.replace(hour=0, minute=0)
    for days, put_off in ((1, True), (0, False)):  # the last day that tells of the plates
        state = replace(base.state, as_of_utc=midnight - timedelta(days=days))
        found = with_unread_visit(replace(base, state=state), (event,), PLANT)
        assert (verdict_before(found) == "clean it") is put_off
    state = replace(base.state, as_of_utc=midnight - timedelta(days=1))
    found = with_unread_visit(replace(base, state=state), (event,), PLANT)
    assert "cost" not in found.verdict.reasons[1].words  # it is counted from that very visit
    assert "cost" in unread(base).verdict.reasons[1].words


@pytest.mark.parametrize("measured", [False, True])
def test_a_visit_in_a_standstill_waits_for_load_unless_its_days_were_judged(measured: bool) -> None:
    """Readings go on for three weeks after a summer's cleaning, none of which tells of the plates."""
    base = made_up.deposit()
    assert base.state is not None
    event = replace(visit(base.tag), at_utc=base.through_utc - timedelta(days=21))
    state = replace(base.state, as_of_utc=base.through_utc - timedelta(days=40))
    known = replace(made_up.visited().proofs[-1], event=event)
    base = replace(base, state=state, proofs=(known,) if measured else ())
    found = with_unread_visit(base, (event,), PLANT)
    assert (found is base) is measured
    assert plain(headline(found, PLANT)).startswith(
        "Clean it" if measured else "Cannot tell yet: opened"
    )


def test_a_visit_settles_no_instrument_and_no_missing_data() -> None:
    """What another person has to do stays said; what the deposit beside it costs waits all the same."""
    for base in (made_up.thermometer(), made_up.building_side(), made_up.add_plates()):
        found = unread(base)
        assert headline(found, PLANT) == headline(base, PLANT)
        assert (found.money, found.forecast) == (None, None)
        assert found.proofs[-1].outcome == "no day that shows it yet"
    reasons = (Remark(code="points_swapped"),)
    verdict = replace(made_up.nothing_known().verdict, reasons=reasons)
    swapped = replace(made_up.deposit(), verdict=verdict)
    found = unread(swapped)
    assert found is not swapped
    assert (
        headline(found, PLANT)
        == headline(swapped, PLANT)
        == "Cannot tell: two points seem swapped."
    )
    changed = unread(made_up.add_plates(), Deed.PLATES_CHANGED)
    assert plain(headline(changed, PLANT)).startswith("Cannot tell yet: plates changed on 24")


def test_a_proof_too_early_to_tell_gives_way_to_the_visit_that_waits() -> None:
    base, event = made_up.deposit(), visit(made_up.deposit().tag)
    early = VisitProof(
        event=event, recovered=None, days_before=20, days_after=1, outcome="too early to tell"
    )
    found = with_unread_visit(replace(base, proofs=(early,)), (event,), PLANT)
    assert [p.outcome for p in found.proofs] == ["no day that shows it yet"]
    assert plain(headline(found, PLANT)) == SAID


def test_it_is_ranked_with_what_waits_and_not_counted_as_in_need() -> None:
    fouled, mild, clean = made_up.deposit(), made_up.clean_later(), made_up.clean()
    order = [e.tag for e in rank([clean, unread(fouled), mild])]
    assert order == [mild.tag, fouled.tag, clean.tag]
    assert "needs a cleaning visit" in home_sentence([fouled, mild], PLANT)
    said = plain(home_sentence([mild, unread(fouled)], PLANT))
    assert "cleaning visit" not in said
    assert "None" in said or "Neither" in said
    alone = plain(home_sentence([unread(fouled)], PLANT))
    assert (
        "yet: opened and cleaned on 24 November 2026, no day since that shows the plates. Readings after"
        in alone
    )
    news = changes_since([unread(fouled)], VISIT_UTC - timedelta(days=1), PLANT)
    assert (
        plain(news[0])
        == f"{fouled.tag}: opened and cleaned on 24 November 2026, no day since that shows the plates"
    )


def test_the_pages_tell_it_and_keep_what_was_found() -> None:
    found = unread(made_up.deposit())
    client = Client(MadeUpLedger([found, made_up.clean()], PLANT))
    for address in ("/", "/documents", f"/exchangers/{found.tag}"):
        page = plain(client.get(address))
        assert SAID in page, address
        assert not any(asks in page for asks in ASKS), address
    assert (
        page.count("until readings after the visit") >= 3
    )  # limit, cost of waiting, another visit
    assert WAITS in page
    assert "Before the visit the approach at the reference condition was 5.9 K" in page
    assert "Likeliest before the visit: deposit" in page
    assert "if nothing is done" not in page


def test_ledger_and_document_ask_for_no_second_visit(own_ledger, workspace, write_trends) -> None:
    """From the log to the paper, without another assessment, and back when the entry is taken out."""
    own_ledger.import_store("october.csv", write_trends().encode(), ImportOptions())
    assess(own_ledger.store, workers=1, evaluate=lambda x, t, e: made_up.deposit(x.tag))
    ledger = Ledger.open(Settings(workspace=workspace), clock=lambda: VISIT_UTC + timedelta(days=1))
    (before,) = list_status(ledger)
    assert (before.verdict, before.verdict_before_visit, before.last_visit) == (
        "clean it",
        None,
        None,
    )
    ledger.add_event(visit("HX-01"))
    (status,) = list_status(ledger)
    assert (status.verdict, status.verdict_before_visit) == ("cannot tell", "clean it")
    assert plain(status.sentence) == SAID
    assert status.last_visit is not None
    assert (status.last_visit.at, status.last_visit.outcome) == (
        VISIT_UTC,
        "no day that shows it yet",
    )
    cost = status.avoidable_cost
    for figure in (cost.next_month, cost.visit_brings, status.limit_reached):
        assert figure.reason == "cannot be told until readings after the visit"
    assert status.cleanliness_factor.value == before.cleanliness_factor.value
    assert ledger.write_document("HX-01").name == "HX-01 report.pdf"
    pages = PdfReader(io.BytesIO(ledger.document_pdf("HX-01"))).pages
    first = plain(pages[0].extract_text())
    assert "No further cleaning visit is asked for." in first
    assert WAITS in first
    assert not any(asks in first for asks in ASKS)
    ledger.remove_event(visit("HX-01"))
    again = ledger.evaluation("HX-01")
    assert again is not None
    assert again.verdict.kind is VerdictKind.CLEAN_NOW
    assert document_name(again, "HX-01") == "HX-01 cleaning request.pdf"
    ledger.close()
