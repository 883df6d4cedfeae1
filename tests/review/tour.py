"""The pictures of the README's tour, taken of the running demo: ``python -m tests.review.tour [FOLDER]``.

Starts the demo, signs in with the password it prints, waits until its day is under way, looks at each page.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.alerts.browser import chromium

FOLDER = Path(__file__).parents[2] / "review" / "tour"
DESK, PHONE = (1280, 860), (390, 780)
COLOURS = 64
"""A page has few colours: so many keep a picture small."""

FAILED = "/review/NF-08?until=2026-03-19"
PATIENCE_MS = 120_000


@contextmanager
def demo(folder: Path) -> Iterator[tuple[str, str]]:
    """Run the demo; give its address and password."""
    command = [sys.executable, "-c", "import heatbook; heatbook.main()", "demo"]
    with subprocess.Popen(  # noqa: S603 -- our own interpreter and code
        [*command, "--speed", "60", "--folder", str(folder / "demo")],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        try:
            yield _door(process)
        finally:
            process.terminate()


def _door(process: subprocess.Popen[str]) -> tuple[str, str]:
    for line in process.stdout or ():
        found = re.search(r"(http://\S+?)/\s+name: \w+\s+password: (\S+)", line)
        if found:
            return found[1], found[2]
    raise RuntimeError("the demo has ended before it said where its console is")


class Guide:
    """Somebody who is signed in and takes pictures."""

    def __init__(self, browser: Browser, url: str, password: str, folder: Path) -> None:
        self._browser, self._url, self._password = browser, url, password
        self._folder = folder

    def look(self, size: tuple[int, int], *, dark: bool = False) -> Page:
        """Open a window and sign in."""
        width, height = size
        context = self._browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
        )
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.goto(self._url + "/sign-in")
        page.get_by_label("Name").fill("Ines")
        page.get_by_label("Password", exact=True).fill(self._password)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(self._url + "/")
        return page

    def shot(self, page: Page, path: str, *, height: int = 0) -> Image.Image:
        """Go to a page and photograph its window, or so much of it from the top."""
        page.goto(self._url + path)
        page.wait_for_timeout(2_500)  # charts draw themselves
        if height == 0:
            return _image(page.screenshot())
        whole = _image(page.screenshot(full_page=True))
        return whole.crop((0, 0, whole.width, min(height, whole.height)))

    def keep(self, picture: Image.Image, name: str) -> None:
        """Keep a picture, small."""
        self._folder.mkdir(parents=True, exist_ok=True)
        few = picture.convert("RGB").quantize(COLOURS)
        few.save(self._folder / f"{name}.png", optimize=True)


def _image(body: bytes) -> Image.Image:
    return Image.open(BytesIO(body))


def on_the_desk(guide: Guide) -> None:
    """Take what a desk shows."""
    page = guide.look(DESK)
    while "Cooler bypass valve stuck" not in page.locator("#needs").inner_text():
        page.wait_for_timeout(5_000)
    for name, path, height in (
        ("today", "/", 1_250),
        ("truck", "/trucks/NF-03", 1_500),
        ("history", "/trucks/NF-03/history", 1_050),
        ("services", "/services", 1_300),
        ("review", FAILED, 1_700),
        ("people", "/people", 1_150),
    ):
        guide.keep(guide.shot(page, path, height=height), name)
    page.goto(page.url.partition("/people")[0] + "/alarms")
    page.get_by_role("link", name="Cooler bypass valve stuck").first.click()
    guide.keep(guide.shot(page, "/" + page.url.split("/", 3)[3], height=1_600), "alarm")


def asked_for(guide: Guide, url: str) -> None:
    """Take what is computed when it is asked for."""
    page = guide.look(DESK)
    page.goto(f"{url}/what-if/NF-05")
    page.get_by_role("button", name="Ask").click()
    page.wait_for_load_state()
    page.wait_for_timeout(20_000)
    guide.keep(_image(page.screenshot(full_page=True)).crop((0, 0, 1_280, 1_500)), "what-if")
    page.goto(f"{url}/hindsight")
    page.get_by_label("Too hot from").fill("112C")
    page.get_by_role("button", name="Look back").click()
    page.wait_for_timeout(60_000)
    guide.keep(_image(page.screenshot(full_page=True)).crop((0, 0, 1_280, 1_500)), "hindsight")


def on_a_phone(guide: Guide) -> None:
    """Take three screens of a phone, side by side."""
    page = guide.look(PHONE)
    shots = [guide.shot(page, path) for path in ("/", "/trucks/NF-03", "/trucks/NF-03/service")]
    width = sum(each.width for each in shots) + 40 * (len(shots) - 1)
    row = Image.new("RGB", (width, PHONE[1]), "#888888")
    for place, each in enumerate(shots):
        row.paste(each, (place * (PHONE[0] + 40), 0))
    guide.keep(row, "phone")


def by_night(guide: Guide) -> None:
    """Take a page as it is by night."""
    guide.keep(guide.shot(guide.look(DESK, dark=True), "/system", height=1_300), "system")


def on_paper(guide: Guide, url: str, folder: Path) -> None:
    """Take a work sheet, and the first two pages of the report for a claim."""
    page = guide.look(DESK)
    page.goto(f"{url}/services/sheet/NF-07")
    page.pdf(path=folder / "sheet.pdf", format="A4", prefer_css_page_size=True)
    answer = page.context.request.get(f"{url}/review/NF-08/report.pdf?until=2026-03-19")
    (folder / "report.pdf").write_bytes(answer.body())
    guide.keep(_page(folder / "sheet.pdf", 1), "sheet")
    first, second = (_page(folder / "report.pdf", number) for number in (1, 2))
    both = Image.new("RGB", (first.width + second.width + 20, first.height), "#888888")
    both.paste(first, (0, 0))
    both.paste(second, (first.width + 20, 0))
    guide.keep(both, "report")


def _page(file: Path, number: int) -> Image.Image:
    how = ["-r", "72", "-png", "-f", str(number), "-l", str(number), str(file)]
    done = subprocess.run(["pdftoppm", *how], capture_output=True, check=True)  # noqa: S603, S607 - of poppler
    return _image(done.stdout)


def main(folder: Path) -> None:
    """Take them all."""
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"]
        )
        with demo(Path(scratch)) as (url, password):
            guide = Guide(browser, url, password, folder)
            time.sleep(95.0)  # the climb of NF-03 is at 07:07 of its day
            asked_for(guide, url)
            on_the_desk(guide)
            on_a_phone(guide)
            by_night(guide)
            on_paper(guide, url, Path(scratch))
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
