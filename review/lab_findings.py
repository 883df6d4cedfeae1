"""What a laboratory found, as its sheet has it and as the models read it."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.entry_fields import with_derived
from review.record_book import given


@dataclass(frozen=True, slots=True, kw_only=True)
class LabFindings:
    """What a laboratory found in a sample; None: not measured.

    ``antioxidant`` left and ``antioxidant_sd`` its error, as shares of new fluid's [-]. Acid
    numbers [mg KOH/g] of the sample, of new fluid, and the rise that condemns. ``oxidation``
    by infrared as a share of its limit [-]. Viscosities [mm²/s] of the sample and of new fluid at
    one temperature. ``lab_sd``: error of what the last three say, as a share of a life [-].
    """

    antioxidant: float | None = None
    antioxidant_sd: float | None = None
    acid_mg_g: float | None = None
    acid_new_mg_g: float | None = None
    acid_limit_mg_g: float | None = None
    oxidation: float | None = None
    viscosity_mm2_s: float | None = None
    viscosity_new_mm2_s: float | None = None
    water_share: float | None = None
    glycol: bool = False
    lab_sd: float | None = None

    def numbers(self) -> dict[str, float]:
        """Give what stands in the entry: what was measured, and what the models read of it."""
        found = {
            "antioxidant": self.antioxidant,
            "antioxidant_sd": self.antioxidant_sd,
            "acid_mg_g": self.acid_mg_g,
            "acid_new_mg_g": self.acid_new_mg_g,
            "acid_limit_mg_g": self.acid_limit_mg_g,
            "oxidation": self.oxidation,
            "viscosity_mm2_s": self.viscosity_mm2_s,
            "viscosity_new_mm2_s": self.viscosity_new_mm2_s,
            "water_share": self.water_share,
            "glycol": 1.0 if self.glycol else None,
            "lab_sd": self.lab_sd,
        }
        return with_derived(given(found))
