"""Tests, readable as a specification."""
