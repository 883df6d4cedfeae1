"""A real browser without a window, to see how a mail's page comes out on a phone, by day and by night."""

from __future__ import annotations

import base64
import html
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from alerts.notice import Notice

WIDTH, NARROW, ROOM = 390, 360, 500
"""Width of a phone in its own pixels, and of a small one; a window cannot be narrower than the last."""

_LOOK = """
const frame = document.querySelector('iframe');
const within = frame.contentWindow;
const page = within.document;
const parse = text => {
  const found = text.match(/[\\d.]+/g).map(Number);
  return found.length === 3 ? [...found, 1] : found;
};
const ground = element => {
  for (let each = element; each; each = each.parentElement) {
    const colour = parse(within.getComputedStyle(each).backgroundColor);
    if (colour[3] === 1) return colour;
  }
  return [255, 255, 255, 1];
};
const pairs = [];
const texts = page.createTreeWalker(page.body, NodeFilter.SHOW_TEXT);
while (texts.nextNode()) {
  const text = texts.currentNode.textContent.trim();
  if (!text) continue;
  const element = texts.currentNode.parentElement;
  const ink = parse(within.getComputedStyle(element).color);
  pairs.push({text: text.slice(0, 40), ink: ink.slice(0, 3), ground: ground(element).slice(0, 3)});
}
const small = [...page.querySelectorAll('a')].map(each => each.getBoundingClientRect().height);
const seen = {
  height: page.documentElement.scrollHeight,
  width: page.documentElement.scrollWidth,
  dark: within.matchMedia('(prefers-color-scheme: dark)').matches,
  pairs: pairs,
  links: small,
  headings: [...page.querySelectorAll('h1,h2,h3')].map(each => Number(each.tagName[1])),
};
const place = document.createElement('script');
place.type = 'application/json';
place.id = 'seen';
place.textContent = JSON.stringify(seen);
document.body.append(place);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A text, the colour it is written in and the one it stands on, 0 to 255."""

    text: str
    ink: tuple[int, int, int]
    ground: tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """How a page came out: its size in pixels, its texts, the height of its links, levels of headings."""

    height: int
    width: int
    dark: bool
    pairs: tuple[Pair, ...]
    links: tuple[float, ...]
    headings: tuple[int, ...]


def chromium() -> str | None:
    return shutil.which("chromium") or shutil.which("chromium-browser")


def need_chromium() -> None:
    """Skip where there is none; in CI that is a failure."""
    if chromium() is None:
        if os.environ.get("CI"):
            pytest.fail("install chromium")
        pytest.skip("chromium is not installed")


def whole(mail: Notice) -> str:
    """Give the page of a mail with its pictures put in, as a mail program shows it."""
    page = mail.page
    for picture in mail.pictures:
        packed = base64.b64encode(picture.png).decode()
        page = page.replace(f"cid:{picture.name}", f"data:image/png;base64,{packed}")
    return page


def look(page: str, *, dark: bool = False, width: int = NARROW) -> Seen:
    """Open a page and say how it came out."""
    told = _run(page, ["--dump-dom"], dark=dark, width=width, height=800)
    packed = told.partition('id="seen">')[2].partition("</script>")[0]
    seen = json.loads(html.unescape(packed))
    return Seen(
        height=seen["height"],
        width=seen["width"],
        dark=seen["dark"],
        pairs=tuple(
            Pair(text=each["text"], ink=tuple(each["ink"]), ground=tuple(each["ground"]))
            for each in seen["pairs"]
        ),
        links=tuple(seen["links"]),
        headings=tuple(seen["headings"]),
    )


def shoot(page: str, path: Path, *, dark: bool = False) -> None:
    """Photograph a page, all of it."""
    height = look(page, dark=dark, width=WIDTH).height
    how = [f"--screenshot={path}", "--force-device-scale-factor=2"]
    _run(page, how, dark=dark, width=WIDTH, height=min(height, 7000))


def _run(page: str, how: Sequence[str], *, dark: bool, width: int, height: int) -> str:
    program = chromium()
    assert program is not None
    scheme = "dark" if dark else "light"
    frame = (
        f'<html style="color-scheme:{scheme}"><body style="margin:0;background:#888">'
        f'<iframe style="border:0;width:{width}px;height:{height}px" srcdoc="{html.escape(page)}"></iframe>'
        f"<script>window.onload = () => {{{_LOOK}}};</script></body></html>"
    )
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "page.html"
        file.write_text(frame, encoding="utf-8")
        command = [
            program,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            f"--user-data-dir={folder}/profile",
            f"--window-size={ROOM},{height}",
            f"--blink-settings=preferredColorScheme={0 if dark else 1}",
            *how,
            file.as_uri(),
        ]
        done = subprocess.run(command, capture_output=True, check=True, timeout=120)  # noqa: S603 - ours
    return done.stdout.decode()
