"""The fill: the fluid charge in one gearbox, what it brought along and what was done to it."""

from __future__ import annotations

from models.layout import Layout


class Fill(Layout):
    """State: the fluid charge, its chemistry at the last mixing, its services."""

    opened: int
    started_ms: int
    installed_odometer_km: float  # NaN: the counter at the first sample
    samples: int
    carried: float  # life used that the fluid brought along [-]
    antioxidant_at_mix: float  # share of the new fluid's, just after the last mixing [-]
    oxidation_at_mix: (
        float  # raw life spent without antioxidant, just after the last mixing [-]
    )
    equivalent_at_mix_s: float
    scale_ln: (
        float  # ln of how much faster than its chart this fluid ages, by laboratory samples
    )
    scale_var: float
    lab_samples: int
    services: int  # entries that restart the interval, on this fill and before
    service_ms: int  # start of the service interval: last exchange or pan drop
    service_km: float  # distance on the fill at that time [km]
    filter_ms: int
    filter_km: float
    pan_drops: int
