"""The service record as the models see it: what was done to a truck, when, and what each does to its state.

One function a kind, listed in ``KINDS``. They run between two samples, on records, uncompiled: entries
are rare.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from models.account import open_fill, raw_life, stretch, unstretch
from models.detectors import DETECTORS
from models.habits import rebase
from models.lab import lab_update
from models.mixture import MOSTLY_NEW, mix, phi_of
from models.readings import depletion
from models.renewal import change_fluid, distance_at_km, drive_to, new_fill, renew

#: One entry; numbers that were not given are NaN.
ENTRY: np.dtype[np.void] = np.dtype(
    [
        ("time_ms", "i8"),
        ("kind", "i8"),  # place in SERVICE_KINDS
        ("epoch", "i8"),  # row of the parameters that hold from this entry on
        ("volume_l", "f8"),  # fluid replaced or added
        ("odometer_km", "f8"),
        ("life_used", "f8"),  # what the new fluid had used already
        ("filter", "f8"),  # 1: the filter was changed too
        ("antioxidant", "f8"),  # laboratory: share left, with its standard deviation
        ("antioxidant_sd", "f8"),
        ("acid_rise_mg_g", "f8"),  # acid number over the new fluid's [mg KOH/g]
        ("acid_limit_mg_g", "f8"),
        ("oxidation", "f8"),  # infrared oxidation as a share of the limit
        ("viscosity_change", "f8"),  # share of the new fluid's
        ("lab_sd", "f8"),  # spread of the last three, as a share of life; NaN: the default
    ]
)
"""Records in order of time; of one time in the order in which they were entered."""

PAN_DROP_SHARE = 0.375
"""Share of the fluid that a pan drop replaces when nobody measured [-]; common practice: 30 to 45 %."""

BATCH_SD = 0.15
"""How far one batch of a fluid may age differently from the next, in ln of its pace [-]. Own choice: a
spread of 0.17 after a sample becomes 0.23 for the next fill, with twice as much 0.34."""


def apply(params: Any, before: Any, state: Any, entry: Any) -> None:
    """Count one entry.

    Parameters
    ----------
    params, before
        Records ``models.kernel.PARAMS``: what holds from this entry on, what held until then.
    state
        Record ``models.kernel.STATE`` after the last sample before the entry; changed in place.
    entry
        Record ``ENTRY``.
    """
    kind = SERVICE_KINDS[int(entry.kind)]
    account = state.truck.account
    if account.filling.opened == 0:
        open_fill(account)
    drive_to(account, entry)
    if kind == "fluid_change" or not _same_fluid(params.account, before.account):
        change_fluid(before.account, params.account, account)
    KINDS[kind](params, state, entry)
    own = params.account
    account.life_used = stretch(raw_life(own, account), own.oxidation_factor)
    rebase(account.habits, account.heat, account.soak, account.travel)


def _same_fluid(params: Any, before: Any) -> bool:
    """Say whether two rows of parameters tell of one fluid."""
    names = ("ageing", "reference_life_s", "oxidation_factor", "antioxidant_at_end")
    return all(params[name].tobytes() == before[name].tobytes() for name in names)


def _register(params: Any, state: Any, entry: Any) -> None:
    """Change nothing: what the truck is stands in its parameters."""


def _install(params: Any, state: Any, entry: Any) -> None:
    """A fill that somebody dates, with the life that its fluid had used."""
    account = state.truck.account
    raw = unstretch(_or(entry.life_used, 0.0), params.account.oxidation_factor)
    left = float(params.account.antioxidant_at_end) ** raw
    new_fill(account, entry, raw, left, max(0.0, raw - 1.0))
    _another_batch(params.account, account.filling)
    _restart_interval(account, entry)


def _exchange(params: Any, state: Any, entry: Any) -> None:
    """Most of the fluid or all: a new fill, which carries what stayed; less mixes like a pan drop."""
    account = state.truck.account
    total_l = float(params.account.fluid_total_l)
    volume_l = _or(entry.volume_l, total_l)
    mix(params.account, account, phi_of(volume_l, total_l))
    if volume_l >= MOSTLY_NEW * total_l:
        fill = account.filling
        raw = float(raw_life(params.account, account))
        new_fill(account, entry, raw, fill.antioxidant_at_mix, fill.oxidation_at_mix)
        _another_batch(params.account, fill)
    _restart_interval(account, entry)


def _pan_drop(params: Any, state: Any, entry: Any) -> None:
    """Part of the fluid: the account mixes, the fill and its distance go on."""
    account = state.truck.account
    total_l = float(params.account.fluid_total_l)
    volume_l = _or(entry.volume_l, PAN_DROP_SHARE * total_l)
    mix(params.account, account, phi_of(volume_l, total_l))
    account.filling.pan_drops += 1
    _restart_interval(account, entry)


def _filter(_params: Any, state: Any, entry: Any) -> None:
    fill = state.truck.account.filling
    fill.filter_ms = entry.time_ms
    fill.filter_km = distance_at_km(state.truck.account, entry)


def _top_up(params: Any, state: Any, entry: Any) -> None:
    """New fluid for old that was lost; no service."""
    volume_l = _or(entry.volume_l, 0.0)
    phi = phi_of(volume_l, float(params.account.fluid_total_l))
    mix(params.account, state.truck.account, phi)


def _gearbox(params: Any, state: Any, entry: Any) -> None:
    """Another gearbox: its fluid, its filter, its sensor and its ways of shedding heat are others."""
    _install(params, state, entry)
    _filter(params, state, entry)
    renew(state.truck.account, "soak", ())
    renew(state.truck.account, "offset", ())
    renew(state.truck, "kinematics", ())
    _forget_the_circuit(state, "gearbox")


def _circuit(_params: Any, state: Any, _entry: Any) -> None:
    """Another cooler or another way to it: the heat balance is learned anew; the fill goes on."""
    _forget_the_circuit(state, "circuit")


def _sample(params: Any, state: Any, entry: Any) -> None:
    """What the laboratory found corrects the fluid's pace, and with it all that it has aged."""
    account = state.truck.account
    fill = account.filling
    update = lab_update(params.account, account, entry)
    if not update.observations:
        return
    told = depletion(params.account, account)
    oxidised = told.oxidised(update.factor) - told.oxidised(1.0)
    fill.oxidation_at_mix = max(0.0, fill.oxidation_at_mix + oxidised)
    fill.antioxidant_at_mix = told.mixed(update.factor)
    fill.scale_ln = update.posterior.mean
    fill.scale_var = update.posterior.sd**2
    fill.lab_samples += 1
    fill.carried *= update.factor


