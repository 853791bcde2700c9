"""Names of causes, instruments, deeds and reasons, as they stand in a table or inside a sentence."""

from math import isfinite

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.records import BESIDE_THE_PLATES, Cause, CauseKind, MaintenanceEvent
from service.wording.numbers import NBSP

_TITLES: dict[CauseKind, str] = {
    CauseKind.DEPOSIT: "Deposit on the plates",
    CauseKind.BUILDING_SIDE: "Building side: return too warm",
    CauseKind.CONTROLS: "Controls hunting",
    CauseKind.CAPACITY: "Too few plates",
    CauseKind.PIPING: "Parallel flow after a visit",
    CauseKind.STRAINER: "Blocked strainer",
    CauseKind.NOTHING: "Plates and instruments unchanged",
}
_IN_A_SENTENCE: dict[CauseKind, str] = {
    CauseKind.DEPOSIT: "deposit on the plates",
    CauseKind.BUILDING_SIDE: "a building return that is too warm",
    CauseKind.CONTROLS: "hunting controls",
    CauseKind.CAPACITY: "too few plates",
    CauseKind.PIPING: "streams in parallel flow",
    CauseKind.STRAINER: "a blocked strainer",
    CauseKind.NOTHING: "that nothing has changed",
}
_LIKELIHOOD_CAP = 1000


def role_label(role: str | None) -> str:
    """Return the label of a trend role: ``primary return``."""
    return ROLES[role].label if role in ROLES else (role or "")


def _direction(cause: Cause, high: str, low: str, unknown: str) -> str:
    if cause.magnitude is None or not isfinite(cause.magnitude.value):
        return unknown
    return high if cause.magnitude.value > 0 else low


def cause_title(cause: Cause) -> str:
    """Return the cause as the head of a row: ``Primary-return thermometer reads high``."""
    if cause.kind is CauseKind.THERMOMETER:
        verb = _direction(cause, "reads high", "reads low", "is off")
        label = role_label(cause.subject).replace(" ", "-") or "a"
        return f"{label} thermometer {verb}".capitalize()
    if cause.kind is CauseKind.FLOW_METER:
        verb = _direction(cause, "reads high", "reads low", "is off")
        return f"{role_label(cause.subject) or 'a flow'} meter {verb}".capitalize()
    return _TITLES[cause.kind]


def cause_in_a_sentence(cause: Cause) -> str:
    """Return the cause inside a sentence: ``a primary-return thermometer reading high``."""
    if cause.kind is CauseKind.THERMOMETER:
        verb = _direction(cause, "reading high", "reading low", "that is off")
        label = role_label(cause.subject).replace(" ", "-")
        return f"a {label} thermometer {verb}".replace("  ", " ")
    if cause.kind is CauseKind.FLOW_METER:
        verb = _direction(cause, "reading high", "reading low", "that is off")
        return f"a {role_label(cause.subject) or 'flow'} meter {verb}"
    return _IN_A_SENTENCE[cause.kind]


def times_less_likely(times: float) -> str:
    """Return ``40 times less likely``, rounded to what such odds can bear."""
    if not isfinite(times):
        return "ruled out"
    if times < 1.5:
        return "as likely"
    rounded = float(f"{times:.1g}")  # one figure, wherever it stands
    if rounded >= _LIKELIHOOD_CAP:
        return f"over{NBSP}1,000{NBSP}times less likely"
    return f"{rounded:,.0f}{NBSP}times less likely"


def shared_odds(told: str) -> str:
    """Return odds that say no more of one cause than of the next, as a heading over all of them; else empty."""
    at_the_end = (times_less_likely(_LIKELIHOOD_CAP), times_less_likely(float("inf")))
    return f"{told[:1].upper()}{told[1:]}" if told in at_the_end else ""


def looks_alike(cause: Cause) -> bool:
    """Tell whether the cause is the single meter whose error looks like a deposit."""
    alone = any(r.code == "one_meter_ambiguous" for r in cause.speaks_for)
    return cause.kind is CauseKind.FLOW_METER and alone


def odds_beside(cause: Cause, leader: Cause | None = None) -> str:
    """Return how a cause that does not lead compares with the one that does.

    What shows beside the plates' account (the building, the load, a strainer) competes with nothing
    there: both may be so.
    """
    if looks_alike(cause):
        return "cannot be told from a deposit"
    if leader is not None and leader.kind in BESIDE_THE_PLATES and cause.kind is CauseKind.NOTHING:
        return "holds along with it"
    if cause.kind in BESIDE_THE_PLATES and cause.times_less_likely < 1.5:
        return "holds along with it"
    return times_less_likely(cause.times_less_likely)


def chances(share: float) -> str:
    """Return ``97 chances in 100``; never 100, as no evidence goes that far."""
    if share > 0.995:
        return f"over 99{NBSP}chances in{NBSP}100"
    if share < 0.005:
        return f"under 1{NBSP}chance in{NBSP}100"
    count = round(share * 100)
    return f"{count}{NBSP}{'chance' if count == 1 else 'chances'} in{NBSP}100"


def deed_text(event: MaintenanceEvent) -> str:
    """Return what was done: ``plates changed, 106 fitted``."""
    parts = [str(event.deed)]
    if event.role:
        parts.append(role_label(event.role))
    if event.plates_after:
        parts.append(f"{event.plates_after}{NBSP}plates fitted")
    return ", ".join(parts)
