"""The dangers around a hot gearbox, for whoever drives and for whoever works on it.

Common practice of the trade, no source; where makers differ the words defer to the truck's own manual.
"""

from __future__ import annotations

STOP_SAFELY = (
    "Stop only where it is safe: off the roadway, out of traffic, off the grade and on level ground where "
    "you can; set the parking brake and chock the wheels before leaving the cab. Do not look under the truck "
    "at the roadside."
)
HANDS_OFF = (
    "Touch neither pan nor cooler nor lines and open nothing, no cap, no drain, no dipstick tube: hot fluid "
    "and coolant scald and are under pressure."
)
IDLE_OR_OFF = (
    "Whether a hot gearbox cools better at a raised idle or switched off, makers differ: the truck's manual "
    "decides. Shift to Neutral only once it stands, never roll down a grade in it."
)
SMOKE = (
    "Smoke, a smell of burning or fluid dripping: switch off, everybody out and away from the traffic, call "
    "for help. Hot fluid on an exhaust burns."
)
HANDS_ON_WHEEL = "Nobody should read a message or handle a phone or the gateway while driving."
OWN_GAUGE = (
    "Nobody watches this truck's fluid now: go by its own gauge and lamps, as its manual says."
)
ON_THE_ROAD_NOTHING = (
    "Nothing to do on the road; no top-up or look at the level at the roadside: the truck's manual says when "
    "and how."
)
WARM_UP = (
    "Warm up as the truck's manual says; do not rev a cold gearbox to hurry it, and cover no cooler on your "
    "own."
)
"""What whoever drives should mind."""

ON_A_HOT_DRIVE = (STOP_SAFELY, HANDS_OFF, IDLE_OR_OFF)
"""To whoever drives a truck whose cooling is in doubt."""

HOT_FLUID = (
    "Hot transmission fluid scalds at once, and cooler lines are under "
    "pressure while the engine runs: do not open, loosen or touch lines, drain or dipstick "
    "tube until all is cool."
)
HOT_COOLANT = (
    "Hot coolant scalds and is under pressure: never open its cap or a hose before all is cool, and keep it "
    "off the ground and out of drains."
)
SHOP_ONLY = (
    "In the shop: level ground, wheels chocked, rated stands, never under a jack alone. "
    "Follow the maker's manual and local rules; leave the work to qualified people."
)
BY_THE_MANUAL = (
    "Torque, kind and amount of fluid, and the temperature at which its level is read are the maker's "
    "manual's, not ours."
)
MOVING_PARTS = (
    "Electric fans start by themselves, with the engine off too: unplug them first. With the engine running "
    "keep clear of belts, fan and shafts; Park, parking brake, wheels chocked."
)
WIRING = "Work on plugs and wiring with the ignition off; take a battery off only as the maker's manual says."
USED_OIL = (
    "Catch drained fluid in a closed container marked 'Used Oil', keep it apart from "
    "coolant, brake fluid and solvents, and hand it in as local rules say."
)
"""What whoever works on it should mind."""

AT_THE_FLUID = (HOT_FLUID, SHOP_ONLY, BY_THE_MANUAL, USED_OIL)
"""To whoever opens the fluid's circuit."""

AT_THE_COOLER = (HOT_FLUID, MOVING_PARTS, SHOP_ONLY, BY_THE_MANUAL, USED_OIL)
"""To whoever works at cooler and fan too, or tries something out with the engine running."""

WORK_IN_SHORT = (
    "Caution: hot fluid scalds and its lines are under pressure; let all cool, engine off. Level "
    "ground, wheels chocked, rated stands, qualified people. Used oil goes into a closed, marked "
    "container. The maker's manual, local rules and licensed practice come before this."
)
"""The dangers of the work, for a line after a command."""

SAMPLING_CAUTIONS = (
    (
        "Fluid at operating temperature scalds and its lines are under pressure while the "
        "engine runs: eye and face protection, heat-resistant gloves, never open a line or a "
        "drain above 60 °C (140 °F). Draw through the dipstick tube or a sampling valve made for it."
    ),
    SHOP_ONLY,
    USED_OIL,
)
