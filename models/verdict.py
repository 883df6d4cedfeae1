"""How sure the heat balance must be before anybody is told: the thresholds the detectors share."""

from __future__ import annotations

SURE = 0.995
"""Probability that the cooling circuit is at fault at which the alarm is raised [-]. At 0.9995
it comes one or two minutes later."""

LIKELIEST = 0.6
"""Probability that the cooler is cut off, and not merely poor, that the alarm needs besides [-]."""

DOUBTED = 0.5
"""Probability of a fault below which a raised alarm is no longer upheld [-]."""
