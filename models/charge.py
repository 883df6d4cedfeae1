"""The newest sample charged to the account: what was seen, what a gap was, what that did to the fluid."""

from __future__ import annotations

import math

from models.account import Account, AccountParams, open_fill, raw_life, stretch
from models.cold_soak import LEAST_PARKED_S, check_night
from models.compiled import compiled
from models.gap import (
    FIRST_READING_S,
    HALF,
    LONGEST_HALF_S,
    PARKED,
    RAN_BY_HOURS,
    RAN_BY_KM,
    RAN_FOR_HALF,
    Gap,
    begin_unread,
    has_settled,
    is_ready,
    open_gap,
    span_s,
    take_first_readings,
    take_hours,
    verdict,
)
from models.habits import note_day, per_km_run_s
from models.heat_sums import charge_span
from models.odometer import TICK_KM
from models.soak import ambient_c, cool_down
from models.travel import travel
from models.view import View


@compiled
def charge(params: AccountParams, account: Account, view: View) -> None:
    """Charge the newest sample to the account of the fill.

    Parameters
    ----------
    params
        Fluid and fill of this truck.
    account
        Changed in place.
    view
        The truck at the newest sample.
    """
    fill = account.filling
    if fill.opened == 0:
        open_fill(account)
    first = fill.samples == 0
    if first:
        begin_unread(account.gap, view.time_ms)
    if fill.started_ms == 0:
        fill.started_ms = view.time_ms
    if fill.service_ms == 0:
        fill.service_ms = fill.started_ms
    fill.samples += 1
    _witness(params, account, view, first)
    _heat(params, account, view)
    note_day(params.habits, account.habits, view, account.heat, account.soak, account.travel)
    # Last: what is unseen is costed by the habits as they now are.
    account.life_used = stretch(raw_life(params, account), params.oxidation_factor)


@compiled
def _witness(params: AccountParams, account: Account, view: View, first: bool) -> None:
    """Take what counters, engine and motion say; judge a silence when they have told."""
    gap = account.gap
    earlier_km, over_km = travel(account.travel, account.filling.installed_odometer_km, view)
    if not math.isnan(earlier_km):
        _take_km(account, earlier_km)
    if view.gap_s > 0.0 and not first:
        if gap.open == 1:
            _judge(params, account)
        open_gap(gap, account.heat, account.soak, view, params.max_gap_s)
    if not math.isnan(over_km):
        _take_km(account, over_km)
    if not first:
        _pass_piece(params, account, view)
    if not math.isnan(view.engine_hours_h):
        take_hours(gap, account.hours, view.engine_hours_h)
    if gap.open == 1:
        take_first_readings(gap, view)
        if is_ready(gap, account.travel, account.hours, view.time_ms):
            _judge(params, account)
    if not math.isnan(view.air_c):
        gap.air_c = view.air_c
        gap.air_ms = view.air_ms


@compiled
def _take_km(account: Account, km: float) -> None:
    """The odometer tells what was driven over silences [km]."""
    gap = account.gap
    if gap.open == 1:
        gap.km = km
        return
    # The last of them is judged already, for parked unless it is paid.
    if gap.paid == 0 and km > TICK_KM:
        account.travel.fluid_unseen_km += km
    gap.paid = 0


@compiled
def _pass_piece(params: AccountParams, account: Account, view: View) -> None:
    """Pass the time since the sample before: the engine ran, unless it is known to have been off."""
    gap, dt_s = account.gap, view.dt_s
    off = view.rpm < 1.0 and view.moving == 0
    if off:
        account.soak.still_s += dt_s
    elif dt_s > 0.0:
        if account.soak.still_s >= LEAST_PARKED_S and gap.open == 0:
            _check_seen_night(params, account, view)
        account.soak.still_s = 0.0
        gap.night_done = 0
        account.hours.run_s += dt_s
        if gap.open == 0:
            gap.spacing_s = dt_s
        gap.ran_after = 1
        gap.cooled = 0
    unread_s = (view.time_ms - gap.unread_ms) / 1000.0
    if unread_s <= params.max_gap_s and not math.isnan(view.fluid_c):
        return
    if off:
        gap.off_s += dt_s
        gap.off_due_s += dt_s
    else:
        gap.run_s += dt_s
        gap.run_due_s += dt_s
    if unread_s > params.max_gap_s:
        account.travel.unseen_s += gap.run_due_s
        account.travel.fluid_unseen_run_s += gap.run_due_s
        account.soak.parked_s += gap.off_due_s
        gap.run_due_s = 0.0
        gap.off_due_s = 0.0


@compiled
def _check_seen_night(params: AccountParams, account: Account, view: View) -> None:
    """The engine runs again after a night that samples saw: check the fluid's sensor."""
    soak = account.soak
    if account.gap.night_done == 1 or view.dt_s > FIRST_READING_S:
        return
    air = ambient_c(view.air_c, math.nan)
    if has_settled(params.soak, soak, math.nan, air, 0.0):
        late_s = 0.5 * view.dt_s
        check_night(account.offset, view.fluid_c, view.coolant_c, view.air_c, late_s, late_s)


