"""What each column of the exported accounts means."""

from __future__ import annotations

from models.histogram import BINS, FIRST_C, WIDTH_K

ACCOUNT_COLUMNS = {
    "life_used": "share of the fluid's life that heat has used, best estimate; 1 is due [-]",
    "life_low": "lower end of its 80 % band [-]",
    "life_high": "upper end of its 80 % band [-]",
    "antioxidant_left": "share of the new fluid's antioxidant that is left [-]",
    "oxidation": "life spent without antioxidant; 0 while it protects [-]",
    "equivalent_hours": "hours at the reference temperature that would have aged it as much, measured [h]",
    "soak_equivalent_hours": "the same of the time parked, estimated [h]",
    "unseen_equivalent_hours": "the same of the time running without a reading, estimated [h]",
    "mean_kinetic_temp_c": "the steady temperature that would have aged it as much [°C]",
    "seen_hours": "hours with readings since the fill went in [h]",
    "unseen_hours": "hours running without a reading since the fill went in [h]",
    "parked_hours": "hours parked since the fill went in [h]",
    "distance_km": "distance since the fill went in [km]",
    "unseen_km": "of it, driven without data [km]",
    "hottest_c": "the hottest reading [°C]",
    "offset_k": "how much too high the sensor reads, by nights parked cold [K]",
    "offset_sd_k": "standard deviation of that [K]",
    "nights": "how many such nights there were",
    "faulty_nights": "nights on which the sensor was off too far to be believed",
    "soak_checks": "first readings after a start that could check the estimate of the cooling",
    "soak_off_k": "how far below the estimate they were, on average [K]; empty: none",
    "soak_off_sd_k": "standard deviation of that [K]; empty: none",
    "odometer_breaks": "times the distance counter went on from another value",
    "odometer_blind_breaks": "of them, those over which no speed told the distance",
    "odometer_break_ms": "when the last was [ms since 1970-01-01 UTC]; 0: never",
    "odometer_rollovers": "times the distance counter passed its last figure",
    "odometer_stuck": "times it stood still while the truck drove",
    "odometer_wild": "readings of it that were not believed",
    "odometer_read": "True: the counter was read; False: distance is by speed",
    "samples": "samples that the account rests on",
    "started_ms": "when the fill went in, or the first sample [ms since 1970-01-01 UTC]",
    "bins": f"measured seconds in each of {BINS} bins of {WIDTH_K:g} K, the first from {FIRST_C:g} °C [s]",
    "soak_bins": "the same of the time parked, estimated [s]",
}
"""By the fields of ``models.statement.Statement`` that are exported."""
