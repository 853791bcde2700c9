"""The evidence sections of an exchanger: each finding in words, with its chart or what is missing.

A section's heading is its finding. Where something cannot be told the heading says so and the note
says what is missing. Not here: money, capacity and log (``account_sections.py``).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.vocabulary.records import (
    Evaluation,
    Exchanger,
    LatestInterval,
    MaintenanceEvent,
)
from service.charts.approach import approach_chart
from service.charts.drawing import Chart
from service.charts.instruments import offsets_chart, profile_chart
from service.charts.transfer import duties_chart, measured_share, transfer_chart
from service.register.plant import Plant
from service.wording import dates, numbers
from service.wording.causes import role_label
from service.wording.limits import clean_today, plates_changed
from service.wording.numbers import NBSP
from service.wording.proofs import unread_visit
from service.wording.reasons import loss
from service.wording.remarks import remark_text
from service.wording.yardstick import leads_with_plates, weeks_of_clean

PHONE = 354.0
_DOUBLED = (1.8, 2.1)
_HARDLY_SHOWS_K = 0.5  # below it, thermometers cannot tell a fouled from a clean approach
_OFF_THE_CURVE = 0.1  # beyond it, "on the curve" would belie the picture
# Why an interval tells nothing of the plates, to follow "as".
_ASIDE = {
    "gap": "a reading is missing",
    "out_of_range": "a reading is one that no network can have",
    "flat_lined": "a point repeats one value while the others move",
    "spike": "a reading lies far from those before and after it",
    "crossed": "the streams seem to cross by more than the thermometers allow",
    "stopped": "it was not running",
    "low_load": "at so little load the temperature differences are as small as the thermometers' errors",
    "transient": "temperatures or flow were still moving, and only steady ones can be held against clean plates",
    "unbalanced": "the two sides' heat differs by more than the meters allow",
    "outside_liquid": "a reading lies where the liquid has no properties",
    "day_of_work": "plates or instruments were changed that day",
}
_BASES = {
    "known clean period": "the clean period that the register vouches for",
    "first weeks": "its own first weeks",
    "nameplate": "the nameplate alone",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One finding: heading, note, chart for wide screens and for phones."""

    heading: str
    note: str = ""
    chart: Chart | None = None
    phone_chart: Chart | None = None


def _both(
    draw: Callable[[float, str], Chart | None], wide: float, name: str
) -> tuple[Chart | None, Chart | None]:
    return draw(wide, name), draw(PHONE, f"{name}-phone")


def consequences(evaluation: Evaluation, plant: Plant) -> str:
    """Return what is missing from the data and what follows, as sentences."""
    told = "first_weeks_yardstick" if leads_with_plates(evaluation) else ""  # by the answer itself
    said = [remark_text(r, plant.units) for r in evaluation.health.consequences if r.code != told]
    missing = [role_label(r) for r in evaluation.health.missing_roles]
    if missing:
        said.append(f"Not logged: {', '.join(missing)}")
    return " ".join(f"{s}." for s in said)


def approach(evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant) -> Part:
    """Return the approach at the reference condition against its clean level."""
    wide, phone = _both(
        lambda w, n: approach_chart(evaluation, events, plant, width=w, name=n), 1160.0, "approach"
    )
    if wide is None:
        return Part(
            heading="The approach at the reference condition cannot be told.",
            note="It needs steady hours with a flow or a heat meter and four temperatures.",
        )
    return Part(
        heading=_approach_heading(evaluation, events, plant),
        note=f"{_condition(evaluation, plant)} {wide.key}",
        chart=wide,
        phone_chart=phone,
    )


