"""The words of every kind of alarm."""

from __future__ import annotations

from models import silence
from models.detectors import DETECTORS
from models.words import WriteWords

WORDS: dict[str, WriteWords] = {
    **{detector.kind: detector.words for detector in DETECTORS},
    silence.KIND: silence.words,
}
"""How each kind words its evidence."""
