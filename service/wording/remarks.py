"""Every remark that an assessment can make, as a sentence without its full stop.

Lives here: the list of codes and their templates, and how a template is filled. Not here: how a
number is rounded (``numbers.py``). In a template

    {offset_K}               a number; the ending of its name is its unit, shown in the plant's unit
    {offset_K+}              the same with its sign
    {low_K..high_K}          a range
    {offset_K~}              its size with "too high" or "too low"
    {share%}                 a ratio as a percentage; {loss_low%..loss_high%} a range of them
    {residual%%}             the same with a decimal, for what is small
    {days#}                  a count, with no unit
    {times^}                 odds against, as the table of causes has them: 40 times less likely
    {effectiveness}          a ratio as it stands
    {role!}                  a word; the name of a role is turned into its label
    [...]                    left out when a number or word inside it is missing
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.records import Remark
from service.register.plant import DisplayUnits
from service.wording import numbers
from service.wording.causes import times_less_likely

REMARKS: dict[str, str] = {
    # the heat balance
    "balance_agrees": "With the errors of the clean weeks allowed for, both sides report the same heat within {residual%%}[ ({low%%..high%%})]",
    "balance_off": "With the errors of the clean weeks allowed for, the secondary side's heat differs from the primary's by {residual%%+}[ ({low%%..high%%})]",
    "balance_not_checked": "Only one side's heat is measured, so the two cannot be compared",
    # instruments
    "offset_needed": "Would need an error of {offset_K+}[; idle hours allow {idle_low_K..idle_high_K}]",
    "no_error_needed": "No error of it explains what is seen",
    "offset_seen": "Reads {offset_K~}[ ({low_K~..high_K})]",
    "offset_idle_agrees": "Idle hours show the same error[, {idle_low_K..idle_high_K}]",
    "thermometers_agree": "The thermometers agree[ within {offset_K}]",
    "no_error_explains": "No error of it explains the fall at all loads",
    "no_error_seen": "No error of it is seen",
    "gain_needed": "Would need a meter error of {gain%+}",
    "gain_seen": "The meter reads {gain%~}[ ({low%~..high%})]",
    "one_meter_ambiguous": "With a single meter, its error and a loss of heat transfer look alike",
    "pressure_tells_meter": "Both sides' pressure drops changed alike for the flow shown: the meter reads {gain%~}[ ({low%~..high%})]",
    "load_dependent_offset": "The difference weighs more at low load, as an error of {offset_K+} does",
    "crossing_explained": "The streams seem to cross in {share%} of the hours; an error of {offset_K+} between the two return thermometers explains it[; with that allowed for, as in every figure here, in {left%}]",
    "crossing_unexplained": "The streams seem to cross in {share%} of the hours; the return thermometers' disagreement ({low_K..high_K}) does not explain it[, as nine in ten of these hours do so by up to {depth_K}]. No exchanger does that: look whether both sit in the right pipes and close to it, and whether other water is mixed in between[. Hours of more than {aside_K} carry no evidence]",
    "thermometer_changed": "Idle hours show that the {role!} thermometer reads {step_K+} ({low_K..high_K}) against the others since a day between {after!} and {known!}: it was changed, moved, or strays",
    "crossing_small": "In {share%} of the running hours the streams seem to cross[ (in {loaded%} of the more loaded half)][, nine in ten times by up to {depth_K}]: at little load both leave equally warm, and the return thermometers cannot tell them apart[ (known against each other to {low_K..high_K})]. It is no sign of anything wrong",
    "step_on": "It came in one step[ of {step_K+}][ on {day!}]",
    "no_step": "No step is seen; it came slowly",
    # deposit
    "loss_at_reference": "Heat transfer is {loss_low%..loss_high%} below clean at the reference condition",
    "one_resistance_fits": "One fouling resistance fits all loads[: {resistance_m2K_W}]",
    "slow_fall_since": "It falls slowly and steadily[, {rate_per_month%} a month][, since {since!}]",
    "fell_back_after_visit": "It came back after the visit[ on {day!}]",
    "no_fall": "Heat transfer has not fallen",
    "u_itself_fell": "The reference condition takes that out; heat transfer itself has fallen",
    "steady_hours_show_it": "Only steady hours count, and those show the same fall",
    # building side
    "return_above_curve": "The secondary return is {excess_K} warmer than usual at this weather[ ({low_K..high_K})]",
    "return_on_curve": "The secondary return is as usual for the weather",
    "secondary_flow_above_curve": "The building draws {excess%} more water than usual at this load",
    "plates_clean_meanwhile": "The plates pass as much heat as when clean",
    # controls
    "set_point_missed": "The set point is missed in {hours_share%} of the hours, by {short_K}",
    "valve_open": "The control valve is fully open in {share%} of the hours",
    "valve_hunting": "The control valve hunts: it moves {step%} from one interval to the next[, in the reference period {before%}]",
    "supply_swings": "The secondary supply swings about its set point: half of the hours lie more than {swing_K} from their middle, in the reference period {before_K}",
    "steps_recur": "Since {since!} readings have jumped to and fro {count#} times as if meters or thermometers had been exchanged; none is exchanged that often, and a logger in step with a hunting loop does that",
    "beside_set_point": "The secondary supply reads {left_K~} against its set point, which it kept in the reference period[ ({low_K..high_K})]",
    "valve_calm": "The control valve moves calmly",
    # hydraulics
    "pressure_drop_same": "The[ {side!}] pressure drop is as it was at the same flow[ ({ratio} times)][; nine in ten {low..high}]",
    "pressure_drop_little": "The[ {side!}] pressure drop is {ratio} times what it was at the same flow[ ({low..high})]; a blocked strainer makes more of it",
    "pressure_drop_risen": "The[ {side!}] pressure drop is {ratio} times what it was at the same flow[ ({low..high})]",
    "deposit_side": "The {side!} pressure drop is {ratio} times what it was at the same flow ({low..high}), the other side's is as it was: the deposit sits on the {side!} side",
    "channels_narrowed": "The {side!} pressure drop is {ratio} times what it was at the same flow ({low..high}): its channels have narrowed",
    "channels_as_wide": "Neither side's pressure drop has risen; a thin film need not show there",
    "no_pressure_drop": "No pressure drop is measured, so a blocked strainer cannot be excluded",
    "returns_exchanged": "Since {since!} both return temperatures read as if they were taken for each other: the other way round all is as it was. Compare the two sensors and their points",
    "parallel_flow_possible": "Effectiveness {effectiveness} fits parallel flow[, which cannot pass {most}]",
    "parallel_flow_excluded": "Effectiveness reaches {effectiveness}[; parallel flow cannot pass {most}]",
    # capacity
    "short_at_design": "At {outdoor_degC} outdoors it delivers {short_W} less than the building needs[ ({low_W..high_W})]",
    "enough_plates": "Clean it delivers {delivers_W}[; {needed_W} are needed]",
    "plates_fit": "The frame and the bolts leave room for the {plates#} plates it needs",
    "plates_do_not_fit": "The frame has no room for the plates it needs",
    "load_above_plates": "On the coldest days the building wants {short_W} more than clean plates deliver[ ({low_W..high_W})]",
    "set_point_met": "The set point is met",
    # what is missing, with its consequence
    "temperatures_only": "Four temperatures give effectiveness and the number of transfer units; U, duty and money need a flow or a heat meter",
    "effectiveness_only": "Effectiveness is {effectiveness}[ ({low..high})]; U, duty and money cannot be told without a flow",
    "assumed_constant_secondary_flow": "No flow is measured; the secondary flow is taken as constant",
    "effectiveness_steady": "Effectiveness has not moved beyond what the weather explains",
    "transfer_fell_or_flow_rose": "Either heat transfer has fallen by {low%..high%}, or the building draws more water; a flow meter would tell",
    "no_readings": "No reading has been imported",
    "no_area": "The plates' area is not registered: UA is told, U is not",
    "no_nameplate": "No design data is registered: the first weeks serve as the yardstick, and ranges are wide",
    "no_clean_period": "Nobody vouches for a clean period: the yardstick is less certain",
    "no_flow": "No flow is measured: duty and money cannot be told",
    "no_tariff": "No tariff is registered: costs cannot be told",
    "no_price": "No price of a visit is registered: whether a visit pays cannot be told",
    "no_design": "No design condition is registered: figures hold at the conditions of the clean weeks",
    "liquid_out_of_range": "In {share%} of the hours a reading of the {side!} side lies where {liquid!} has no properties, outside {low_degC..high_degC}; those hours are set aside",
    "registers_too_coarse": "The heat meter's registers count in steps too coarse for an hour: they give the heat of days, not the heat transfer",
    "no_outdoor": "No outdoor temperature is logged: whether there are enough plates cannot be told",
    "no_design_outdoor": "No design outdoor temperature is registered: whether there are enough plates cannot be told",
    "would_help_most": "Of all instruments that are not there, the {role!} would help most: a loss of heat transfer would be known to ±{with_it%%} instead of ±{now%%}[, the clean level to ±{clean_with_it%%} instead of ±{clean_now%%}]",
    "would_help_and_give_U": "Of all instruments that are not there, the {role!} would help most: a change of heat transfer would be known to ±{with_it%%} instead of ±{now%%}, and U, duty and money could be told",
    "would_let_tell": "The {role!} would help most: with it a loss of heat transfer can be known to ±{with_it%%}, without it nothing can be told of the plates",
    "flow_unit": "{role!} looks like {unit!}, not {registered!}: it is {factor} times what {against!} says",
    "bare_loses": "Without insulation it loses about {loss_watts#} W to the room while it runs; a jacket would save {low_J..high_J} a year[, {low_money#..high_money} {currency!}]",
    "perhaps_bare_loses": "Whether it is insulated is not registered; if it is bare, it loses about {loss_watts#} W to the room while it runs; a jacket would save {low_J..high_J} a year[, {low_money#..high_money} {currency!}]",
    "missing_role": "{role!} is missing",
    "few_days": "{days#} of the {needed#} steady days needed are in[, the first {yardstick#} of which make the yardstick][, after the {before#} that make the yardstick]",
    "points_swapped": "{role!} and return are the wrong way round in {share%} of the hours: their points seem swapped in the register",
    "quiet_low_load": "{share%} of the hours are below the least load and tell nothing",
    "quiet_hours": "Of {running#} running hours in the last 30 days of readings {quiet#} carry no evidence and no alert rests on them: [{low_load#} below the least load, where temperature differences shrink to the instruments' errors][; {crossed#} with streams that cross by more than thermometers disagree][; {transient#} not steady][; {unbalanced#} with the two sides' heat out of balance]",
    "stopped": "Its data stopped[ {days#} days before the end of the readings]",
    "off_season": "By the end of the readings it has been off for {days#} days; nothing can be told until it runs again",
    "first_weeks_yardstick": "Measured against its own first weeks, which nobody says were clean",
    "reference_wide": "The clean level is known only to {low%..high%}",
    # conclusions
    "nothing_found": "Nothing found",
    "within_limits": "Nothing has moved beyond what the instruments allow",
    "deposit_suspected": "A deposit is the likeliest cause of {loss%} less heat transfer, but its range still reaches clean ({low%..high%}); more cold days will tell",
    "deposit_or_instrument": "Heat transfer seems {loss%} below clean: deposit, or the {role!} instrument; they cannot be told apart yet",
    "calibration_would_settle": "A check of the {role!} instrument against a calibrated one would settle it",
    "risen_unexplained": "It passes {low%..high%} more heat than in its reference period, which no deposit explains: a visit that nobody logged, or an instrument that was changed",
    "wandered": "Over the record heat transfer has wandered between {low%+} and {high%+} of clean; no single cause explains it",
    "visit_unread": "What the visit did cannot be judged until a day with load follows it; the readings end on {end!}",
    "before_visit": "Before it the answer was \"{answer!}\"[; by then the deposit had cost {cost!}]",
    "mild": "The loss is {loss%}, still mild",
    "visit_pays": "A visit brings more than it costs",
    "visit_pays_later": "A visit pays from {day!}",
    "visit_does_not_pay": "A visit would cost more than it saves within twelve months",
    "visit_worked": "{recovered%} of the loss came back[ on {day!}]",
    "limit_passed": "The limit of {limit_K} is passed, by more than an even chance",
    "limit_near": "The limit of {limit_K} is near",
    # the few numbers that carried a verdict: parts of one sentence
    "why_level": "the approach at the reference condition is {approach_K}[ against {clean_K} clean][, and the loss began about {since!}]",
    "why_level_before": "before the visit the approach at the reference condition was {approach_K}[ against {clean_K} clean]",
    "why_level_allowed": "with that allowed for, the approach at the reference condition is {approach_K}[ against {clean_K} clean]",
    "why_loss": "heat transfer is {low%..high%} below clean",
    "why_share": "heat transfer is {low%..high%} of clean",
    "why_wandered": "over the record it wandered between {low%+} and {high%+} against clean",
    "why_off": "it has been off for {days#} days since",
    "why_balance_agrees": "both sides report the same heat as in the clean weeks within {residual%%}",
    "why_balance_off": "the secondary side's heat has moved against the primary's by {residual%%+} since the clean weeks",
    "why_one_meter": "with a single meter its error cannot be told from a deposit",
    "why_rival_thermometer": "an error of {error_K+} of the {role!} thermometer would be needed instead, {times^}",
    "why_rival_meter": "an error of {error%+} of the {role!} meter would be needed instead, {times^}",
    "why_nearest_thermometer": "no error of a single instrument explains it as well: the nearest, {offset_K+} of the {role!} thermometer, is {times^}",
    "why_nearest_meter": "no error of a single instrument explains it as well: the nearest, {gain%+} of the {role!} meter, is {times^}",
    "why_no_error": "no error of a single instrument explains it as well",
    "why_proposed": "heat transfer rose by {low%..high%} in one step about {day!}, with no line in the log",
    "why_thermometer": "the {role!} thermometer reads {error_K~} ({low_K~..high_K})[ since {since!}]",
    "why_meter": "the {role!} meter reads {error%~} ({low%~..high%})[ since {since!}]",
    "why_capacity": "at {outdoor_degC} outdoors the building needs {load_W} and clean plates deliver {clean_W}",
    "why_hours": "{evidence#} of {running#} running hours in the last 30 days of readings carry evidence",
    "settles_readings": "readings of the {role!} would settle it",
    "settles_check": "a check of the {role!} instrument against a calibrated one would settle it",
    "settles_unit": "the unit on the meter's plate would settle it",
    "settles_pipes": "a look at which pipe each thermometer sits in would settle it",
    "settles_log": "a line in the log of what was done, or a check of the instruments, would settle it",
    "settles_visit": "a meter on the other side, or a cleaning and its proof, would settle it",
    "settles_instrument": "the {role!} would settle it: a loss would be known to ±{with_it%%}[ instead of ±{now%%}]",
    "settles_after_visit": "readings after the visit would settle it",
    "settles_days": "steady days still to come before a verdict: {missing#}",
    "settles_hours": "more steady hours would settle it",
    # what nobody logged
    "visit_unlogged": "The approach at the reference condition fell from {before_K} on {before!} to {after_K} by {after!}, heat transfer rose by {low%..high%} in one step about {day!}, and the log has no visit then",
    "plates_unlogged": "Heat transfer rose by {low%..high%} in one step about {day!}, to better than clean[ (approach {before_K} on {before!}, {after_K} by {after!})]: plates were added, or the first weeks were not clean, and the log says nothing of it",
    "service_unlogged": "Since {day!} counterflow misses the primary return by {counter_K}, parallel flow by {along_K}: the streams were reversed, at a service about that day that the log does not have",
    "thermometer_unlogged": "The {role!} thermometer reads {step_K+} ({low_K..high_K}) against before since about {day!}, from one day to the next, and the log does not say that it was touched",
    "meter_unlogged": "The {role!} meter reads {step%+} ({low%..high%}) against before since about {day!}, from one day to the next, and the log does not say that it was touched",
    "meters_alike": "With two meters, the other one reading as much the other way would look alike",
    "step_ahead": "A step of the next best explanation fits {times#} times less well",
    "one_meter_step": "With a single meter, a change of the meter that day would look alike",
    "step_at_rest": "The idle hours before and after show it; on which day it was they cannot tell",
    # what changed a conclusion that stood
    "readings_late": "after readings of {first!} to {last!} arrived late ({days#} days)",
    "readings_late_day": "after readings of {day!} arrived late",
    "readings_corrected": "after readings of {first!} to {last!} were corrected ({days#} days)",
    "readings_corrected_day": "after readings of {day!} were corrected",
    "readings_removed": "after readings of {first!} to {last!} were taken out ({days#} days)",
    "readings_removed_day": "after readings of {day!} were taken out",
    "log_entered": "after \"{deed!}\" of {day!} was entered in the log",
    "assessed_anew": "after it was assessed anew, with the register and the program as they were then",
    # alerts
    "drift_alert": "Approach {approach_K} at the reference condition, clean {clean_K}",
    "thermometer_alert": "{role!} reads {offset_K~}",
    "flow_meter_alert": "{role!} reads {gain%~}",
    "building_alert": "The secondary return is {excess_K} warmer than usual",
    "controls_alert": "The control valve hunts[: {step%} from one interval to the next]",
    "pressure_drop_alert": "The pressure drop has risen to {ratio} times what it was",
    "capacity_alert": "It delivers {short_W} less than the building needs on the coldest days",
    "piping_alert": "It behaves as in parallel flow[ since {day!}]",
    "data_stopped_alert": "No reading for {days#} days",
}  # fmt: skip

_NO_OFFSET_K, _NO_GAIN = 0.05, 0.005  # read as 0.0 K and 0 %
_FINEST_BALANCE = 0.001  # "within 0.0 %" would claim more than two meters can agree
_OF_NOTHING = {
    "crossing_explained": "crossing_small", "offset_needed": "no_error_needed",
    "gain_needed": "no_error_needed",
}  # fmt: skip
_CLAUSE = re.compile(r"\[([^\[\]]*)\]")
_SLOT = re.compile(r"\{(?P<low>\w+)(?P<kind>[%#!+~^]*)(?:\.\.(?P<high>\w+)%*)?\}")


def remark_text(remark: Remark, units: DisplayUnits | None = None) -> str:
    """Return the remark as a sentence without full stop, numbers in the plant's units.

    A code that is not in :data:`REMARKS` is spelt out, so that nothing said is lost.
    """
    template = REMARKS.get(_code(remark))
    if template is None:
        return _spelt_out(remark, units or DisplayUnits())
    shown = units or DisplayUnits()
    remark = replace(remark, numbers=_numbers(remark))
    kept = _CLAUSE.sub(lambda m: m[1] if _is_filled(m[1], remark) else "", template)
    kept = kept.replace(": ; ", ": ")  # the first of a list was left out
    text = _SLOT.sub(lambda m: _fill(m, remark, shown), kept)
    return text[:1].upper() + text[1:]


def _code(remark: Remark) -> str:
    """Return the code under which a remark is worded: an error of nothing explains nothing."""
    small = abs(remark.numbers.get("offset_K", 1.0)) < _NO_OFFSET_K
    small |= abs(remark.numbers.get("gain", 1.0)) < _NO_GAIN
    return _OF_NOTHING.get(remark.code, remark.code) if small else remark.code


def _numbers(remark: Remark) -> Mapping[str, float]:
    """Return the numbers to be told; what idle hours allow speaks only when it leaves the need out."""
    said = remark.numbers
    if remark.code == "balance_agrees" and abs(said.get("residual", 1.0)) < _FINEST_BALANCE:
        return {**said, "residual": _FINEST_BALANCE}
    low, need, high = (said.get(n, float("nan")) for n in ("idle_low_K", "offset_K", "idle_high_K"))
    if remark.code == "offset_needed" and low <= need <= high:
        return {k: v for k, v in said.items() if not k.startswith("idle_")}
    return said


def _is_filled(clause: str, remark: Remark) -> bool:
    names = [n for m in _SLOT.finditer(clause) for n in (m["low"], m["high"]) if n]
    return all(n in remark.words or isfinite(remark.numbers.get(n, float("nan"))) for n in names)


def _fill(slot: re.Match[str], remark: Remark, units: DisplayUnits) -> str:
    name, kind = slot["low"], slot["kind"]
    if "!" in kind:
        word = remark.words.get(name, "")
        if name == "currency":
            return numbers.currency_sign(word).strip()
        return ROLES[word].label if word in ROLES else word or "it"
    if "^" in kind:
        return times_less_likely(remark.numbers.get(name, float("nan")))
    measure = numbers.PLAIN_COUNT if "#" in kind else numbers.measure_of(name, units)
    if "%" in kind:
        measure = numbers.FINE_PERCENT if "%%" in kind else numbers.PERCENT
    value = remark.numbers.get(name, float("nan"))
    if slot["high"]:
        high = remark.numbers.get(slot["high"], float("nan"))
        if "~" in kind and value * high > 0:  # both ends on one side: sizes are enough
            value, high = sorted((abs(value), abs(high)))
        return numbers.span(value, high, measure)
    if "~" in kind:
        return numbers.single(abs(value), measure) + (" too high" if value > 0 else " too low")
    return numbers.single(value, measure, signed="+" in kind)


def _spelt_out(remark: Remark, units: DisplayUnits) -> str:
    said = [
        f"{name.rsplit('_', 1)[0].replace('_', ' ')} "
        + numbers.single(value, numbers.measure_of(name, units))
        for name, value in remark.numbers.items()
    ]
    said += [ROLES[w].label if w in ROLES else w for w in remark.words.values()]
    text = remark.code.replace("_", " ") + (": " + ", ".join(said) if said else "")
    return text[:1].upper() + text[1:]