KINDS: Mapping[str, Callable[[Any, Any, Any], None]] = {
    "register": _register,
    "install": _install,
    "exchange": _exchange,
    "pan_drop": _pan_drop,
    "filter": _filter,
    "top_up": _top_up,
    "fluid_change": _exchange,
    "gearbox": _gearbox,
    "circuit": _circuit,
    "sample": _sample,
}
"""What each kind of entry does, given the parameters that hold from it on, the state and the entry."""

SERVICE_KINDS = tuple(KINDS)
"""What an entry may tell of; an entry names one by its place here."""


def _or(value: float, otherwise: float) -> float:
    return otherwise if math.isnan(value) else float(value)


def _another_batch(params: Any, fill: Any) -> None:
    """What samples said of the fluid holds for the next fill of it, a little less surely."""
    if fill.scale_var > 0.0:
        fill.scale_var = min(fill.scale_var + BATCH_SD**2, params.ln_life_sd**2)


def _restart_interval(account: Any, entry: Any) -> None:
    fill = account.filling
    fill.services += 1
    fill.service_ms = max(0, entry.time_ms)
    fill.service_km = distance_at_km(account, entry)
    if entry.filter == 1.0:
        fill.filter_ms = fill.service_ms
        fill.filter_km = fill.service_km


def _forget_the_circuit(state: Any, kind: str) -> None:
    """Begin the heat balance again, and the detectors that rest on what was replaced.

    An alarm that stands is ended by the next sample, so that everybody hears that it is over.
    """
    renew(state.truck, "thermal", ())
    renew(state.truck, "sensor", ())
    for detector in DETECTORS:
        if kind in detector.begins_again_with:
            renew(state[detector.kind], "own", ())
            renew(state[detector.kind], "presence", ("standing", "onset_ms"))
