"""Mails as a phone shows them: a real browser lays them out 380 pixels wide, in light and in dark."""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from PIL import Image

from tests.telling.mails import illustrated
from watchman.telling import charts
from watchman.telling.compose import standing_alone

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="needs a browser: apt install chromium")

WIDTH = 380
GROUNDS = {"light": (255, 255, 255), "dark": (0x14, 0x19, 0x1D)}
FRAME = """<!doctype html><html><body style="margin:0">
<iframe style="border:0" width="{width}" height="3000" srcdoc="{page}"></iframe>
<script>
addEventListener("load", () => {{
  const inside = document.querySelector("iframe").contentWindow;
  const all = [...inside.document.querySelectorAll("body *")];
  const named = chosen => all.filter(chosen).map(one => one.tagName + ": " + one.textContent.slice(0, 40));
  document.body.dataset.seen = JSON.stringify({{
    window: inside.innerWidth,
    page: inside.document.documentElement.scrollWidth,
    wide: named(one => one.getBoundingClientRect().right > inside.innerWidth + 0.5),
    small: named(one => parseFloat(inside.getComputedStyle(one).fontSize) < 16),
    images: [...inside.document.images].map(one => [one.naturalWidth, one.getBoundingClientRect().width]),
  }});
}});
</script></body></html>"""
"""A page that shows another one in a frame as wide as a phone, since a window can't be so narrow, and measures it."""


def browse(page: str, folder: Path, scheme: str, *wanted: str) -> str:
    """Have the browser lay out a page 380 pixels wide, and return what it writes."""
    path = folder / "mail.html"
    path.write_text(page, encoding="utf-8")
    command = [
        str(BROWSER),
        "--headless",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}",
        f"--window-size={WIDTH},3000",
        f"--blink-settings=preferredColorScheme={1 if scheme == 'light' else 0}",
        *(["--no-sandbox"] if os.geteuid() == 0 else []),
        *wanted,
        path.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    return done.stdout


@pytest.mark.parametrize("name", ["clogged", "battery", "storm", "silent", "week"])
def test_nothing_is_wider_than_the_phone_and_no_letter_too_small(name: str, tmp_path: Path) -> None:
    """Nobody has to push the page about; every picture is there, as wide as the text."""
    words = illustrated()[name]
    framed = FRAME.format(width=WIDTH, page=html.escape(standing_alone(words)))
    dom = browse(framed, tmp_path, "light", "--dump-dom")
    written = re.search(r'data-seen="([^"]*)"', dom)
    assert written is not None
    seen = json.loads(html.unescape(written[1]))

    assert (seen["window"], seen["page"], seen["wide"]) == (WIDTH, WIDTH, [])
    assert seen["small"] == []
    assert seen["images"] == [[charts.WIDTH * charts.DOTS, WIDTH - 24]] * len(words.pictures)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_mail_is_seen_in_light_and_in_dark(scheme: str, tmp_path: Path) -> None:
    """The ground is that of the scheme, the letters stand out from it, and the picture keeps its own ground."""
    shot = tmp_path / "mail.png"
    browse(standing_alone(illustrated()["clogged"]), tmp_path, scheme, f"--screenshot={shot}")
    image = Image.open(shot).convert("RGB")

    assert image.width == WIDTH
    assert image.getpixel((2, 2)) == image.getpixel((WIDTH - 2, 2)) == GROUNDS[scheme]
    colours = {colour: count for count, colour in image.getcolors(1_000_000) or ()}
    ground = tuple(int(charts.GROUND[place : place + 2], 16) for place in (1, 3, 5))
    near = sum(
        count for colour, count in colours.items() if all(abs(a - b) <= 3 for a, b in zip(colour, ground, strict=True))
    )
    assert near > 50_000
    letters = (0xE7, 0xEB, 0xEE) if scheme == "dark" else (0x1D, 0x28, 0x30)
    assert colours.get(letters, 0) > 500
