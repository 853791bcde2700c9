"""Each explanation as a cause: how far it went, since when, what speaks for it and against it.

Lives here: the table of causes. Not here: their odds (``diagnosis``), the verdict drawn from them.
"""

from collections.abc import Sequence

import numpy as np

from analytics.decisions.diagnosis import INSTRUMENT_EVIDENCE, Odds, Signs, shares_by_cause
from analytics.decisions.pressure import FILM, PressureSide
from analytics.trends.account import Account
from analytics.trends.model import DEPOSIT, INSTRUMENTS
from analytics.trends.reference_condition import NINE_IN_TEN, estimate
from analytics.trends.tracking import matters
from analytics.vocabulary.records import Cause, CauseKind, Estimate, Instrumentation, Remark

Shares = dict[tuple[CauseKind, str | None], float]
SIDES = ("primary", "secondary")
BY_PRESSURE = 0.9  # chance of a meter's error that both pressure drops show
BALANCED = 0.05  # change of the heat balance that two meters of class 2 may show


def causes(
    account: Account, odds: Odds, signs: Signs, resistance_per_deposit: float, loss: Estimate | None
) -> list[Cause]:
    """List all causes, the most likely first, with what speaks for and against each.

    ``loss`` is the share of U lost at the reference condition, where it can be told.
    """
    shares = _seen_by_one_meter(account, odds, shares_by_cause(odds))
    best = max(max(shares.values()), 1e-12)
    listed = [
        _likelihood_cause(account, odds, key, share, best, resistance_per_deposit, loss, signs)
        for key, share in shares.items()
    ]
    listed += _rule_causes(signs, odds)
    return sorted(listed, key=lambda c: -c.chances)


def _seen_by_one_meter(account: Account, odds: Odds, shares: Shares) -> Shares:
    """Let a single meter that seems to read low be no likelier than the deposit it cannot be told from.

    How the loss came about may speak for either (a cleaning nobody logged for the meter): not for sure.
    """
    meter, deposit = _single_meter(account, odds), (CauseKind.DEPOSIT, None)
    if meter is None or not shares.get(meter, 0.0) > shares.get(deposit, 0.0):
        return shares
    half = (shares[meter] + shares.get(deposit, 0.0)) / 2.0
    return {**shares, meter: half, deposit: half}


def _single_meter(account: Account, odds: Odds) -> tuple[CauseKind, str | None] | None:
    """Return the meter that stands alone and would read low, as a deposit makes it seem."""
    roles, may_be_named = dict(INSTRUMENTS), account.may_be_named()
    found = [i for i in odds.moved if i >= 4 and i not in may_be_named and odds.moved[i].value < 0]
    return (CauseKind.FLOW_METER, roles[found[0]]) if found else None


def _feigns_deposit(account: Account, odds: Odds, index: int) -> bool:
    """Tell whether an unknown is the only meter and would, alone, have to read low, as a deposit makes it seem."""
    single = index >= 4 and index not in account.may_be_named()
    return single and _alone(account, odds, index).value < 0


def _likelihood_cause(
    account: Account,
    odds: Odds,
    key: tuple[CauseKind, str | None],
    share: float,
    best: float,
    resistance_per_deposit: float,
    loss: Estimate | None,
    signs: Signs,
) -> Cause:
    kind, role = key
    magnitude, unit = None, ""
    since = None
    if kind is CauseKind.DEPOSIT:
        d = odds.deposit
        k = resistance_per_deposit
        magnitude, unit = Estimate(value=d.value * k, low=d.low * k, high=d.high * k), "m**2*K/W"
        since = onset_day(account, DEPOSIT)
        speaks_for, against = _deposit_remarks(account, loss)
        by_pressure = deposit_by_pressure(signs.pressure)
        if loss is not None and loss.low > 0:
            speaks_for, against = speaks_for + by_pressure[0], against + by_pressure[1]
    elif kind is CauseKind.NOTHING:
        speaks_for, against = _nothing_remarks(odds, loss)
    else:
        index = {r: i for i, r in INSTRUMENTS}[str(role)]
        moved = odds.moved[index]
        if share < 0.5:  # a rival is shown by what it would have to claim alone
            moved = _alone(account, odds, index)
        if index < 4:
            magnitude, unit = moved, "K"
        else:
            magnitude = Estimate(
                **{n: float(np.expm1(getattr(moved, n))) for n in ("value", "low", "high")}
            )
        since = onset_day(account, index)
        speaks_for, against = _instrument_remarks(account, odds, index)
        if _feigns_deposit(account, odds, index):
            speaks_for.append(Remark(code="one_meter_ambiguous"))
        if index in odds.borne_out and odds.set_point is not None:
            left = odds.set_point.left_K
            numbers = {"left_K": left.value, "low_K": left.low, "high_K": left.high}
            speaks_for.append(Remark(code="beside_set_point", numbers=numbers))
        if index >= 4 and signs.meter_gain is not None:
            magnitude, share = signs.meter_gain, max(share, BY_PRESSURE)
            speaks_for, against = [_by_pressure(signs.meter_gain)], []
    return Cause(
        kind=kind, subject=role, chances=min(share, 1.0), times_less_likely=best / max(share, 1e-12),
        magnitude=magnitude, magnitude_unit=unit,
        since_utc=None if since is None else np.datetime64(since, "D").astype("datetime64[s]").item().replace(
            tzinfo=account.table.start[0].to_pydatetime().tzinfo
        ),
        speaks_for=tuple(speaks_for), speaks_against=tuple(against),
    )  # fmt: skip


