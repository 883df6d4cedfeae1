"""The ways a notice leaves: one file each."""
