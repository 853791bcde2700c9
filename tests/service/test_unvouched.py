"""Where nobody vouches for a clean state, every answer says so once, beside its number."""

from dataclasses import replace

import pytest

from analytics.vocabulary.records import Evaluation
from service.documents.contents import page_one
from service.pages.exchanger import answer
from service.usecases.status import status_of
from service.wording.verdicts import headline, home_sentence
from service.wording.yardstick import marked, unvouched_footnote
from tests.service import made_up

PLANT = made_up.whole_plant()
VOUCHES = "which nobody vouches for"


def from_first_weeks(evaluation: Evaluation) -> Evaluation:
    """Return ``evaluation`` as of a register that knows no clean period."""
    assert evaluation.reference is not None
    return replace(evaluation, reference=replace(evaluation.reference, basis="first weeks"))


def _texts(evaluation: Evaluation) -> tuple[str, str]:
    exchanger = PLANT.exchanger(evaluation.tag)
    assert exchanger is not None
    document = page_one(PLANT, exchanger, evaluation, made_up.events(), made_up.THROUGH)
    return " ".join(
        answer(evaluation, PLANT)
    ), f"{document['figures'][0]['note']} {document['sure']}"


@pytest.mark.parametrize("case", [made_up.deposit, made_up.clean, made_up.clean_later])
def test_answer_and_document_say_it_once(case) -> None:
    vouched, unvouched = case(), from_first_weeks(case())
    page, document = _texts(unvouched)
    assert page.count(VOUCHES) == document.count(VOUCHES) == 1
    assert "since its first weeks" in document
    assert not any(VOUCHES in text or "first weeks" in text for text in _texts(vouched))


def test_lists_mark_the_figure() -> None:
    vouched, unvouched = made_up.deposit(), from_first_weeks(made_up.clean())
    assert (marked(vouched), marked(unvouched)) == ("", "†")
    assert unvouched_footnote([vouched]) == ""
    assert unvouched_footnote([vouched, unvouched]).startswith("† Clean is taken from")
    assert marked(from_first_weeks(made_up.stopped())) == ""  # nothing is told there


def test_no_loss_is_no_loss_since_then() -> None:
    assert headline(from_first_weeks(made_up.clean()), PLANT) == (
        "Leave it: no loss found since its first weeks."
    )
    said = home_sentence([from_first_weeks(made_up.deposit())], PLANT)
    assert "of its heat transfer since its first weeks," in said
    status = status_of(PLANT, "HX-03", from_first_weeks(made_up.deposit()), 1, made_up.THROUGH)
    assert status.clean_taken_from == "first weeks"
