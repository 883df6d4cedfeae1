"""What can be wrong with the store."""

from __future__ import annotations


class StoreError(Exception):
    """The store cannot be used; the message says why and how to mend it."""


class StoreBusy(StoreError):
    """Another process writes to the store."""