def onset_day(account: Account, index: int) -> int | None:
    """Day on which a change began, as it was seen when it first became clear.

    Later days look back less far, so the first clear day since the last visit knows best. No deposit began
    in a period that the owner vouches for as clean.
    """
    scores, info = account.scores, account.info
    assert scores is not None
    assert info is not None
    position = scores.index.index(index)
    visits = [v for v in account.surface_days if v <= info.day[-1]] if index == DEPOSIT else []
    clear = (scores.ratio[:, position] > INSTRUMENT_EVIDENCE) & (info.day >= max(visits, default=0))
    if not clear.any():
        return None
    onset, period = int(scores.onset[np.flatnonzero(clear)[0], position]), account.period
    vouched = index == DEPOSIT and period is not None and period.basis == "known clean period"
    return max(onset, period.last + 1) if vouched and period is not None else onset


def _loss_remark(loss: Estimate | None) -> Remark | None:
    """Say how much is lost, where the interval leaves no doubt that something is."""
    if loss is None or loss.low <= 0:
        return None
    return Remark(code="loss_at_reference", numbers={"loss_low": loss.low, "loss_high": loss.high})


def _deposit_remarks(account: Account, loss: Estimate | None) -> tuple[list[Remark], list[Remark]]:
    lost = _loss_remark(loss)
    speaks_for = [] if lost is None else [lost]
    against = []
    if lost is None:  # without a flow no heat transfer is known that could have fallen
        known = account.assumed_secondary_m3_s is None
        against = [Remark(code="no_fall" if known else "temperatures_only")]
    balance = _balance(account)
    if balance is not None:
        middle, half = balance
        if abs(middle) < max(BALANCED, half):
            speaks_for.append(Remark(code="balance_agrees", numbers={"residual": abs(middle)}))
        else:
            against.append(Remark(code="balance_off", numbers={"residual": middle}))
    if account.table.instrumentation in (
        Instrumentation.PRIMARY_FLOW, Instrumentation.PRIMARY_POWER, Instrumentation.SECONDARY_FLOW
    ):  # fmt: skip
        against.append(Remark(code="one_meter_ambiguous"))
    return speaks_for, against


def _balance(account: Account) -> tuple[float, float] | None:
    """Median heat-balance residual of the last 30 days with evidence and its nine-in-ten half width."""
    assert account.hours is not None
    assert account.fit is not None
    assert account.info is not None
    hours = account.hours
    rows = account.hour_rows
    assert rows is not None
    recent = hours.both & (account.table.day[rows] > account.info.day[-1] - 30)
    if recent.sum() < 6:
        return None
    some = hours.subset(recent)
    t, mass = account.fit.model.streams(account.fit.point, some)
    C = mass * some.heat_capacity
    one, two = C[:, 0] * (t[:, 0] - t[:, 1]), C[:, 1] * (t[:, 2] - t[:, 3])
    residual = 2 * (two - one) / (two + one)
    return float(np.median(residual)), float(
        NINE_IN_TEN * np.hypot(0.02, np.std(residual) / np.sqrt(len(residual) / 6))
    )


