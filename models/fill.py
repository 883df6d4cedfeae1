"""The fill: the fluid charge in one gearbox, what it brought along and what was done to it."""

from __future__ import annotations

import math

from models.compiled import compiled
from models.layout import Layout


class Fill(Layout):
    """State: the fluid charge, its chemistry at the last mixing, its services.

    ``services``, ``filter_ms`` and what the laboratory said of this fluid outlast the fill.
    """

    opened: int
    started_ms: int  # 0: not known, taken from the first sample
    installed_odometer_km: float  # as last read before the first sample; NaN: it tells
    samples: int
    carried: float  # raw life that the fluid brought along [-]
    antioxidant_at_mix: float  # share of the new fluid's, just after the last mixing [-]
    oxidation_at_mix: (
        float  # raw life spent without antioxidant, just after the last mixing [-]
    )
    equivalent_at_mix_s: float
    scale_ln: (
        float  # ln of how much faster than its chart this fluid ages, by laboratory samples
    )
    scale_var: float  # its variance; 0: no sample yet, the fluid's own spread holds
    lab_samples: int  # samples that the scale rests on
    services: int  # entries that restart the interval, on this fill and before
    service_ms: int  # start of the service interval: last exchange or pan drop
    service_km: float  # distance on the fill at that time [km]
    filter_ms: int  # 0: not known
    filter_km: float  # distance on the fill at that time [km]; negative: before this fill
    pan_drops: int  # on this fill


@compiled
def begin(
    fill: Fill,
    started_ms: int,
    installed_odometer_km: float,
    raw_life: float,
    antioxidant: float,
    oxidation: float,
) -> None:
    """Begin a fill with what its fluid brings along.

    Parameters
    ----------
    fill
        Changed in place.
    started_ms
        When it went in [Unix ms], 0 if that is not known.
    installed_odometer_km
        The counter then [km], NaN if it is not known.
    raw_life, antioxidant, oxidation
        Raw life used, share of the antioxidant left, raw life spent without it [-].
    """
    fill.opened = 1
    fill.started_ms = started_ms
    fill.installed_odometer_km = installed_odometer_km
    fill.samples = 0
    fill.carried = raw_life
    fill.antioxidant_at_mix = antioxidant
    fill.oxidation_at_mix = oxidation
    fill.equivalent_at_mix_s = 0.0
    fill.service_ms = started_ms
    fill.service_km = 0.0
    fill.pan_drops = 0


@compiled
def scale_sd(fill: Fill, ln_life_sd: float) -> float:
    """One standard deviation of ln(how much faster than its chart this fluid ages) [-].

    ``ln_life_sd``: that of the fluid by its chart alone, which holds until a sample came.
    """
    return math.sqrt(fill.scale_var) if fill.scale_var > 0.0 else ln_life_sd
