"""Under which licence each dependency is, by its own metadata; which ask something of who passes it on."""

from __future__ import annotations

import re
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, metadata

from tests.supply.lock import Locked

ASKING = re.compile(
    r"GPL|EUPL|CDDL|SSPL|MPL|Mozilla|EPL|Eclipse|CC-BY-SA|Commons Clause|BUSL|Proprietary",
    re.IGNORECASE,
)
"""Licences that ask for the source of the thing itself, or of what it is part of, to be passed on."""

KNOWN_TO_ASK = {
    "certifi": "MPL-2.0: a list of certificates, passed on as it is",
    "paho-mqtt": "EPL-2.0 or BSD-3-Clause, as one likes: taken under the second",
    "pathspec": "MPL-2.0: used to build a wheel, passed on with nothing",
}
"""What was looked at: nothing of ours is part of them, and none was changed."""


def licence_of(name: str) -> str | None:
    """Give the licence of an installed package, None where it is not installed here."""
    try:
        told = metadata(name).json
    except PackageNotFoundError:
        return None
    if expression := told.get("license_expression"):
        return str(expression)
    short = str(told.get("license", "")).strip()
    if short and "\n" not in short and len(short) <= 40:
        return short
    classed = [each for each in told.get("classifier", ()) if each.startswith("License ::")]
    return ", ".join(each.rpartition(" :: ")[2] for each in classed)


def asking(locked: Iterable[Locked]) -> dict[str, str]:
    """Give those whose licence asks something, with it."""
    found = {each.name: licence_of(each.name) or "" for each in locked}
    return {name: licence for name, licence in found.items() if ASKING.search(licence)}
