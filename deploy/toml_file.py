"""Read a TOML file that people wrote; whatever it holds, it is a table or a problem that says why not."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from deploy.problems import unreadable
from review.problems import BadSettings, Problem


def read_toml(path: Path) -> dict[str, Any]:
    """Read a file.

    Raises
    ------
    BadSettings
        It cannot be read, or is not TOML.
    """
    try:
        return tomllib.loads(path.read_bytes().decode())
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadSettings([unreadable(path, error)]) from error
    except RecursionError:
        raise _not_toml(
            path, "it is nested too deeply", "write lists and tables flat"
        ) from None
    except ValueError:  # a whole number of thousands of digits: the language refuses to read it
        raise _not_toml(path, "a number is too long", "mend that number") from None


def _not_toml(path: Path, why: str, mend: str) -> BadSettings:
    return BadSettings([Problem(path=str(path), what=f"not TOML: {why}", mend=mend)])
