"""Four temperatures and no meter, nothing moved: what they tell is said, and nothing they do not."""

from dataclasses import replace

from analytics.vocabulary.records import Cause, CauseKind, Remark, Verdict, VerdictKind
from service.documents.contents import page_one
from service.pages import causes
from service.wording.explaining import explanation
from service.wording.verdicts import headline
from tests.service import made_up


def quiet():
    base = made_up.temperatures_only()
    verdict = Verdict(
        kind=VerdictKind.LEAVE, cause=None, runner_up=None, since_utc=None,
        reasons=(Remark(code="effectiveness_steady"), *base.verdict.reasons),
    )  # fmt: skip
    meter = Cause(
        kind=CauseKind.FLOW_METER, subject="secondary_flow", chances=0.01, times_less_likely=80.0
    )
    nothing = Cause(kind=CauseKind.NOTHING, chances=0.8, times_less_likely=1.0)
    return replace(base, verdict=verdict, causes=(nothing, meter))


def test_effectiveness_is_told_and_no_loss_denied() -> None:
    evaluation, plant = quiet(), made_up.whole_plant()
    assert headline(evaluation, plant) == "Leave it: effectiveness as it was."
    said = explanation(evaluation, plant)
    for part in ("has not moved", "0.88 (0.85–0.91)", "without a flow"):
        assert part in said
    assert "without a flow" in causes.heading(evaluation)
    assert [r.title for r in causes.rows(evaluation, plant)] == ["Plates and instruments unchanged"]
    exchanger = made_up.bare_exchanger(evaluation.tag)
    request = page_one(plant, exchanger, evaluation, (), made_up.THROUGH)["request"]
    text = "".join(piece["t"] for piece in request)
    assert text.startswith("Nothing asks for a cleaning visit")
    assert "not recommended" not in text
