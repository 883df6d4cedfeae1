"""What is taken of a truck and of its faults before they show: means, spreads, and how fast they may wander.

Common practice and own choice, no source; tuned on simulated trucks apart from those of the reported table.
By place in the state of one filter (``models.circuit``).
"""

from __future__ import annotations

import math

import numpy as np

SD = np.array([0.4, 4.0, 0.5, 0.25, 0.3, 0.22, 2.0, 2.0, 0.0, 1.0, 0.35, 0.35, 0.4])
"""Standard deviations at the start: fluid, metal [K], extra heat [kW], ln of heat, case and cooler [-],
valve, sink [K], fault, site [K], ln of its rise, of the converter's heat and of the transfer units [-]. The
truck's own values double, and the first hours convict nobody."""

TANK_SINK_SD_K = 5.0
"""How far the cold tank of a radiator may be from what is taken [K]; own choice: it is 0 to 14 K below
the engine's coolant."""

WANDER = np.array([0.0, 0.0, 0.0, 0.015, 0.02, 0.012, 0.3, 0.5, 0.0, 0.0, 0.03, 0.015, 0.03])
"""How fast the truck's own values may wander, standard deviation per root hour. Doubled, a fault that grows
over a day is learned in part as the truck's own."""

FLOOR_SD = np.array([0.0, 0.0, 0.0, 0.06, 0.06, 0.06, 0.8, 0.8, 0.0, 0.0, 0.0, 0.06, 0.05])
"""Least standard deviation of the truck's own values, however long it has been known: two nodes are not the
truck. Doubled, a cooler that has lost a fifth is never told."""

MOST = np.array([0.0, 0.0, 0.0, 0.9, 0.9, 0.8, 9.0, 9.0, 0.0, 0.0, 1.4, 1.0, 0.9])
LEAST = np.array([0.0, 0.0, 0.0, -0.9, -0.9, -0.8, -6.0, -9.0, 0.0, 0.0, -1.4, -1.0, -0.9])
"""How far the truck's own values may lie from the prior. A valve not so far below: play and lag make it open
later, and one that is thought to open early passes for stuck when it does not."""

FAULT_MEAN, FAULT_SD, FAULT_LEAST, FAULT_MOST, FAULT_WANDER = 0, 1, 2, 3, 4
"""Columns of ``FAULTS``; the wander is per root hour: faults grow."""

FAULTS = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0],  # healthy
        [0.0, 0.0, 0.0, 0.0, 0.0],  # shut
        [math.log(0.4), 0.3, math.log(0.22), math.log(0.65), 0.15],  # low: ln of what is left
        [0.0, 0.0, 0.0, 0.0, 0.0],  # open
        [math.log(0.15), 0.5, math.log(0.05), math.log(0.35), 0.15],  # air: ln of what is left
        [math.log(0.28), 0.35, math.log(0.15), math.log(0.5), 0.15],  # flow: ln of what is left
        [0.08, 0.05, 0.015, 0.5, 0.02],  # slip: share of the locked power
        [0.0, 0.0, 0.0, 0.0, 0.0],  # sensor: weighed elsewhere (``models.sensor_watch``)
    ]
)
"""The number of a fault, by hypothesis: mean, spread, least, most, wander."""

EXTRA_TAU_S = 900.0
"""How long what the heat's estimate gets wrong lasts [s]; own choice. A minute, and a steady error of the
estimate would be taken for new evidence in every window."""

BETWEEN_SHARE = 0.4
"""Error of the heat that goes between fluid and metal, as a share of it [-]; own choice: castings have many
nodes, and a cold start with a hard launch shows it."""

HEAT_BLUR = 0.6
"""Share of the heat's error that is of one window alone [-]; own choice."""

FLUID_SD_K = 0.15
"""What two nodes get wrong, per root minute [K]; own choice: doubling it delays."""

SITE_SD_K = 0.5
"""The same beyond the converter and in the cooler's line [K]; own choice."""

AFTER_GAP_SD_K = 6.0
"""How far the sump may be from another place's reading after a gap [K]; own choice."""

READING_SD_K = 0.35
"""Error of a reading [K]: noise, and the rounding of a coarse sensor."""

LINE_SD_K = 2.0
"""Error of a reading of the line to the cooler [K], with hot fluid flowing; own choice."""

BACK_SD_K = 1.5
BACK_SHARE = 0.06
"""Error of what is foretold of the line back from the cooler [K], and as a share of what the cooler takes off
the fluid [-]; own choice. At 3 K and 0.18 fewer of the coolers that lost half of their air are found."""

RISE_SHARE = 0.25
"""Error of a reading beyond the converter, as a share of its rise over the sump [-]: the flow is not known,
least of all in cold fluid. Own choice."""

OPENS_LATE_K = 2.0
"""How far above its stated opening a healthy valve lets hardly anything flow yet [K]: lag and play. Own
choice."""

FLOWS_SHARE = 0.9
"""Share of the sump's rise over the air that a line shows when something flows [-]; a shut valve's leak warms
it less far. Own choice."""

FLOWS_BELOW_K = 10.0
"""How far below the valve's opening a line with flow may read [K]; own choice."""

RISE_UNSURE = 0.2
"""Error of how far the sump has risen since the line last told it, as a share of that [-]: the heat capacity
is not learned. Own choice; half of it raises false alarms on heavy trucks."""

LINE_AFTER_GAP_SD_K = 15.0
"""How far the line to the cooler may be from the sump after a gap [K]; own choice."""

COOLED_SHARE = 0.3
"""Error of what is left of the sump's rise over the line after a gap, as a share of it [-]; own choice."""

STILL_SHARE = 1.0
"""Error of such a reading while the line stands still, as a share of the fluid's rise over the air [-]."""
