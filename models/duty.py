"""The recorded duty of a truck: what drove its heat balance, in windows, and what its fluid's sensor read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.circuit import COOLANT, DUTY, RPM, SPAN_S
from models.compiled import compiled
from models.heat import spin_loss
from models.heat_now import refine_heat
from models.kinematics import observe
from models.layout import blank, dtype_of, record
from models.view import View, look
from models.window import Window, add, begin, clear, note

WINDOW_S = 10.0
"""Shortest window [s]: samples that come faster are averaged. Own choice, a third of the fastest time
constant; doubled, a peak of the truck's model is cut by some tenths of a kelvin."""

STANDING_KM_H = 5.0
"""Up to this speed a truck stands [km/h], as the view has it."""

PARKED_KM = 1.0
"""A truck whose counter went on by less over a gap was parked [km]: a counter may show whole kilometres."""

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Beside the means of ``circuit.DUTY``, by place in a row.
_IDLE_W = DUTY
_BEGIN_C = DUTY + 1
_ROW = DUTY + 2

# A reading of the fluid, by place.
_READ_C, _READ_AIR_C, _RUNNING, _STANDING, _ODOMETER_KM = range(5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """What a truck was asked to do, and what its fluid read.

    Windows, shape (m,): from ``start_ms`` to ``end_ms`` [Unix ms]; ``means`` (m, ``circuit.DUTY``);
    ``idle_w``, the heat that would be made without any torque [W]; ``begin_c``, where a stretch begins
    what the fluid read [°C], else NaN. A window without all that the balance needs is left out.

    Readings of the fluid, shape (n,): ``read_ms`` [Unix ms], ``read_c`` [°C], ``air_c`` outside
    then [°C], ``running`` whether the engine ran; ``parked`` whether the truck was parked until the next
    reading, if that comes later than what counts as seen. ``load_told``: some signal tells of the load.
    """

    start_ms: Times
    end_ms: Times
    means: Floats
    idle_w: Floats
    begin_c: Floats
    read_ms: Times
    read_c: Floats
    air_c: Floats
    running: Flags
    parked: Flags
    load_told: bool

    @property
    def followed_s(self) -> float:
        """How long the windows are together [s]."""
        return float(self.means[:, SPAN_S].sum())


def duty_of(params: Any, truck: Any, kind: int, samples: NDArray[Any]) -> Duty:
    """Read the duty off samples of one truck.

    Parameters
    ----------
    params
        Record ``models.kernel.PARAMS``.
    truck
        Record ``models.detector.Truck`` before the first sample; its view and what turns are changed.
    kind
        Of its circuit: ``models.circuit.BYPASS`` ….
    samples
        Records ``models.sample.SAMPLE``, shape (k,), in order of time.
    """
    rows, times = np.zeros((len(samples), _ROW)), np.zeros((len(samples), 2), np.int64)
    read = np.zeros((len(samples), 5))
    window = record(blank(dtype_of(Window)))
    by_coolant = kind >= COOLANT
    count = _record(params, truck, window, by_coolant, _seen(samples), rows, times, read)
    rows[:count, 1:_BEGIN_C] /= rows[:count, :1]
    came = ~np.isnan(read[:, _READ_C])
    read = read[came]
    loads = ("engine_torque_nm", "engine_load_pct")
    return Duty(
        start_ms=times[:count, 0].copy(),
        end_ms=times[:count, 1].copy(),
        means=rows[:count, :DUTY].copy(),
        idle_w=rows[:count, _IDLE_W].copy(),
        begin_c=rows[:count, _BEGIN_C].copy(),
        read_ms=samples["time_ms"][came].copy(),
        read_c=read[:, _READ_C].copy(),
        air_c=read[:, _READ_AIR_C].copy(),
        running=read[:, _RUNNING] > 0.0,
        parked=_parked(read),
        load_told=not all(np.isnan(samples[name]).all() for name in loads),
    )


def _seen(samples: NDArray[Any]) -> Any:
    """Give samples with their fields as attributes."""
    return samples.view(np.recarray)


def _parked(read: Floats) -> Flags:
    """Say after which readings the truck was parked if nothing came for long: it stood and did not go on."""
    parked = np.zeros(len(read), np.bool_)
    if len(read) > 1:
        # A counter that is not known tells of nothing.
        away = np.abs(np.diff(read[:, _ODOMETER_KM])) >= PARKED_KM
        parked[:-1] = (read[:-1, _STANDING] > 0.0) & ~away
    return parked


@compiled
def _record(
    params: Any,
    truck: Any,
    window: Window,
    by_coolant: bool,
    samples: Any,
    rows: Floats,
    times: Times,
    read: Floats,
) -> int:
    """Fill windows one after the other, and the readings; give how many windows there are."""
    view = truck.latest
    count, filling = 0, False
    begin_c, begin_ms = math.nan, 0  # a stretch may begin where the fluid was read
    odometer_km = math.nan
    for place in range(len(samples)):
        _see(params, truck, samples[place])
        if not math.isnan(view.odometer_km):
            odometer_km = view.odometer_km
        _read(view, odometer_km, read[place])
        note(window, view)
        known = _known(by_coolant, view)
        if view.dt_s == 0.0 or not known or begin_ms == 0:
            if filling:
                count, filling = count + 1, False
            begin_c = view.fluid_c
            begin_ms = 0 if math.isnan(begin_c) or not known else view.time_ms
            begin(window, view, True)
            continue
        if not filling:
            clear(window)
            rows[count, _IDLE_W] = 0.0
            rows[count, _BEGIN_C] = begin_c
            times[count, 0] = begin_ms
            filling = True
        _add(window, view, rows[count])
        times[count, 1] = view.time_ms
        if rows[count, SPAN_S] >= WINDOW_S:
            count, filling = count + 1, False
            begin_c, begin_ms = math.nan, view.time_ms
    return count + 1 if filling else count


@compiled
def _see(params: Any, truck: Any, sample: Any) -> None:
    """Take the newest sample in as far as the heat made goes, in the kernel's order."""
    look(params.latest, truck.latest, sample)
    observe(params.kinematics, truck.kinematics, truck.latest)
    refine_heat(params.kinematics, truck.kinematics, truck.latest)


@compiled
def _add(window: Window, view: View, row: Floats) -> None:
    """Add the span that the newest sample ends to a row."""
    before_w = _idle_w(window.now[RPM], view)
    add(window, view, True)
    row[:DUTY] = window.duty
    row[_IDLE_W] += 0.5 * view.dt_s * (before_w + _idle_w(view.rpm, view))


@compiled
def _idle_w(rpm: float, view: View) -> float:
    """Heat made without any torque [W]."""
    return spin_loss(rpm, view.fluid_c) if rpm >= 1.0 else 0.0


@compiled
def _read(view: View, odometer_km: float, read: Floats) -> None:
    """Note a reading of the fluid; NaN where there is none."""
    standing = view.speed_km_h <= STANDING_KM_H or view.rpm < 1.0
    read[_READ_C] = view.fluid_c
    read[_READ_AIR_C] = view.air_c
    read[_RUNNING] = 0.0 if view.rpm < 1.0 else 1.0
    read[_STANDING] = 1.0 if standing else 0.0
    read[_ODOMETER_KM] = odometer_km


@compiled
def _known(by_coolant: bool, view: View) -> bool:
    """Say that all is there that the balance of this circuit needs."""
    if math.isnan(view.air_c) or math.isnan(view.rpm):
        return False
    if by_coolant and math.isnan(view.coolant_c):
        return False
    return view.rpm < 1.0 or not math.isnan(view.speed_km_h)