def _approach_heading(
    evaluation: Evaluation, events: Sequence[MaintenanceEvent], plant: Plant
) -> str:
    measure = numbers.measure_of("approach_K", plant.units)
    now = evaluation.state.approach_reference_K if evaluation.state is not None else None
    clean = clean_today(evaluation)
    if now is None or clean is None:
        return "The approach at the reference condition has no clean level to be held against yet."
    shown, level = numbers.figure(now, measure).main, numbers.figure(clean, measure).main
    if unread_visit(evaluation) is not None:
        return (
            f"Before the visit the approach at the reference condition was {shown}, clean {level}."
        )
    if now.low > clean.high:
        ratio = now.value / clean.value if clean.value > 0 else np.inf
        grown = "risen"
        if ratio > _DOUBLED[1]:
            grown = "more than doubled"
        elif ratio >= _DOUBLED[0]:
            grown = "about doubled"
        return (
            f"At the reference condition the approach has {grown}, from {level} clean to {shown}."
        )
    changed, lost = plates_changed(evaluation, list(events)), loss(evaluation)
    if changed is not None:
        day = dates.long_day(changed.at_utc, plant.zone)
        return (
            f"Since the plates were changed on {day} the approach at the reference condition"
            f" is {shown}, clean {level}{_of_former(evaluation, measure)}."
        )
    if now.high < clean.low:
        return (
            f"The approach reads {shown}, below the {level} of clean plates: no deposit does that."
        )
    if lost is not None and lost.low > 0:
        return (
            f"At the reference condition the approach is {shown}; with clean plates it was {level}."
        )
    return f"At the reference condition the approach is {shown}, as with clean plates ({level})."


def _of_former(evaluation: Evaluation, measure: numbers.Measure) -> str:
    if evaluation.reference is None:
        return ""
    former = numbers.figure(evaluation.reference.approach_K, measure).main
    return f"; with the former plates, clean, it was {former}"


def _condition(evaluation: Evaluation, plant: Plant) -> str:
    reference = evaluation.reference
    if reference is None:
        return "Primary return minus secondary return."
    condition = reference.condition
    flow = numbers.measure_of("flow_m3_s", plant.units)
    degrees = numbers.measure_of("inlet_degC", plant.units)
    flows = [
        f for f in (condition.primary_flow_m3_s, condition.secondary_flow_m3_s) if f is not None
    ]
    at = " and ".join(numbers.number(flow.shown(f), 1) for f in flows)
    at = f"{at}{flow.suffix()}, " if at else ""
    inlets = (condition.primary_inlet_degC, condition.secondary_inlet_degC)
    into = f"{numbers.plain(inlets[0], degrees)} and {numbers.plain(inlets[1], degrees)} in"
    source = "the design" if condition.source == "design" else "the clean weeks"
    return (
        f"Primary return minus secondary return at {at}{into}, as in {source}."
        f" Clean level from {_BASES[reference.basis]}{weeks_of_clean(evaluation)}."
    )


def transfer(evaluation: Evaluation, plant: Plant) -> Part:
    """Return heat transfer against flow."""
    wide, phone = _both(
        lambda w, n: transfer_chart(evaluation, plant, width=w, name=n), 540.0, "transfer"
    )
    if wide is None:
        return Part(
            heading="Heat transfer against flow cannot be shown.",
            note="It needs steady hours with a measured flow.",
        )
    lost = loss(evaluation)
    if lost is None:
        return Part(
            heading="Heat transfer of the last 30 days of readings.", chart=wide, phone_chart=phone
        )
    figure = numbers.figure(lost, numbers.PERCENT)
    resistance = evaluation.state.fouling_resistance_m2K_W if evaluation.state is not None else None
    note = f"Lost since clean: {figure.text}."
    if resistance is not None:
        measure = numbers.measure_of("r_m2K_W", plant.units)
        note = f"{note} Fouling resistance {numbers.with_power(resistance, measure)}."
    if lost.low > 0:
        heading = f"Heat transfer is {figure.main} below the clean curve."
        if unread_visit(evaluation) is not None:
            heading = f"Before the visit heat transfer was {figure.main} below the clean curve."
        return Part(heading=heading, note=note, chart=wide, phone_chart=phone)
    share = measured_share(evaluation)
    heading = "Heat transfer lies on the clean curve."
    if share is not None and abs(share - 1) > _OFF_THE_CURVE:
        side = "above" if share > 1 else "below"
        by = numbers.single(abs(share - 1), numbers.PERCENT)
        heading = f"As measured, heat transfer is {by} {side} the clean curve."
        note = f"{note} This figure allows for the errors of the instruments, the points do not."
    return Part(heading=heading, note=note, chart=wide, phone_chart=phone)


