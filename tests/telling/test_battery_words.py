"""What is said of batteries: each cause with what to bring, the weather as one line, and all of it in one text."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.telling.veldran import alarm, at, battery, contact, network, notice
from watchman.model import Alarm, EventKind
from watchman.telling import compose
from watchman.telling.gsm import septets

LINK = "https://watch.example.org/a/NDE6dGVjaC0xOjE3.Yk3hQ2vTqPz8Lw"
NOT_CHARGING = {
    "days_without": 3,
    "days_counted": 5,
    "days_needed": 3,
    "frosty_days": 0,
    "rise_mv": 2.0,
    "usual_rise_mv": 140.0,
    "percent_of_usual": 1.0,
    "peers_percent_of_usual": 95.0,
    "dawn_v": 3.31,
    "limit_percent": 20.0,
}
WEATHER = {
    "cause": "weather",
    "cold": True,
    "falling": 9,
    "judged": 11,
    "days_left": 14.0,
    "batteries": [
        {"station": "larkmoor", "days_left": 14.0},
        {"station": "eskwater", "days_left": 17.4},
        {"station": "kettle", "days_left": 21.0},
    ],
}


def text(of: Alarm, channel: str = "text", link: str = "") -> str:
    """Return the words of one notice to tech-1, in the morning of 27 October."""
    row = notice(of, EventKind.RAISED, channel, "2025-10-27T07:00")
    words = compose.words(
        row, of, EventKind.RAISED, contact("tech-1", "technician"), network(), at("2025-10-27T07:00"), link=link
    )
    assert words.trouble == ""
    assert channel != "text" or septets(words.text) <= 160
    return words.text


def weather(**numbers: Any) -> Alarm:
    return alarm(47, "battery-decline", "network", "2025-10-25T06:00", WEATHER | numbers)


@pytest.mark.parametrize(
    ("sign", "numbers", "said"),
    [
        ("cut", {}, "about 6 days left (4-9), no charge by day. 9 of 11 nearby filled. Panel lead cut or loose?"),
        ("ageing", {"autonomy_days": 3.2}, "about 6 days left (4-9), holds 3 days without sun."),
        ("dies at night", {"hours_lost": 14}, "battery dies at night: 14 h lost in 2 days, back by day."),
        ("declining", {"days_not_full": 0}, "falling faster than its neighbours. Panel, old cell or extra load?"),
        ("floor", {"days_left": None, "days_not_full": 0}, "battery at 3.61 V at dawn, may go off any night."),
    ],
)
def test_each_cause_has_its_words_and_its_load(sign: str, numbers: dict[str, Any], said: str) -> None:
    """The same days, another thing in the van."""
    words = text(battery(sign=sign, **numbers))

    assert said in words
    assert "Bring" in words


def test_the_weather_is_one_line_sorted_by_days_left() -> None:
    """Nobody is accused, nobody is sent."""
    assert text(weather()) == (
        "Veldran Hills: cold lowers 9 of 11 batteries. Days left: Larkmoor 14, Eskwater Fd 17. Then Kettle Weir 21. "
        "The weather, no fault. Weakest first if you go."
    )
    assert "Eskwater Ford  about 17 days left" in text(weather(), "mail")
    assert text(weather(cold=False)).startswith("Veldran Hills: cloud lowers")


def test_a_battery_that_does_not_charge() -> None:
    """What was measured, what is usual, what to load."""
    words = alarm(48, "not-charging", "station:larkmoor", "2025-10-24T06:00", NOT_CHARGING)

    assert text(words) == (
        "Larkmoor not charging for 3 days; neighbours charge. Volts rose 2 mV by day, usually 140. "
        "Panel lead cut? Bring panel lead, meter, wipes, cell. No. 48."
    )
    assert "Panel lead cut?" not in text(words, link=LINK) or len(text(words, link=LINK)) <= 160


def test_what_is_not_known_is_not_said() -> None:
    """Numbers that are missing break nothing."""
    nothing = {name: None for name, value in NOT_CHARGING.items() if isinstance(value, float)} | {"limit_percent": 20.0}
    silent = alarm(48, "not-charging", "station:larkmoor", "2025-10-24T06:00", NOT_CHARGING | nothing)

    for channel in ("text", "mail"):
        assert "None" not in text(silent, channel)
        assert "None" not in text(replace(battery(came_in_percent=None, autonomy_days=None)), channel)


@pytest.mark.parametrize("check", ["battery-decline", "not-charging"])
@pytest.mark.parametrize("verdict", ["present", "absent", "undetermined"])
@pytest.mark.parametrize("sign", ["", "declining", "floor", "ageing", "shaded", "cut", "dies at night"])
def test_why_answers_whatever_the_verdict(check: str, verdict: str, sign: str) -> None:
    """With its numbers and the limit; also where nothing is known."""
    known = NOT_CHARGING if check == "not-charging" else dict(battery(sign=sign).numbers)
    unknown = {key: None if isinstance(value, float) and "limit" not in key else value for key, value in known.items()}
    for numbers in (known, unknown) if not sign else (known,):
        facts = {"n": numbers, "verdict": verdict, "reason": "no volts at dawn"}
        said = compose.account(check, facts, network(), at("2025-10-27T07:00"))
        assert said
        assert "None" not in said
