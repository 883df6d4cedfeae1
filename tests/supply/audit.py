"""``make audit``: what is known against the locked dependencies.

A finding fails. Where the advisories are out of reach nothing was audited: that is said loudly, and fails
with ``ARGS=--required``. The tool itself would call it "no known vulnerabilities".
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.supply.lock import LOCKS

BOUND_S = 300
"""So long one lock may take [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What came of a lock: how many were audited, how many not, and what is known against which."""

    audited: int
    missed: int
    findings: tuple[str, ...]


def judged(report: Mapping[str, Any] | None) -> Verdict:
    """Read the tool's report; None: it made none."""
    told = () if report is None else report.get("dependencies", ())
    audited = [each for each in told if "vulns" in each]
    findings = tuple(
        f"{each['name']} {each['version']}: {vuln['id']}; "
        f"mended in {', '.join(vuln.get('fix_versions', ())) or 'no version yet'}"
        for each in audited
        for vuln in each["vulns"]
    )
    return Verdict(audited=len(audited), missed=len(told) - len(audited), findings=findings)


def words_of(name: str, verdict: Verdict) -> str:
    """Say it; a lock of which nothing was audited in capitals."""
    if not verdict.audited:
        return f"{name}: NOT AUDITED: the advisories are out of reach"
    lines = [f"{name}: {verdict.audited} audited, {len(verdict.findings)} findings"]
    if verdict.missed:
        lines.append(f"{name}: NOT AUDITED: {verdict.missed}, which the advisories do not know")
    return "\n".join([*lines, *(f"  {each}" for each in verdict.findings)])


def fails(verdict: Verdict, *, required: bool) -> bool:
    """Say whether it is a failure."""
    return bool(verdict.findings) or (required and (not verdict.audited or verdict.missed > 0))


def _report(lock: Path) -> Mapping[str, Any] | None:
    tool = Path(sys.executable).with_name("pip-audit")
    with tempfile.TemporaryDirectory(prefix="heatbook-audit-") as folder:
        out = Path(folder) / "audit.json"
        words = [
            str(tool),
            "-r",
            str(lock),
            "--require-hashes",
            "--disable-pip",
            "--timeout",
            "10",
        ]
        words += ["--progress-spinner", "off", "--format", "json", "-o", str(out)]
        try:
            subprocess.run(words, check=False, capture_output=True, timeout=BOUND_S)  # noqa: S603 - our own
            found: Mapping[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        except (OSError, ValueError, subprocess.TimeoutExpired):
            return None
        return found


def main() -> int:
    """Audit both locks; give 1 where that fails."""
    parser = argparse.ArgumentParser(prog="make audit ARGS=")
    parser.add_argument(
        "--required", action="store_true", help="what was not audited fails, too"
    )
    given = parser.parse_args()
    verdicts = {name: judged(_report(lock)) for name, lock in LOCKS.items()}
    for name, verdict in verdicts.items():
        sys.stdout.write(words_of(name, verdict) + "\n")
    return int(any(fails(verdict, required=given.required) for verdict in verdicts.values()))


if __name__ == "__main__":
    sys.exit(main())