def duties(evaluation: Evaluation, plant: Plant) -> Part:
    """Return the heat balance of both sides."""
    wide, phone = _both(
        lambda w, n: duties_chart(evaluation, plant, width=w, name=n), 540.0, "duties"
    )
    if wide is None:
        return Part(heading="The duty cannot be told.", note="It needs a flow or a heat meter.")
    frame = evaluation.intervals
    recent = frame.loc[frame.index >= frame.index[-1] - pd.Timedelta(days=14)]
    good = recent.loc[recent["set_aside"] == 0]
    residual, allowed = good["balance_residual"].mean(), 1.645 * good["balance_residual_u"].median()
    if not np.isfinite(residual):
        heading = "One side's heat is measured; the two cannot be compared."
        return Part(heading=heading, note=wide.text, chart=wide, phone_chart=phone)
    said = numbers.single(abs(float(residual)), numbers.FINE_PERCENT)
    side = "below" if residual < 0 else "above"
    note = f"Over 14 days the secondary side reports {said} {side} the primary."
    if not np.isfinite(allowed) or abs(residual) <= allowed:
        heading = "Both sides report the same heat, as far as the classes of their meters tell."
    else:
        heading = f"The two sides' heat differs by {said}: more than the meters allow."
    return Part(heading=heading, note=note, chart=wide, phone_chart=phone)


def thermometers(evaluation: Evaluation, plant: Plant) -> Part:
    """Return how far the thermometers seem off."""
    wide, phone = _both(
        lambda w, n: offsets_chart(evaluation, plant, width=w, name=n), 540.0, "offsets"
    )
    found = [o for o in evaluation.offsets if o.unit == "K"]
    if wide is None or not found:
        return Part(
            heading="Whether the thermometers agree cannot be told yet.",
            note="Idle hours (valve shut, pump running) or a wide range of load would tell.",
        )
    measure = numbers.measure_of("error_K", plant.units)
    off = [o for o in found if o.error.low > 0 or o.error.high < 0]
    hours = max(o.idle_hours for o in found)
    note = "Judged by how their differences change with the load"
    note += f" and by {hours:,.0f}{NBSP}idle hours." if hours > 0 else "; no idle hours yet."
    if not off:
        # as wide as what is not known, which is no agreement
        half = max((o.error.high - o.error.low) / 2 for o in found)
        known = numbers.single(half, measure)
        heading = f"No thermometer is seen to be off; their errors are known to ±{known}."
        return Part(heading=heading, note=note, chart=wide, phone_chart=phone)
    worst = max(off, key=lambda o: abs(o.error.value))
    direction = "high" if worst.error.value > 0 else "low"
    label = role_label(worst.role).capitalize()
    by = numbers.single(abs(worst.error.value), measure)
    return Part(
        heading=f"{label} reads {by} too {direction}.", note=note, chart=wide, phone_chart=phone
    )


def present(evaluation: Evaluation | None, tag: str, plant: Plant) -> Part:
    """Return the newest interval: its approach against what it would be clean."""
    latest = evaluation.latest if evaluation is not None else None
    wide, phone = _both(
        lambda w, n: profile_chart(latest, tag, plant, width=w, name=n), 540.0, "profile"
    )
    if evaluation is None or latest is None:
        return Part(heading="No newest values.", note="No complete interval has come in lately.")
    return Part(heading=_present_heading(latest, plant), note=_present_note(latest, evaluation.through_utc, plant),
                chart=wide, phone_chart=phone)  # fmt: skip