@compiled
def _judge(params: AccountParams, account: Account) -> None:
    """Charge a silence for what it was."""
    gap, travelled = account.gap, account.travel
    length_s = span_s(gap)
    what = verdict(gap, params.soak, account.soak)
    gap.open = 0
    if gap.hours_came == 0:
        account.hours.known = 0
    if what == PARKED:
        _park(params, account, length_s)
        return
    account.soak.still_s = 0.0
    gap.night_done = 0
    run_s = length_s
    if what == RAN_BY_HOURS:
        run_s = gap.ran_s
    elif what == RAN_BY_KM:
        run_s = min(length_s, gap.km * per_km_run_s(account.habits))
    if what in (RAN_BY_HOURS, RAN_BY_KM):
        _rest(params, account, length_s - run_s)
        length_s = run_s
    elif what == RAN_FOR_HALF:
        run_s = min(HALF * length_s, LONGEST_HALF_S)
    travelled.unseen_s += length_s
    if what != RAN_BY_KM:
        travelled.fluid_unseen_run_s += run_s
        gap.paid = 1 if math.isnan(gap.km) else 0
    elif gap.paid == 0:
        travelled.fluid_unseen_km += gap.km
    if not math.isnan(gap.km):
        gap.paid = 0


@compiled
def _park(params: AccountParams, account: Account, length_s: float) -> None:
    """Charge a silence in which the truck was parked: it cooled."""
    gap, soak = account.gap, account.soak
    soak.parked_s += length_s
    soak.still_s = gap.still_before_s + length_s
    if gap.night_done == 0 and not math.isnan(gap.end_c):
        air = ambient_c(gap.start_air_c, gap.end_c)
        if has_settled(params.soak, soak, gap.start_c, air, length_s):
            told = check_night(
                account.offset,
                gap.end_c,
                gap.end_coolant_c,
                gap.end_air_c,
                gap.end_late_s,
                gap.end_coolant_late_s,
            )
            gap.night_done = 1 if told and gap.ran_after == 0 else 0
    if gap.ran_after == 1:
        soak.still_s = 0.0
    if not math.isnan(gap.start_c):
        cooled_c = cool_down(
            params.soak,
            params.ageing,
            soak,
            gap.start_c,
            gap.end_c,
            _air_meanwhile_c(gap),
            gap.off_before_s + length_s,
            gap.measured == 1,
        )
        if gap.ran_after == 0 and math.isnan(gap.end_c):
            gap.cooled = 1
            gap.cooled_c = cooled_c


@compiled
def _rest(params: AccountParams, account: Account, rest_s: float) -> None:
    """Charge the part [s] of a silence in which a truck that also ran was parked.

    It cooled before the unseen trip and after it; what comes after a trip is in what a kilometre costs.
    """
    gap, soak = account.gap, account.soak
    soak.parked_s += rest_s
    if not math.isnan(gap.start_c) and rest_s > 0.0:
        air = _air_meanwhile_c(gap)
        cool_down(
            params.soak, params.ageing, soak, gap.start_c, math.nan, air, 0.5 * rest_s, False
        )


@compiled
def _air_meanwhile_c(gap: Gap) -> float:
    """Outside air while a truck was parked [°C]: half-way from before to after; NaN where not known."""
    if math.isnan(gap.start_air_c) or math.isnan(gap.end_air_c):
        return float(gap.start_air_c)
    return float(0.5 * (gap.start_air_c + gap.end_air_c))


@compiled
def _stand(params: AccountParams, account: Account, fluid_c: float) -> None:
    """Charge a stretch without readings in which samples said that the engine was off."""
    gap, heat = account.gap, account.heat
    known = gap.air_ms > 0
    still_hot = gap.run_s <= FIRST_READING_S
    cool_down(
        params.soak,
        params.ageing,
        account.soak,
        heat.fluid_c,
        fluid_c if still_hot else math.nan,
        gap.air_c if known else math.nan,
        gap.off_s,
        still_hot,
    )


@compiled
def _heat(params: AccountParams, account: Account, view: View) -> None:
    """Charge the fluid's newest reading."""
    fluid, heat, gap = view.fluid_c, account.heat, account.gap
    if math.isnan(fluid):
        return
    if heat.fluid_ms > 0:
        between_s = (view.time_ms - heat.fluid_ms) / 1000.0
        if between_s <= params.max_gap_s:
            charge_span(params.ageing, heat, fluid, between_s)
        elif (
            gap.silences == 0 and gap.off_s > params.max_gap_s and gap.run_s <= params.max_gap_s
        ):
            _stand(params, account, fluid)
    heat.fluid_ms = view.time_ms
    heat.fluid_c = fluid
    heat.hottest_c = max(heat.hottest_c, fluid)
    begin_unread(gap, view.time_ms)
