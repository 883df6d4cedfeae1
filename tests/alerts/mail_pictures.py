"""Pictures of all our mails on a phone: ``python -m tests.alerts.mail_pictures FOLDER [NAME ...]``."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.alerts.browser import chromium, shoot, whole
from tests.alerts.mail_scenes import scenes


def main(folder: Path, names: list[str]) -> None:
    """Write each mail as page and, where there is a browser, as pictures by day and by night."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, mail in scenes().items():
        if names and name not in names:
            continue
        page = whole(mail)
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
        (folder / f"{name}.txt").write_text(f"{mail.subject}\n\n{mail.body}", encoding="utf-8")
        if chromium():
            shoot(page, folder / f"{name}.png")
            shoot(page, folder / f"{name}-dark.png", dark=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
