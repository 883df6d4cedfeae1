"""The detectors: one file each, listed in one tuple."""
