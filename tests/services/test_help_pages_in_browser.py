"""The pages for who gets a notice, as a phone shows them: a real browser lays them out 380 pixels wide."""

from __future__ import annotations

import html
import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.services import test_browser
from tests.services.test_browser import FRAME, WIDTH, browse
from tests.telling.veldran import network
from watchman.board import page
from watchman.store import Store

pytestmark = test_browser.pytestmark

CSS = (Path(page.__file__).parent / "static" / "board.css").read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("address", ["/help", "/help/overdue", "/help/limit"])
def test_a_page_fits_a_phone(address: str, scheme: str, tmp_path: Path) -> None:
    """Nothing is wider than the screen, whatever the scheme."""
    app = page.create_app(
        Store.open("sqlite://", Path()), network(), "sixteen letters and more", lambda: datetime.now(UTC)
    )
    text = app.test_client().get(address).text
    styled = re.sub(r'<link rel="stylesheet"[^>]*>', lambda _: f"<style>{CSS}</style>", text)
    assert styled != text
    framed = FRAME.format(width=WIDTH, page=html.escape(styled))
    written = re.search(r'data-seen="([^"]*)"', browse(framed, tmp_path, scheme, "--dump-dom"))
    assert written is not None
    seen = json.loads(html.unescape(written[1]))
    assert (seen["window"], seen["page"], seen["wide"]) == (WIDTH, WIDTH, [])
