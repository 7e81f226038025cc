"""Writes the network's folder, as a person would have written it, with the places where this run's data are."""

from __future__ import annotations

import shutil
from pathlib import Path

WRITTEN = Path(__file__).parent / "network"
RULES = WRITTEN.parent.parent / "rules"
WRITTEN_ADDRESS = "http://127.0.0.1:8080/readings.csv"
WRITTEN_MAIL_PORT = "port = 2525"
WRITTEN_TEXTS = "json://127.0.0.1:8081/"


def write_live(folder: Path, address: str, mail_port: int, text_port: int) -> None:
    """Write the network's folder for a run against the local data service, mail box and text box."""
    _write(
        folder,
        {
            WRITTEN_ADDRESS: address,
            WRITTEN_MAIL_PORT: f"port = {mail_port}",
            WRITTEN_TEXTS: f"json://127.0.0.1:{text_port}/",
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


def _write(folder: Path, replacements: dict[str, str]) -> None:
    (folder / "rules").mkdir(parents=True, exist_ok=True)
    text = (WRITTEN / "network.toml").read_text(encoding="utf-8")
    for written, wanted in replacements.items():
        if written not in text:
            raise ValueError(f"demo/network/network.toml no longer says {written!r}")
        text = text.replace(written, wanted)
    (folder / "network.toml").write_text(text, encoding="utf-8")
    shutil.copy(WRITTEN / "stations.csv", folder)
    for rule in RULES.glob("*.toml"):
        shutil.copy(rule, folder / "rules")
