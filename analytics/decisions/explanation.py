"""The few numbers that carried a verdict, for one sentence that an engineer can check on the charts.

Lives here: which numbers they are, for each kind of verdict, taken from the evaluation as it stands;
nothing is computed anew. Not here: words and rounding (``service.wording``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from math import isfinite

from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Evaluation,
    Remark,
    VerdictKind,
)

MOST_TIMES = 1000.0  # odds no explanation is sharper than
LEAST_RIVAL_K, LEAST_RIVAL = 0.5, 0.04  # a smaller error is none that an instrument is accused of
_INSTRUMENTS = (CauseKind.THERMOMETER, CauseKind.FLOW_METER)
_HELPS = ("would_help_most", "would_help_and_give_U", "would_let_tell")
# Of what cannot be told: the remark that says why, and what would settle it.
_SETTLED = {
    "flow_unit": "settles_unit", "points_swapped": "settles_pipes",
    "risen_unexplained": "settles_log", "wandered": "settles_visit", "visit_unread": "settles_after_visit",
}  # fmt: skip


def explain(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return the parts of the sentence that explains a verdict; at least two numbers in all."""
    kind, cause = evaluation.verdict.kind, evaluation.verdict.cause
    if kind is VerdictKind.CANNOT_TELL:
        return _cannot_tell(evaluation)
    if kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER):
        return (*_level(evaluation, since=True), *_loss(evaluation), *_beside_deposit(evaluation))
    if kind is VerdictKind.LEAVE:
        return (
            *_proposed(evaluation), *_level(evaluation), *_share(evaluation), *_over_time(evaluation),
        )  # fmt: skip
    if kind is VerdictKind.CHECK_INSTRUMENT:
        level = _level(evaluation) if cause is None else _allowed_for(evaluation)
        off = [r for r in _balance(cause) if r.code == "why_balance_off"]
        return (*_instrument(evaluation, cause), *off, *level)
    if kind is VerdictKind.ADD_PLATES:
        return (*_capacity(evaluation, cause), *_level(evaluation))
    return (*_said(cause), *_level(evaluation), *_share(evaluation))


# --- what the plates do ----------------------------------------------------------------------------


def _level(evaluation: Evaluation, *, since: bool = False) -> tuple[Remark, ...]:
    """Return the approach at the reference condition, now and clean, as the daily account has them."""
    state, reference = evaluation.state, evaluation.reference
    if state is None or state.approach_reference_K is None:
        return ()
    clean = evaluation.daily.get("approach_clean_K")
    known = None if clean is None else clean.dropna().loc[: state.as_of_utc]
    numbers = {"approach_K": state.approach_reference_K.value}
    if known is not None and len(known):
        numbers["clean_K"] = float(known.iloc[-1])
    elif reference is not None:
        numbers["clean_K"] = reference.approach_K.value
    cause = evaluation.verdict.cause
    began = evaluation.verdict.since_utc or (None if cause is None else cause.since_utc)
    words = {"since": _day(began)} if since and began is not None else {}
    return (Remark(code="why_level", numbers=numbers, words=words),)


