"""Alarms about Heatbook itself: a file a condition, listed in ``conditions.py``."""
