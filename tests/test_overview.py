"""What `status` prints: each station's rain in the network's unit, and why a station is set aside."""

from __future__ import annotations

from typing import Any

from watchman import overview


def station(name: str, **changed: Any) -> dict[str, Any]:
    given = {
        "name": name,
        "silent_minutes": 5,
        "rain_24h_mm": 14.2,
        "battery_v": 3.92,
        "in_service": True,
        "status": "",
    }
    return given | changed


def test_status_follows_the_networks_unit() -> None:
    """14.2 mm are 0.559 inch: rounded down."""
    facts = {"network": "Veldran Hills", "units": "mm", "stations": [station("Hollin Dam")], "alarms": []}
    assert "Hollin Dam              5 min ago    14.2 mm   3.92 V\n" in overview.as_text(facts)
    assert "Hollin Dam              5 min ago  0.55 inch   3.92 V\n" in overview.as_text(facts | {"units": "inch"})


def test_status_says_why_a_station_is_set_aside() -> None:
    """Stolen, stood down and relocating stand in stations.csv; a visit is only "out of service"."""
    aside = [station(word, status=word, in_service=False) for word in ("stolen", "stood down", "relocating")]
    stations = [*aside, station("Hollin Dam", in_service=False), station("Larkmoor")]
    text = overview.as_text({"network": "Veldran Hills", "units": "mm", "stations": stations, "alarms": []})
    ends = [line.split("3.92 V")[1].strip() for line in text.splitlines() if "3.92 V" in line]
    assert ends == ["stolen", "stood down", "relocating", "out of service", ""]
