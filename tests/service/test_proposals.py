"""What seems to be missing in the log: kept, accepted, rejected, and never in force by itself."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

import service.cli.answers
import service.cli.maintenance
import service.cli.proposals
import service.cli.setting_up  # noqa: F401 - they add their commands
from analytics.vocabulary.errors import PlateledgerError, RegisterError
from analytics.vocabulary.records import Deed, VerdictKind
from service.app import create_app
from service.cli.command import app
from service.register.maintenance import HEADER
from service.settings import Settings
from service.usecases.assessing import assess
from service.usecases.ledger import ImportOptions, Ledger
from service.usecases.proposing import ProposalState, merge
from service.usecases.status import list_status
from tests.service import made_up

NOW = datetime(2026, 4, 1, 9, tzinfo=UTC)


def with_proposals(*proposals):
    """Stand in for the analysis: clean plates, and these proposals while the log lacks them."""

    def evaluate(exchanger, trends, events):
        missing = [p for p in proposals if all(e.deed is not p.deed for e in events)]
        base = made_up.clean(exchanger.tag)
        reasons = (*(p.remark for p in missing), *base.verdict.reasons)
        return replace(
            base, proposals=tuple(missing), verdict=replace(base.verdict, reasons=reasons)
        )

    return evaluate


def run(ledger, *proposals, again=True):
    assess(ledger.store, workers=1, evaluate=with_proposals(*proposals), again=again)


@pytest.fixture
def proposed(ledger, write_trends):
    ledger.import_store("oct.csv", write_trends().encode(), ImportOptions())
    run(ledger, made_up.proposal())
    return ledger


def test_an_open_proposal_is_stored_and_told_but_no_entry(proposed):
    (kept,) = proposed.proposals("HX-01")
    assert kept.state is ProposalState.OPEN
    assert kept.proposal == made_up.proposal()
    assert proposed.events() == ()
    (status,) = list_status(proposed)
    (told,) = status.proposals
    assert (told.number, told.deed, told.known) == (
        kept.number, "opened and cleaned", made_up.proposal().known_utc,
    )  # fmt: skip
    assert "6.2" in told.text
    assert status.verdict == str(VerdictKind.LEAVE)
    assert told.text in status.reasons


def test_accepted_it_is_an_entry_like_any_other(proposed):
    (kept,) = proposed.proposals()
    event = proposed.accept_proposal(kept.number, by="A. Reader")
    assert event.deed is Deed.OPENED_AND_CLEANED
    assert event.at_utc.date() == kept.proposal.at_utc.date()
    assert proposed.events("HX-01") == (event,)
    assert proposed.outdated() == ("HX-01",)
    run(proposed, made_up.proposal(), again=False)
    (after,) = proposed.proposals()
    assert (after.state, after.decided_by) == (ProposalState.ACCEPTED, "A. Reader")
    assert list_status(proposed)[0].proposals == ()
    with pytest.raises(PlateledgerError, match="accepted already"):
        proposed.reject_proposal(kept.number)


def test_what_a_person_knows_better_is_entered(proposed):
    (kept,) = proposed.proposals()
    with pytest.raises(RegisterError, match="no date"):
        proposed.accept_proposal(kept.number, when="in March")
    assert proposed.events() == ()
    event = proposed.accept_proposal(
        kept.number, when="2026-03-16", deed="cleaned in place", note="by night"
    )
    assert (event.deed, event.at_utc.date().isoformat()) == (Deed.CLEANED_IN_PLACE, "2026-03-16")
    assert event.note.startswith("by night (proposed from the readings")


def test_rejected_it_is_kept_and_not_proposed_again(proposed):
    (kept,) = proposed.proposals()
    proposed.reject_proposal(kept.number, note="nobody was there", by="A. Reader")
    moved = replace(made_up.proposal(), at_utc=kept.proposal.at_utc + timedelta(days=2))
    run(proposed, moved)
    (after,) = proposed.proposals()
    assert (after.state, after.note) == (ProposalState.REJECTED, "nobody was there")
    assert proposed.evaluation("HX-01").proposals == ()
    (status,) = list_status(proposed)
    assert status.proposals == ()
    assert all("6.2" not in r for r in status.reasons)
    with pytest.raises(PlateledgerError, match="none with this number"):
        proposed.reject_proposal(kept.number + 1)


def test_what_readings_no_longer_show_is_withdrawn_and_may_come_back(proposed):
    run(proposed)
    assert proposed.proposals()[0].state is ProposalState.WITHDRAWN
    run(proposed, made_up.proposal())
    (kept,) = proposed.proposals()
    assert (kept.state, kept.decided_utc) == (ProposalState.OPEN, None)


def test_two_events_of_one_kind_are_two_proposals():
    later = replace(made_up.proposal(), at_utc=made_up.proposal().at_utc + timedelta(days=60))
    first = merge((), [made_up.proposal()], tag="A", now_utc=NOW)
    both = merge(first, [made_up.proposal(), later], tag="A", now_utc=NOW)
    assert [k.state for k in both] == [ProposalState.OPEN] * 2
    assert both[0] == first[0]


def test_by_the_command(workspace, write_trends, tmp_path):
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    ledger.load_register()
    ledger.import_store("oct.csv", write_trends().encode(), ImportOptions())
    run(ledger, made_up.proposal())
    number = str(ledger.proposals()[0].number)
    ledger.close()

    def command(*arguments):
        return CliRunner().invoke(app, [*arguments, "-w", str(workspace)])

    assert "opened and cleaned; open." in command("proposals").output
    (told,) = json.loads(command("proposals", "--json").output)
    assert told["at"] == "2026-03-18T00:00:00Z"
    assert "perhaps missing in the log" in command("status").output
    done = command("proposals", "accept", number, "--deed", "cleaned in place")
    assert "HX-01: cleaned in place, 2026-03-18; stored in the log." in done.output
    assert "--all lists the past ones" in command("proposals").output
    assert "accepted already" in command("proposals", "reject", number).output


def test_accepted_it_lives_in_the_ledger_and_the_file_neither_drops_nor_doubles_it(
    workspace, write_trends
):
    ledger = Ledger.open(Settings(workspace=workspace, workers=1))
    ledger.load_register()
    ledger.import_store("oct.csv", write_trends().encode(), ImportOptions())
    run(ledger, made_up.proposal())
    ledger.accept_proposal(ledger.proposals()[0].number)
    ledger.close()
    path = workspace / "maintenance.csv"
    path.write_text(HEADER)

    def command(*arguments):
        return CliRunner().invoke(app, [*arguments, "-w", str(workspace)])

    visit = ("log", "HX-01", "2026-03-18", "opened and cleaned")
    assert command("log", "HX-01").output.count("opened and cleaned") == 1
    assert path.read_text() == HEADER
    path.write_text(f"{HEADER}HX-01,2026-03-18 09:30,opened and cleaned,,,by hand\n")
    assert "0 new entries" in command("register").stderr
    assert command("log", "HX-01").output.count("opened and cleaned") == 1
    refused = command(*visit, "--remove")
    assert refused.exit_code == 1
    assert "stands in maintenance.csv" in refused.stderr
    path.write_text(HEADER)
    assert "taken out of the log" in command(*visit, "--remove").output
    assert "is not in the log" in command(*visit, "--remove").stderr


def test_by_the_api(workspace, write_trends):
    service = create_app(Settings(workspace=workspace, workers=1))
    ledger = service.state.ledger
    ledger.load_register()
    ledger.import_store("oct.csv", write_trends().encode(), ImportOptions())
    run(ledger, made_up.proposal())
    with TestClient(service, base_url="http://127.0.0.1:8420") as client:
        (told,) = client.get("/v1/proposals").json()
        assert told["state"] == "open"
        assert client.get("/v1/exchangers").json()[0]["proposals"] == [told]
        address = f"/v1/proposals/{told['number']}"
        done = client.post(f"{address}/reject", json={"note": "nobody was there"})
        assert done.json()["state"] == "rejected"
        again = client.post(f"{address}/accept", json={})
        assert again.status_code == 400
        assert client.post("/v1/proposals/999/reject", json={}).status_code == 404