def _allowed_for(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return the level, which the account keeps with the instrument's error allowed for."""
    return tuple(replace(r, code="why_level_allowed") for r in _level(evaluation))


def _loss(evaluation: Evaluation) -> tuple[Remark, ...]:
    factor = None if evaluation.state is None else evaluation.state.cleanliness_factor
    if factor is None:
        return ()
    lost = {"low": max(1 - factor.high, 0.0), "high": max(1 - factor.low, 0.0)}
    return (Remark(code="why_loss", numbers=lost),)


def _share(evaluation: Evaluation) -> tuple[Remark, ...]:
    factor = None if evaluation.state is None else evaluation.state.cleanliness_factor
    if factor is None:
        return ()
    return (Remark(code="why_share", numbers={"low": factor.low, "high": factor.high}),)


def _beside_deposit(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return what holds the deposit against an instrument: the heat balance and the best rival."""
    cause = evaluation.verdict.cause
    said = [*_balance(cause)]
    if cause is not None and any(r.code == "one_meter_ambiguous" for r in cause.speaks_against):
        said.append(Remark(code="why_one_meter"))
    # odds of an error that cannot be told from a deposit would be no odds
    single = bool(said) and said[-1].code == "why_one_meter"
    rival = _best_rival(
        [c for c in evaluation.causes if not (single and c.kind is CauseKind.FLOW_METER)]
    )
    return (*said, *(() if rival is None else (rival,)))


def _balance(cause: Cause | None) -> tuple[Remark, ...]:
    for remark in () if cause is None else (*cause.speaks_for, *cause.speaks_against):
        if remark.code in ("balance_agrees", "balance_off"):
            return (Remark(code=f"why_{remark.code}", numbers=remark.numbers),)
    return ()


def _best_rival(causes: Sequence[Cause]) -> Remark | None:
    """Return the instrument that comes nearest, with the error that it would need."""
    found = [
        c
        for c in causes
        if c.kind in _INSTRUMENTS and c.magnitude is not None and c.times_less_likely > 1.0
        and abs(c.magnitude.value) > (LEAST_RIVAL_K if c.magnitude_unit == "K" else LEAST_RIVAL)
        and isfinite(c.times_less_likely)
    ]  # fmt: skip
    if not found:
        codes = {r.code for c in causes for r in c.speaks_against}
        return Remark(code="why_no_error") if "no_error_explains" in codes else None
    best = min(found, key=lambda c: c.times_less_likely)
    assert best.magnitude is not None
    thermometer = best.kind is CauseKind.THERMOMETER
    name = "error_K" if thermometer else "error"
    numbers = {name: best.magnitude.value, "times": _rounded(best.times_less_likely)}
    return Remark(
        code="why_rival_thermometer" if thermometer else "why_rival_meter", numbers=numbers,
        words={"role": best.subject or ""},
    )  # fmt: skip


def _proposed(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return the step that an open proposal of a visit rests on."""
    visits = [p for p in evaluation.proposals if p.remark.code.startswith(("visit_", "plates_"))]
    return tuple(
        Remark(code="why_proposed", numbers=p.remark.numbers, words=p.remark.words)
        for p in visits[-1:]
    )


def _over_time(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return how far it wandered over the record, and for how long it has been off."""
    codes = {"wandered": "why_wandered", "off_season": "why_off"}
    return tuple(
        replace(r, code=codes[r.code]) for r in evaluation.verdict.reasons if r.code in codes
    )


# --- other causes ----------------------------------------------------------------------------------


def _instrument(evaluation: Evaluation, cause: Cause | None) -> tuple[Remark, ...]:
    if cause is None or cause.magnitude is None:
        return _said(cause)
    size = cause.magnitude
    thermometer = cause.kind is CauseKind.THERMOMETER
    end = "_K" if thermometer else ""
    numbers = {f"error{end}": size.value, f"low{end}": size.low, f"high{end}": size.high}
    began = cause.since_utc or evaluation.verdict.since_utc
    words = {"role": cause.subject or ""} | ({} if began is None else {"since": _day(began)})
    code = "why_thermometer" if thermometer else "why_meter"
    return (Remark(code=code, numbers=numbers, words=words),)


def _capacity(evaluation: Evaluation, cause: Cause | None) -> tuple[Remark, ...]:
    found = evaluation.capacity
    if found is None or found.load_at_design_W.value <= found.delivers_clean_W.value:
        return _said(cause)
    numbers = {
        "outdoor_degC": found.design_outdoor_degC, "load_W": found.load_at_design_W.value,
        "clean_W": found.delivers_clean_W.value,
    }  # fmt: skip
    return (Remark(code="why_capacity", numbers=numbers),)


def _said(cause: Cause | None) -> tuple[Remark, ...]:
    """Return what speaks for a cause, as far as it has numbers."""
    return tuple(r for r in (() if cause is None else cause.speaks_for) if r.numbers)[:2]


# --- what cannot be told ---------------------------------------------------------------------------


def _cannot_tell(evaluation: Evaluation) -> tuple[Remark, ...]:
    """Return why nothing can be told, what is there all the same, and what would settle it."""
    said = [*evaluation.verdict.reasons, *evaluation.health.consequences]
    reasons = [r for r in evaluation.verdict.reasons if r.numbers and r.code not in _HELPS]
    parts = [*reasons[:1], *_instead(evaluation, reasons)]
    return (*parts, _settles(evaluation, said))


def _instead(evaluation: Evaluation, reasons: Sequence[Remark]) -> tuple[Remark, ...]:
    level = _level(evaluation)
    if any(r.code == "visit_unread" for r in evaluation.verdict.reasons):
        return tuple(replace(r, code="why_level_before") for r in level)
    if level and not any(r.code == "few_days" for r in reasons):
        return level
    health = evaluation.health
    numbers = {"evidence": health.hours_evidence_30d, "running": health.hours_running_30d}
    return (Remark(code="why_hours", numbers=numbers),)


def _settles(evaluation: Evaluation, said: Sequence[Remark]) -> Remark:
    by_code: Mapping[str, Remark] = {r.code: r for r in reversed(said)}
    if evaluation.health.grade == "stopped" and evaluation.health.missing_roles:
        return Remark(code="settles_readings", words={"role": evaluation.health.missing_roles[-1]})
    if "calibration_would_settle" in by_code:
        return Remark(code="settles_check", words=by_code["calibration_would_settle"].words)
    for code, settled in _SETTLED.items():
        if code in by_code:
            return Remark(code=settled)
    if "few_days" in by_code:  # no instrument brings days
        days = by_code["few_days"].numbers
        return Remark(code="settles_days", numbers={"missing": days["needed"] - days["days"]})
    for code in _HELPS:
        if code in by_code:
            return Remark(
                code="settles_instrument", numbers=by_code[code].numbers, words=by_code[code].words
            )
    missing = evaluation.health.missing_roles
    return Remark(code="settles_hours" if not missing else "settles_readings",
                  words={"role": missing[-1]} if missing else {})  # fmt: skip


def _rounded(times: float) -> float:
    return float(f"{min(times, MOST_TIMES):.1g}")


def _day(moment: datetime) -> str:
    return f"{moment.day} {moment:%B %Y}"