def _nothing_remarks(odds: Odds, loss: Estimate | None) -> tuple[list[Remark], list[Remark]]:
    if max(odds.evidence.values()) < 3:
        return [Remark(code="within_limits")], []
    lost = _loss_remark(loss)
    return [], [] if lost is None else [lost]


def _instrument_remarks(
    account: Account, odds: Odds, index: int
) -> tuple[list[Remark], list[Remark]]:
    moved = odds.moved[index]
    speaks_for, against = [], []
    explains = (
        abs(moved.value) > matters(index)
        and odds.evidence[_position(odds, index)] > INSTRUMENT_EVIDENCE
    )
    if explains:
        seen = {"offset_K": moved.value, "low_K": moved.low, "high_K": moved.high}
        if index >= 4:
            seen = {
                n: float(np.expm1(v))
                for n, v in zip(("gain", "low", "high"), seen.values(), strict=True)
            }
        speaks_for.append(Remark(code="offset_seen" if index < 4 else "gain_seen", numbers=seen))
    else:
        against.append(_needed(account, odds, index))
    balance = _balance(account)
    if balance is not None:
        middle, half = balance
        if abs(middle) > max(BALANCED, half):
            speaks_for.append(Remark(code="balance_off", numbers={"residual": middle}))
        else:
            against.append(Remark(code="balance_agrees", numbers={"residual": abs(middle)}))
    return speaks_for, against


def _needed(account: Account, odds: Odds, index: int) -> Remark:
    """Say what error the instrument alone would need to have, or that none explains the days."""
    position = _position(odds, index)
    alone = _alone(account, odds, index).value
    assert account.tracks is not None
    if account.tracks.evidence[-1, position] < INSTRUMENT_EVIDENCE or abs(alone) < matters(index):
        deposit = odds.deposit.low > 0
        return Remark(code="no_error_explains" if deposit else "no_error_seen")
    if index >= 4:
        return Remark(code="gain_needed", numbers={"gain": float(np.expm1(alone))})
    numbers = {"offset_K": alone}
    idle = account.idle.median_K()
    if idle is not None:
        numbers |= {"idle_low_K": idle[index] - 0.6, "idle_high_K": idle[index] + 0.6}
    return Remark(code="offset_needed", numbers=numbers)


def _alone(account: Account, odds: Odds, index: int) -> Estimate:
    """Return the instrument's error if it alone had moved."""
    tracks, position, now = account.tracks, _position(odds, index), account.present_row()
    assert tracks is not None
    return estimate(float(tracks.moved[now, position, 0]), float(tracks.moved_sd[now, position, 0]))


def _by_pressure(gain: Estimate) -> Remark:
    numbers = {"gain": gain.value, "low": gain.low, "high": gain.high}
    return Remark(code="pressure_tells_meter", numbers=numbers)


def _position(odds: Odds, index: int) -> int:
    return next(i for i, e in enumerate(odds.explanation) if e.moving == (index,))


