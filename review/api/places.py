"""Where the API is."""

ROOT = "/api/v1"

PEOPLE = f"{ROOT}/"
"""The page for people: what can be asked, and what problems mean."""