def _present_heading(latest: LatestInterval, plant: Plant) -> str:
    measure = numbers.measure_of("approach_K", plant.units)
    now, clean = latest.values.get("approach_cold_K"), latest.clean_approach_K
    if "stopped" in latest.set_aside:
        return "In the newest interval it was not running."
    if now is None:
        return "In the newest interval the approach cannot be told."
    heading = f"In the newest interval the approach is {numbers.single(now, measure)}."
    if clean is not None and max(now, clean) < _HARDLY_SHOWS_K:
        return "At the newest load the approach is too small to show a deposit."
    if clean is None or "low_load" in latest.set_aside:
        return heading
    return f"{heading} Clean it would be {numbers.single(clean, measure)}."


def _present_note(latest: LatestInterval, through_utc: datetime, plant: Plant) -> str:
    start = latest.start_utc
    end = start + pd.Timedelta(minutes=latest.minutes)
    clock = f"{dates.clock(start, plant.zone)} to {dates.clock(end, plant.zone)}"
    said = []
    measure = numbers.measure_of("approach_K", plant.units)
    now, clean = latest.values.get("approach_cold_K"), latest.clean_approach_K
    if now is not None and "stopped" not in latest.set_aside:
        said.append(f"approach{NBSP}{numbers.single(now, measure)}")
        said += [f"clean{NBSP}{numbers.single(clean, measure)}"] if clean is not None else []
    for name, label in (
        ("duty_primary_W", "duty"), ("effectiveness", "effectiveness"), ("NTU", "NTU"),
        ("lmtd_K", "LMTD"), ("UA_W_K", "UA"),
    ):  # fmt: skip
        value = latest.values.get(name)
        # a share above one comes of thermometers, not of the plates
        if value is not None and not (name == "effectiveness" and value > 1):
            figure = numbers.single(value, numbers.measure_of(name, plant.units))
            said.append(f"{label}{NBSP}{figure}")
    figures = ", ".join(said)
    sentences = [f"{dates.long_day(start, plant.zone)}, {clock}."]
    sentences += [f"{figures[:1].upper()}{figures[1:]}."] if figures else []
    if "stopped" in latest.set_aside:
        return sentences[0]
    if latest.set_aside:
        known = dict(_ASIDE)
        if end > through_utc:
            last = dates.clock(through_utc, plant.zone)
            known["gap"] = f"the readings end at {last}, before it is over"
        reasons = "; and ".join(known.get(r, r.replace("_", " ")) for r in latest.set_aside)
        sentences.append(f"It carries no evidence on the plates, as {reasons}.")
    return " ".join(sentences)


def pack_rows(
    exchanger: Exchanger | None, plant: Plant, changed: MaintenanceEvent | None = None
) -> list[tuple[str, str, str]]:
    """Return what is known of the pack as fitted: label, figure, note; ``changed``: the last change."""
    if exchanger is None:
        return []
    rows = []
    area = f"{exchanger.area_m2:,.1f}{NBSP}m²" if exchanger.area_m2 else "area not registered"
    if exchanger.plates and changed is None:
        rows.append(("Plates as registered, effective area", str(exchanger.plates), area))
    elif exchanger.plates and changed is not None:
        since = dates.short_day(changed.at_utc, plant.zone, year=True)
        label = f"Plates fitted since {since}, effective area"
        rows.append((label, str(exchanger.plates), area))
    if exchanger.plates_most:
        rows.append(("Most plates the frame and the bolts take", str(exchanger.plates_most), ""))
    if exchanger.tightening_dimension_m:
        length = numbers.measure_of("dimension_m", plant.units)
        rows.append(
            (
                "Tightening dimension as built",
                numbers.single(exchanger.tightening_dimension_m, length),
                "",
            )
        )
    if exchanger.design_duty_W:
        power = numbers.measure_of("duty_W", plant.units)
        rows.append(("Design duty", numbers.single(exchanger.design_duty_W, power), ""))
    return rows
