"""The kinds of alarms and their words."""

from __future__ import annotations

from alerts.own.conditions import OWN_WORDS
from models import silence
from models.detectors import DETECTORS
from models.words import WriteWords

WORDS: dict[str, WriteWords] = {
    **{detector.kind: detector.words for detector in DETECTORS},
    silence.KIND: silence.words,
}
"""How each kind that a truck can have words its evidence."""

EVERY_KIND = (*WORDS, *OWN_WORDS)
"""Those, and the kinds of alarms about Heatbook itself."""
