"""Writes the network's folder, as a person would have written it, with the places where this run's data are."""

from __future__ import annotations

import shutil
from pathlib import Path

WRITTEN = Path(__file__).parent / "network"
RULES = WRITTEN.parent.parent / "rules"
WRITTEN_ADDRESS = "http://127.0.0.1:8080/readings.csv"
WRITTEN_MAIL_PORT = "port = 2525"
WRITTEN_TEXTS = "json://127.0.0.1:8081/"
WRITTEN_BOARD = "127.0.0.1:8470"
DAY_LIMIT = '  { depth_mm = 50, hours = 24, severity = "severe" },\n'
"""The hills' own limits of heavy rain have none for a day."""


def write_live(folder: Path, address: str, mail_port: int, text_port: int, board_port: int) -> None:
    """Write the network's folder for a run against the local data service, mail box and text box, with its board."""
    _write(
        folder,
        {
            WRITTEN_ADDRESS: address,
            WRITTEN_MAIL_PORT: f"port = {mail_port}",
            WRITTEN_TEXTS: f"json://127.0.0.1:{text_port}/",
            WRITTEN_BOARD: f"127.0.0.1:{board_port}",
        },
    )


def write_replayable(folder: Path) -> None:
    """Write the network's folder for a replay of the file readings.csv beside it, which says when each row arrived."""
    _write(
        folder,
        {
            f'address = "{WRITTEN_ADDRESS}?since={{since}}"': 'path = "readings.csv"',
        },
    )
    close_down(folder)


def close_down(folder: Path) -> None:
    """Take out of a folder what nobody serves after the run, so that commands on it need no secret."""
    path = folder / "network.toml"
    before, _, rest = path.read_text(encoding="utf-8").partition("[board]")
    _, _, after = rest.partition("[[calendars]]")
    path.write_text(f"{before}[[calendars]]{after}", encoding="utf-8")


def _write(folder: Path, replacements: dict[str, str]) -> None:
    (folder / "rules").mkdir(parents=True, exist_ok=True)
    text = (WRITTEN / "network.toml").read_text(encoding="utf-8")
    for written, wanted in replacements.items():
        if written not in text:
            raise ValueError(f"demo/network/network.toml no longer says {written!r}")
        text = text.replace(written, wanted)
    (folder / "network.toml").write_text(text, encoding="utf-8")
    for name in ("stations.csv", "visits.ics"):
        shutil.copy(WRITTEN / name, folder)
    for rule in RULES.glob("*.toml"):
        shutil.copy(rule, folder / "rules")
    heavy_rain = folder / "rules" / "heavy-rain.toml"
    limits = heavy_rain.read_text(encoding="utf-8")
    if DAY_LIMIT not in limits:
        raise ValueError("rules/heavy-rain.toml has no limit for a day any more")
    heavy_rain.write_text(limits.replace(DAY_LIMIT, ""), encoding="utf-8")
