"""A real browser without a window, driven by Playwright, and axe-core's look at a page."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.alerts.browser import chromium, need_chromium

PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 900}
WALL = {"width": 2560, "height": 1300}


@contextmanager
def browser() -> Iterator[Browser]:
    """Start Debian's Chromium."""
    need_chromium()
    with sync_playwright() as player:
        started = player.chromium.launch(
            executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield started
        finally:
            started.close()


def serious(page: Page) -> list[str]:
    """Give what axe-core finds serious or critical on a page, by WCAG 2.2 A and AA and its best practice."""
    found = Axe().run(page)
    return [
        f"{each['id']}: {each['help']} ({node['html'][:120]})"
        for each in found.response["violations"]
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]


def wide(page: Page) -> int:
    """Give by how many pixels a page is wider than its window."""
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))
