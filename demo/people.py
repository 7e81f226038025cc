"""The people of the story: they read what reaches their phones and boxes, and answer as people do, from outside.

They have no more than a phone and a mail box: what they copy into an answer stood in a notice to them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import requests

from demo.mailbox import Arrived
from demo.story import Reply

LETTERS = "bcdfghjkmnpqrtvwxz"
CODE = re.compile(rf"\b[0-9]+[{LETTERS}]{{3}}\b")
OWN_CODE = re.compile(rf"\b2H ([{LETTERS}]{{5}})\b")
LINK = re.compile(r"https?://[^\s/]+/\w+")
GUESSED = "bcd"
SECRETS = {"board_key": "nothing here is secret", "texts_key": "nor-is-this-one-secret"}
"""What network.toml names; the second is known to the text gateway too."""


@dataclass(frozen=True, slots=True)
class Sent:
    """An answer as it was sent. words: what was written, or pressed; "" when there was no notice to answer.

    status: what the machine at the other end said (HTTP).
    """

    reply: Reply
    words: str
    status: int


class People:
    """Everybody who answers. arrived: what has reached them so far."""

    def __init__(self, folder: Path, arrived: Sequence[Arrived]) -> None:
        written = tomllib.loads((folder / "network.toml").read_text(encoding="utf-8"))
        self.arrived = arrived
        self.board = written["board"]["address"]
        self.hook = f"{self.board}/texts/{SECRETS['texts_key']}"
        self.phones = {contact["name"]: contact.get("phone", "") for contact in written["contacts"]}

    def answer(self, reply: Reply) -> Sent:
        """Send one answer, by the text gateway or by a button on the board."""
        if reply.way == "board":
            return self._press(reply)
        letters = self._letters(reply)
        if letters is None:
            return Sent(reply, "", 0)
        words = reply.says.format(code=letters, guess=letters)
        phone = self.phones.get(reply.phone, reply.phone) or self.phones[reply.who]
        answer = requests.post(self.hook, data={"from": phone, "text": words}, timeout=10)
        return Sent(reply, words, answer.status_code)

    def _letters(self, reply: Reply) -> str | None:
        """Return the letters that an answer carries: copied from a notice, or guessed by who never had one."""
        if "{guess}" in reply.says:
            seen = (number for words in self._texts("", reply.to) for number in re.findall(r"\b(\d+)[a-z]{3}\b", words))
            return next((number + GUESSED for number in seen), None)
        pattern = CODE if reply.to else OWN_CODE
        found = (pattern.findall(words) for words in self._texts(reply.who, reply.to))
        return next((codes[0] for codes in found if codes), None)

    def _press(self, reply: Reply) -> Sent:
        """Press a button behind the link in the newest mail about something; a stranger changes some of its letters."""
        who = reply.who if reply.who in self.phones else ""
        mails = (one.body for one in reversed(self.arrived) if one.channel == "mail" and _is_for(one, who, reply.to))
        links = [link for body in mails for link in LINK.findall(body) if link.startswith(self.board)]
        if not links:
            return Sent(reply, "", 0)
        link = links[0] if who else links[0][:-3] + GUESSED
        return Sent(reply, reply.says, requests.post(link, data={"do": reply.says}, timeout=10).status_code)

    def _texts(self, who: str, about: str) -> Iterator[str]:
        """Yield the texts to somebody, "" for anybody, with these words in them, the newest first."""
        for one in reversed(self.arrived):
            if one.channel == "text" and _is_for(one, who, about):
                yield one.words


def _is_for(one: Arrived, who: str, about: str) -> bool:
    return one.who == (who or one.who) and about in one.words
