"""Start Heatbook.

A wheel owns one import name, ``heatbook``, and carries the packages beside it in ``_app``; a
checkout has them at its top level, on the path already.
"""

import sys
from pathlib import Path

_APP = Path(__file__).with_name("_app")
if _APP.is_dir():
    sys.path.insert(0, str(_APP))

from review.model_version import keep_compiled  # noqa: E402 -- the path above must be set first

keep_compiled()

from deploy.cli import main  # noqa: E402 -- compiled code must have its place first

__all__ = ["main"]
