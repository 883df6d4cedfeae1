"""The parameters are worked out once for trucks of one kind: what sets a truck apart must not be in them."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from models.fleet import BUILT_IN_FLUIDS, Fleet, Vehicle
from models.parameters import parameters
from review.trucks import courses_of

MAX_GAP_S, SILENT_AFTER_S = 120.0, 900.0

vehicles = st.builds(
    Vehicle,
    name=st.sampled_from(["NF-01", "NF-02", "NF-03"]),
    title=st.text(max_size=5),
    circuit=st.sampled_from(["thermostatic_bypass", "coolant_exchanger", "radiator_tank"]),
    sensor=st.sampled_from(["sump", "cooler_line"]),
    thermal_class=st.sampled_from(["medium", "heavy"]),
    fluid=st.sampled_from(sorted(BUILT_IN_FLUIDS)),
    installed_ms=st.none() | st.integers(0, 2**41),
    installed_odometer_km=st.none() | st.floats(0.0, 1e6),
    life_used_at_start=st.floats(0.0, 1.0),
    registered=st.booleans(),
)


@settings(deadline=None)  # the first compiles
@given(st.lists(vehicles, min_size=1, max_size=3, unique_by=lambda each: each.name))
def test_each_truck_has_the_parameters_that_are_its_own(fleet: list[Vehicle]) -> None:
    held = Fleet(vehicles={each.name: each for each in fleet}, fluids=BUILT_IN_FLUIDS)
    courses = courses_of(held, max_gap_s=MAX_GAP_S, silent_after_s=SILENT_AFTER_S)
    for each in fleet:
        alone = parameters(
            each, held.fluid_of(each), max_gap_s=MAX_GAP_S, silent_after_s=SILENT_AFTER_S
        )
        assert courses(each.name, ()).params.tobytes() == alone.tobytes()