def _rule_causes(signs: Signs, odds: Odds) -> list[Cause]:
    """Causes that show beside the plates' account; certain or not at all, as rules are."""
    exchanger_quiet = Remark(code="plates_clean_meanwhile")
    found = []

    def add(
        kind: CauseKind,
        active: bool,
        speaks_for: Sequence[Remark],
        against: Sequence[Remark],
        magnitude: Estimate | None = None,
        unit: str = "",
    ) -> None:
        found.append(Cause(
            kind=kind, chances=0.9 if active else 0.0, times_less_likely=1.0 if active else np.inf,
            magnitude=magnitude, magnitude_unit=unit,
            speaks_for=tuple(speaks_for) if active else (), speaks_against=() if active else tuple(against),
        ))  # fmt: skip

    if signs.building_excess_K is not None:
        excess = signs.building_excess_K
        seen = [
            Remark(
                code="return_above_curve",
                numbers={"excess_K": excess.value, "low_K": excess.low, "high_K": excess.high},
            )
        ]
        if signs.building_flow_excess is not None and signs.building_flow_excess.value > 0.15:
            seen.append(
                Remark(
                    code="secondary_flow_above_curve",
                    numbers={"excess": signs.building_flow_excess.value},
                )
            )
        if odds.share.get(0, 0.0) > 0.5:
            seen.append(exchanger_quiet)
        add(
            CauseKind.BUILDING_SIDE,
            signs.building_active,
            seen,
            [Remark(code="return_on_curve")],
            excess,
            "K",
        )
    if signs.hunting_step is not None or signs.set_point is not None or signs.steps_recur:
        seen = _hunting_remarks(signs)
        add(
            CauseKind.CONTROLS,
            bool(seen),
            seen,
            [Remark(code="valve_calm")],
        )
    if signs.set_point_share is not None or signs.short_at_design_W is not None:
        seen = []
        if signs.short_at_design_W is not None:
            short = signs.short_at_design_W
            seen.append(
                Remark(
                    code="load_above_plates",
                    numbers={"short_W": short.value, "low_W": short.low, "high_W": short.high},
                )
            )
        if signs.set_point_share is not None and signs.set_point_share > 0.02:
            numbers = {
                "hours_share": signs.set_point_share,
                "short_K": signs.set_point_short_K or 0.0,
            }
            seen.append(Remark(code="set_point_missed", numbers=numbers))
        add(
            CauseKind.CAPACITY, signs.short_of_capacity, seen,
            [Remark(code="set_point_met")], signs.short_at_design_W, "W",
        )  # fmt: skip
    if signs.effectiveness is not None:
        numbers = {"effectiveness": signs.effectiveness}
        if signs.parallel_most is not None:
            numbers["most"] = signs.parallel_most
        add(
            CauseKind.PIPING,
            signs.parallel_flow,
            [Remark(code="parallel_flow_possible", numbers=numbers)],
            [Remark(code="parallel_flow_excluded", numbers=numbers)],
        )
    sides = [(name, s) for name, s in zip(SIDES, signs.pressure, strict=True) if s is not None]
    if sides:
        name, worst = max(sides, key=lambda side: side[1].recent.value)
        seen = [_pressure_remark("pressure_drop_risen", name, worst)]
        if odds.share.get(0, 0.0) > 0.5:
            seen.append(exchanger_quiet)
        add(
            CauseKind.STRAINER,
            worst.blocked,
            seen,
            [_pressure_remark(_as_before(worst), name, worst)],
            worst.recent,
        )
    return found


def _hunting_remarks(signs: Signs) -> list[Remark]:
    """Say how far the valve moves, and how far the supply swings about its set point."""
    found, hold = [], signs.set_point
    if signs.hunting and signs.hunting_step is not None:
        numbers = {"step": signs.hunting_step}
        if signs.hunting_before is not None:
            numbers["before"] = signs.hunting_before
        found.append(Remark(code="valve_hunting", numbers=numbers))
    if hold is not None and hold.swings:
        numbers = {"swing_K": hold.swing_K, "before_K": hold.swing_before_K}
        found.append(Remark(code="supply_swings", numbers=numbers))
    if signs.steps_recur and signs.steps_since_day is not None:
        since = np.datetime64(signs.steps_since_day, "D").item()
        found.append(
            Remark(
                code="steps_recur", numbers={"count": float(signs.steps_recur)},
                words={"since": f"{since.day} {since:%B %Y}"},
            )
        )  # fmt: skip
    return found


def _as_before(side: PressureSide) -> str:
    """Return the remark on a side without a strainer's sign: as it was, or risen by less than one makes."""
    return "pressure_drop_little" if side.recent.low > 1.0 else "pressure_drop_same"


def _pressure_remark(code: str, name: str, side: PressureSide) -> Remark:
    ratio = side.recent
    return Remark(
        code=code, numbers={"ratio": ratio.value, "low": ratio.low, "high": ratio.high},
        words={"side": name},
    )  # fmt: skip


def deposit_by_pressure(
    sides: tuple[PressureSide | None, PressureSide | None],
) -> tuple[list[Remark], list[Remark]]:
    """Say what the pressure drops say for and against a deposit, and on which side it sits.

    A film hardly narrows a channel, so an unchanged pressure drop is a weak word against one; a rise
    on one side alone says where it is.
    """
    known = [(name, s) for name, s in zip(SIDES, sides, strict=True) if s is not None]
    risen = [(n, s) for n, s in known if s.recent.low > 1.0 and not s.blocked]
    if len(risen) == 1 and len(known) == 2:
        return [_pressure_remark("deposit_side", *risen[0])], []
    if risen:
        return [_pressure_remark("channels_narrowed", *side) for side in risen], []
    if len(known) == 2 and all(s.recent.high < 1.0 + FILM for _, s in known):
        return [], [Remark(code="channels_as_wide")]
    return [], []
