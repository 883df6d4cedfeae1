"""What the people of the invented fleet did in its two years: Omar and Kim in the shop, Ines at the desk.

All invented, and all of one piece: a valve that sticks from autumn on is taken for something else, is known,
waits for a part, and costs a gearbox; beside it what any fleet has.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType

from simulator.years.happenings import Happening, Seen, Service, Shelved
from simulator.years.moments import FAILED, at

INES, OMAR, KIM = "Ines", "Omar", "Kim"

_NOTHING: Mapping[str, float] = MappingProxyType({})


def _service(
    vehicle: str,
    day: date,
    kind: str,
    who: str,
    numbers: Mapping[str, float] = _NOTHING,
    note: str = "",
    *,
    later_h: float = 0.5,
    key: str | None = None,
    instead_of: str | None = None,
) -> Service:
    return Service(
        vehicle=vehicle,
        kind=kind,
        time_ms=at(day),
        entered_ms=at(day) + round(3_600_000 * later_h),
        who=who,
        numbers=numbers,
        note=note,
        key=key,
        instead_of=instead_of,
    )


def _drop(vehicle: str, day: date, who: str, litres: float, note: str = "") -> Service:
    return _service(vehicle, day, "pan_drop", who, {"volume_l": litres, "filter": 1.0}, note)


def _exchange(vehicle: str, day: date, who: str, litres: float, note: str = "") -> Service:
    return _service(vehicle, day, "exchange", who, {"volume_l": litres, "filter": 1.0}, note)


def _circuit(vehicle: str, day: date, who: str, note: str) -> Service:
    return _service(vehicle, day, "circuit", who, note=note)


def _seen(vehicle: str, day: date, hour: float, who: str, comment: str, kind: str = "") -> Seen:
    return Seen(vehicle=vehicle, at_ms=at(day, hour), who=who, comment=comment, kind=kind)


def _shelved(
    vehicle: str, kind: str, day: date, hour: float, days: float, who: str, reason: str
) -> Shelved:
    begins_ms = at(day, hour)
    return Shelved(
        vehicle=vehicle,
        kind=kind,
        at_ms=begins_ms,
        until_ms=begins_ms + round(86_400_000 * days),
        who=who,
        reason=reason,
    )


SERVICES: tuple[Service, ...] = (
    _exchange("NF-03", date(2024, 11, 18), OMAR, 12.5, "Dark, no burnt smell."),
    _exchange("NF-04", date(2024, 12, 2), OMAR, 24.0),
    # Entered with the wrong volume, and put right the next morning.
    _service(
        "NF-06",
        date(2025, 1, 20),
        "pan_drop",
        KIM,
        {"volume_l": 8.4, "filter": 1.0},
        key="northfold-2025-01-20",
    ),
    _service(
        "NF-06",
        date(2025, 1, 20),
        "pan_drop",
        OMAR,
        {"volume_l": 4.8, "filter": 1.0},
        "It was 4.8 litres: 8.4 was written on the can's lid the wrong way round.",
        later_h=16.0,
        instead_of="northfold-2025-01-20",
    ),
    _exchange("NF-10", date(2025, 1, 27), OMAR, 24.5),
    _drop("NF-05", date(2025, 2, 17), KIM, 4.9),
    _exchange("NF-07", date(2025, 2, 18), OMAR, 13.0, "Nearly due by distance."),
    _drop("NF-01", date(2025, 3, 11), KIM, 4.6),
    _drop("NF-02", date(2025, 4, 7), KIM, 5.6),
    _service(
        "NF-06",
        date(2025, 5, 12),
        "top_up",
        KIM,
        {"volume_l": 0.8},
        "Weeping at the pan; gasket with the next service.",
    ),
    _drop("NF-08", date(2025, 5, 20), OMAR, 4.8),
    _circuit(
        "NF-07",
        date(2025, 7, 11),
        OMAR,
        "Cooler out, fins packed with poplar fluff and chaff; washed from behind, back in.",
    ),
    _circuit("NF-08", date(2025, 9, 5), KIM, "Cooler lines chafed at the frame: both renewed."),
    _exchange("NF-06", date(2025, 9, 18), OMAR, 8.0, "New pan gasket too."),
    _service(
        "NF-05",
        date(2025, 9, 24),
        "sample",
        INES,
        {
            "acid_mg_g": 1.7,
            "acid_new_mg_g": 0.6,
            "viscosity_mm2_s": 27.4,
            "viscosity_new_mm2_s": 29.6,
            "water_share": 0.0004,
        },
        "Drawn after the harvest: aged, still fit until the exchange in January.",
        later_h=9 * 24.0,
    ),
    _exchange("NF-07", date(2025, 10, 6), OMAR, 13.5, "Due by distance."),
    _exchange(
        "NF-03", date(2025, 11, 20), KIM, 10.5, "Could not flush the cooler: lines seized."
    ),
    _exchange("NF-04", date(2025, 12, 1), OMAR, 25.0),
    _exchange("NF-05", date(2026, 1, 15), OMAR, 10.8),
    _exchange("NF-10", date(2026, 1, 28), OMAR, 25.0),
    _service(
        "NF-08",
        date(2026, 1, 28),
        "sample",
        OMAR,
        {
            "acid_mg_g": 1.9,
            "acid_new_mg_g": 0.6,
            "oxidation": 0.5,
            "viscosity_mm2_s": 26.9,
            "viscosity_new_mm2_s": 29.6,
        },
        "Drawn because of the heat on the 22nd.",
        later_h=12 * 24.0,
    ),
    _exchange("NF-01", date(2026, 2, 10), KIM, 11.0),
    _exchange("NF-02", date(2026, 3, 2), KIM, 13.0),
    _service(
        "NF-08",
        date(2026, 3, 21),
        "gearbox",
        OMAR,
        _NOTHING,
        "Exchange gearbox, new bypass valve, cooler and lines flushed, new fluid. In the old one: "
        "clutches burnt, fluid black, valve's sleeve seized almost shut.",
    ),
    _exchange("NF-09", date(2026, 4, 14), KIM, 11.5, "First exchange of a new truck."),
    # What the loss of a gearbox taught: the other trucks' coolers and valves, one after the other.
    _circuit("NF-05", date(2026, 6, 1), OMAR, "Bypass valve renewed after what befell NF-08."),
    _circuit(
        "NF-03", date(2026, 6, 2), KIM, "Quarry dust washed out of the cooler. Valve on order."
    ),
    _circuit("NF-01", date(2026, 6, 4), OMAR, "Bypass valve renewed after what befell NF-08."),
    _circuit("NF-07", date(2026, 6, 5), OMAR, "Bypass valve renewed after what befell NF-08."),
    _circuit("NF-04", date(2026, 6, 8), KIM, "Coolant valve renewed, exchanger flushed."),
)

ALARMS: tuple[Seen | Shelved, ...] = (
    _seen("NF-02", date(2024, 11, 20), 6.5, KIM, "Reads by jumps on the bumps: loose wire?"),
    _seen(
        "NF-02",
        date(2024, 11, 22),
        12.0,
        KIM,
        "Wire chafed through at the bracket; new one in.",
    ),
    _seen(
        "NF-10",
        date(2024, 12, 16),
        8.0,
        KIM,
        "Outside air reads right by hand. Very cold, runs cold.",
    ),
    _seen("NF-07", date(2025, 1, 20), 7.0, INES, "Booked for February."),
    _seen("NF-07", date(2025, 2, 13), 7.0, INES, "Comes in on Tuesday."),
    _seen("NF-10", date(2025, 1, 22), 9.0, KIM, "The same again in the frost; reads right."),
    _seen(
        "NF-07", date(2025, 7, 4), 6.2, OMAR, "Comes in next Friday: cooler to be looked at."
    ),
    _seen(
        "NF-05",
        date(2025, 9, 11),
        7.0,
        INES,
        "Grain harvest, far too heavy: talked to the farm.",
    ),
    _seen(
        "NF-05",
        date(2025, 9, 12),
        9.0,
        INES,
        "Again; the second trailer is promised for the 22nd.",
    ),
    _seen(
        "NF-05", date(2025, 9, 18), 10.0, KIM, "Driver stops at the top now and lets it idle."
    ),
    _seen("NF-05", date(2025, 9, 19), 8.0, INES, "Last day of it. Fluid to be sampled."),
    _seen("NF-07", date(2025, 9, 22), 6.5, INES, "Booked for 6 October."),
    _seen("NF-10", date(2025, 12, 22), 8.0, KIM, "Frost again, as every winter."),
    # The gearbox of NF-08: seen late, explained away, put aside.
    _seen(
        "NF-08", date(2026, 1, 14), 7.5, KIM, "Valve moves by hand, cooler clean. Watching it."
    ),
    _seen(
        "NF-08",
        date(2026, 2, 2),
        8.0,
        OMAR,
        "Bypass valve, most likely. Part ordered; fluid sampled.",
    ),
    _shelved("NF-08", "bypass_stuck", date(2026, 2, 5), 6.0, 7.0, KIM, "Waiting for the valve"),
    _seen("NF-08", date(2026, 2, 12), 8.0, KIM, "The valve is on back order."),
    _seen(
        "NF-08",
        date(2026, 2, 18),
        9.0,
        KIM,
        "The gateway's fuse was gone; new one in. It had stored nothing.",
        "gateway_silent",
    ),
    _seen(
        "NF-08",
        date(2026, 3, 9),
        6.8,
        INES,
        "Hot with the big trailer: driver told to go easy.",
    ),
    _seen("NF-08", FAILED, 6.0, INES, "Driver rang: no drive, on the grade. Towed in."),
    _seen("NF-07", date(2026, 4, 27), 7.0, INES, "Booked for the middle of June."),
    _seen("NF-07", date(2026, 6, 9), 7.0, INES, "Still booked for the 17th."),
)


def happenings() -> tuple[Happening, ...]:
    """Give all of it in order of time."""
    return tuple(sorted((*SERVICES, *ALARMS), key=lambda each: each.at_ms))
