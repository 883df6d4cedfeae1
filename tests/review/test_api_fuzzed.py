"""The API asked by schemathesis over the invented fleet's day: with what fits, and with what does not.

The reference is the description itself, as schemathesis reads it: no answer of 5xx, no status, content type,
header or body that is not described, nothing taken that does not fit, nothing refused that does, nothing
shown to who has no token or a bad one, 405 with Allow for methods that are not there.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from review.access import tokens
from tests.review.api_stage import api_stage

CONFIG = Path(__file__).parent / "schemathesis" / "schemathesis.toml"
HOOKS = {"SCHEMATHESIS_HOOKS": "hooks", "PYTHONPATH": str(CONFIG.parent), "COLUMNS": "120"}
EXAMPLES = 4
"""Examples of each operation beside those of the boundaries, which are many more."""


@pytest.mark.timeout(600)
def test_no_answer_breaks_the_description(tmp_path: Path) -> None:
    with api_stage(tmp_path) as stage:
        command = [
            *(sys.executable, "-m", "schemathesis.cli", "--config-file", str(CONFIG)),
            *("run", f"{stage.url}/api/v1/openapi.json"),
            *("--header", f"Authorization: Bearer {stage.token(*tokens.Scope)}"),
            *("--max-examples", str(EXAMPLES), "--phases", "examples,coverage,fuzzing"),
            *("--checks", "all", "--no-color"),
        ]
        done = subprocess.run(  # noqa: S603 - our own words
            command,
            cwd=tmp_path,
            env={**os.environ, **HOOKS},
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    assert "Tested: 27" in done.stdout, done.stdout[-3000:]
