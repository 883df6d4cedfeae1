"""``make sbom``: what Heatbook is put together from, as CycloneDX 1.6, for whoever has to know.

The tool's own list names the registry and tells no licences; both are mended here. The same lock gives the
same bytes.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.utils import canonicalize_name

from tests.supply.licences import licence_of
from tests.supply.lock import LOCKS, ROOT

MADE = ROOT / "dist" / "heatbook.cdx.json"


def bill() -> dict[str, Any]:
    """Make the list, checked against the schema."""
    found = _from_the_tool()
    for component in found["components"]:
        component.pop("description", None)
        component["hashes"] = _hashes(component.pop("externalReferences", ()))
        licence = licence_of(canonicalize_name(component["name"]))
        if licence:
            component["licenses"] = [{"license": {"name": licence}}]
    for tool in found["metadata"].get("tools", {}).get("components", ()):
        tool.pop("externalReferences", None)
    root = found["metadata"]["component"]["bom-ref"]
    found["dependencies"] = [
        *(each for each in found["dependencies"] if each["ref"] != root),
        {"ref": root, "dependsOn": sorted(each["bom-ref"] for each in found["components"])},
    ]
    if fault := JsonStrictValidator(SchemaVersion.V1_6).validate_str(json.dumps(found)):
        raise ValueError(f"not CycloneDX 1.6: {fault}")
    return found


def _from_the_tool() -> dict[str, Any]:
    tool = Path(sys.executable).with_name("cyclonedx-py")
    with tempfile.TemporaryDirectory(prefix="heatbook-sbom-") as folder:
        out = Path(folder) / "sbom.json"
        words = [
            str(tool),
            "requirements",
            str(LOCKS["run"]),
            "--pyproject",
            str(ROOT / "pyproject.toml"),
        ]
        words += ["--sv", "1.6", "--output-reproducible", "--no-validate", "-o", str(out)]
        subprocess.run(words, check=True, capture_output=True, timeout=120)  # noqa: S603 - our own
        made: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        return made


def _hashes(references: Any) -> list[dict[str, str]]:
    """Give the hashes of the lock, which the tool hangs on an address."""
    return [each for reference in references for each in reference.get("hashes", ())]


def main() -> None:
    """Write the list."""
    found = bill()
    MADE.parent.mkdir(exist_ok=True)
    MADE.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    sys.stdout.write(f"{MADE.relative_to(ROOT)}: {len(found['components'])} components\n")


if __name__ == "__main__":
    main()
