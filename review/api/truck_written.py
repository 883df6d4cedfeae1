"""How a truck is written for the API."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from models.due import Due
from models.statement import Statement
from models.transition import Priority
from review.api.shape import known, moment, moment_or_none
from review.api.truck_shapes import (
    Account,
    Cause,
    CircuitState,
    Missing,
    Now,
    ServiceDue,
    Standing,
    StandingAlarm,
    TooHot,
    TruckNow,
)
from review.board_row import Limits, Signals, TruckLive
from review.circuit_standing import CircuitStanding

STANDINGS: Mapping[str, Standing] = MappingProxyType(
    {"good": "good", "never heard": "never_heard", "out of date": "out_of_date"}
)


def truck_shape(truck: TruckLive, titles: Mapping[str, str]) -> TruckNow:
    """Write a truck; ``titles``: what its alarms are called, by their id."""
    return TruckNow(
        name=truck.name,
        title=truck.title,
        registered=truck.registered,
        groups=list(truck.groups),
        circuit=truck.vehicle.circuit,
        standing=STANDINGS[truck.standing],
        trouble=truck.trouble or None,
        waiting=truck.waiting,
        online=truck.online,
        last_sample_at=moment_or_none(truck.last_ms),
        missing_samples_count=truck.missing_samples,
        now=None if truck.signals is None else now_shape(truck.signals),
        expected_fluid_temp_c=truck.expected_c,
        expected_fluid_temp_sd_k=truck.expected_sd_k,
        limits=None if truck.limits is None else _limits(truck.limits),
        account=None if truck.account is None else account_shape(truck.account),
        due=None if truck.due is None else due_shape(truck.due),
        circuit_state=_circuit(truck.circuit_standing),
        alarms=_alarms(truck, titles),
    )


def now_shape(signals: Signals) -> Now:
    """Write what a truck shows."""
    return Now(
        at=moment(signals.time_ms),
        moving=signals.moving,
        fluid_temp_c=signals.fluid_c,
        cooler_out_temp_c=signals.line_out_c,
        cooler_return_temp_c=signals.line_return_c,
        ambient_temp_c=signals.air_c,
        coolant_temp_c=signals.coolant_c,
        speed_km_h=signals.speed_km_h,
        engine_rpm=signals.rpm,
        engine_torque_nm=signals.torque_nm,
        gear=signals.gear,
        lockup=signals.lockup,
        lockup_slip_rpm=signals.slip_rpm,
        trailer=signals.trailer,
        heat_made_w=signals.heat_w,
    )


def account_shape(account: Statement) -> Account:
    """Write an account."""
    return Account(
        life_used_share=account.life_used,
        life_used_low_share=account.life_low,
        life_used_high_share=account.life_high,
        antioxidant_left_share=account.antioxidant_left,
        oxidation_share=account.oxidation,
        equivalent_h=account.equivalent_hours,
        soak_equivalent_h=account.soak_equivalent_hours,
        unseen_equivalent_h=account.unseen_equivalent_hours,
        mean_kinetic_temp_c=known(account.mean_kinetic_temp_c),
        hottest_temp_c=known(account.hottest_c),
        seen_h=account.seen_hours,
        unseen_h=account.unseen_hours,
        parked_h=account.parked_hours,
        driven_km=account.distance_km,
        unseen_km=account.unseen_km,
        sensor_offset_k=account.offset_k,
        samples_count=account.samples,
        started_at=moment_or_none(account.started_ms),
    )


def due_shape(due: Due) -> ServiceDue:
    """Write when a service is due."""
    return ServiceDue(
        reason=due.reason,
        overdue=due.overdue,
        median_at=moment_or_none(due.median_ms),
        early_at=moment_or_none(due.early_ms),
        late_at=moment_or_none(due.late_ms),
        heat_share=known(due.share_by_heat),
        distance_share=known(due.share_by_distance),
        age_share=known(due.share_by_age),
        distance_km=known(due.distance_km),
        distance_limit_km=known(due.distance_limit_km),
        age_days=known(due.age_days),
        age_limit_days=known(due.age_limit_days),
    )


def priority_name(priority: Priority) -> str:
    """Name a priority."""
    return priority.name.lower()


def _limits(limits: Limits) -> TooHot:
    return TooHot(
        limit_temp_c=limits.limit_c,
        high_temp_c=limits.high_c,
        critical_temp_c=limits.critical_c,
    )


def _circuit(found: CircuitStanding | None) -> CircuitState | None:
    if found is None:
        return None
    likeliest = sorted(found.causes.items(), key=lambda pair: (-pair[1], pair[0]))
    return CircuitState(
        judged=found.judged,
        proven_at=moment_or_none(found.proven_ms),
        judged_at=moment_or_none(found.judged_ms),
        unseen_since=moment_or_none(found.unseen_since_ms),
        suspected_since=moment_or_none(found.suspect_ms),
        learned_share=found.learned,
        fault_probability=found.fault_probability,
        causes=[Cause(name=name, probability=odds) for name, odds in likeliest],
        missing=[Missing(signal=name, cost=cost) for name, cost in found.missing.items()],
    )


def _alarms(truck: TruckLive, titles: Mapping[str, str]) -> list[StandingAlarm]:
    return [
        StandingAlarm(
            id=each.id,
            kind=each.kind,
            priority=priority_name(each.priority),
            state=each.state,
            onset_at=moment(each.onset_ms),
            title=titles.get(each.id, each.kind),
        )
        for each in truck.alarms
    ]
