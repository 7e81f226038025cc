"""What people write in network.toml, one model a heading; the fields' docstrings are the help."""

from __future__ import annotations

import re
from datetime import time
from typing import Annotated, Any, Literal
from urllib.parse import unquote, urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, BeforeValidator, Field, SecretStr, WithJsonSchema, model_validator

from watchman.mistakes import nearest_word, wrong
from watchman.readings.sources import AnySource
from watchman.written import Written

MAIL_ADDRESS = re.compile(r"[^@\s,;<>\"]+@(?:[A-Za-z0-9-]+(?:\.[A-Za-z0-9-]+)+|localhost)")
PHONE_NUMBER = re.compile(r"\+[\d ().-]*")
CLOCK_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def _clock_time(written: Any) -> Any:
    if isinstance(written, time):
        return written
    if not isinstance(written, str) or not (parts := CLOCK_TIME.fullmatch(written)):
        raise wrong(f"this is not a clock time: {written}", "It must be hours and minutes, in quotes.", '"07:30"')
    return time(int(parts[1]), int(parts[2]))


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        allowed = f"It must be a name of the time zone database. {nearest_word(name, available_timezones(), 'zone')}"
        raise wrong(f'the time zone "{name}" is unknown', allowed, 'zone = "America/Denver"') from None
    return name


def _mail_address(written: str) -> str:
    if written and not MAIL_ADDRESS.fullmatch(written):
        raise wrong(f'"{written}" is not a mail address', "It has a name, one @ and a domain.", '"tech-1@example.org"')
    return written


def _channel_address(written: SecretStr) -> SecretStr:
    """Refuse what can reach no phone; never says what stands there."""
    address = written.get_secret_value()
    if not address:
        return written
    if not re.match(r"[a-z][a-z0-9+.-]*://[^\s/]", address):
        allowed = "It must be an address with a scheme, as apprise takes it; a bare number reaches nobody."
        raise wrong("this is not the address of a channel", allowed, '"json://gateway.example.org/+15551230000"')
    for number in PHONE_NUMBER.findall(unquote(address)):
        digits = sum(letter.isdigit() for letter in number)
        # At most 15 digits: ITU-T E.164. At least 7: common practice, no source.
        if digits and not 7 <= digits <= 15:
            allowed = "With its country code it has 7 to 15 digits. Nobody would get the notices."
            raise wrong(f"the phone number in it has {digits} digits", allowed)
    return written


def _web_address(written: SecretStr) -> SecretStr:
    parts = urlsplit(written.get_secret_value())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise wrong("this is not an address", "It begins with http:// or https://.", '"https://watch.example.org/seen"')
    return written


def _store_address(written: SecretStr) -> SecretStr:
    if not written.get_secret_value().startswith(("sqlite:///", "postgresql://")):
        allowed = "It begins with sqlite:/// and a file, or postgresql:// and a server."
        raise wrong("this is not a store", allowed, 'address = "sqlite:///watch.db"')
    return written


ClockTime = Annotated[
    time,
    BeforeValidator(_clock_time),
    WithJsonSchema({"type": "string", "pattern": f"^{CLOCK_TIME.pattern}$", "examples": ["07:30"]}),
]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
ChannelAddress = Annotated[SecretStr, AfterValidator(_channel_address)]
WebAddress = Annotated[SecretStr, AfterValidator(_web_address)]
StoreAddress = Annotated[SecretStr, AfterValidator(_store_address)]
Name = Annotated[str, Field(min_length=1)]


class NetworkSettings(Written):
    """[network]: what it is called, and which clock its people read."""

    name: Annotated[str, Field(min_length=1, examples=["Veldran Hills"])]
    """What people call the network; it stands on top of the digest."""
    zone: Annotated[str, AfterValidator(_zone), Field(examples=["America/Denver"])]
    """The time zone in which people read clocks, by its name in the time zone database."""
    day_starts: ClockTime = time(0, 0)
    """When the rain day starts, "HH:MM" at the zone's standard-time offset all year."""
    grid_minutes: Literal[1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60] = 5
    """Length of the record's finest cells [min]; no longer than the stations' own intervals."""


TABLE_FILE = r"[\w][\w .-]*\.csv"
"""The name of a table beside network.toml."""


class RainSettings(Written):
    """[rain]: what is known of heavy rain here."""

    frequency_table: Annotated[str, Field(pattern=f"^({TABLE_FILE})?$", examples=["frequency.csv"])] = ""
    """A file in this folder with the depth-duration-frequency table of the place: depths by duration and return
    period, as your weather or flood service gives them. Without it no return period is ever said.
    """


class StoreSettings(Written):
    """[store]: where everything is kept."""

    address: StoreAddress = SecretStr("sqlite:///watch.db")
    """sqlite:/// and a file (relative to this folder), or postgresql://user@server/database; may be a secret."""


class ByDaySettings(Written):
    """[by_day]: when "by day" is, on the network's own clock."""

    begins: ClockTime = time(7, 0)
    """From when people are told what can wait for the day."""
    ends: ClockTime = time(19, 0)
    """Until when."""

    @model_validator(mode="after")
    def _day(self) -> ByDaySettings:
        if self.begins >= self.ends:
            found = f"the day begins at {self.begins:%H:%M} and ends at {self.ends:%H:%M}"
            allowed = 'It must end after it begins, on the same day; what is to be told at any hour has when = "now".'
            raise wrong(found, allowed, 'begins = "07:00" and ends = "19:00"')
        return self


def _digest_time(written: time) -> time:
    if written < time(3, 0):
        allowed = "Choose 03:00 or later: between 00:00 and 03:00 clocks change, and that hour comes twice or never."
        raise wrong(f"the digest is due at {written:%H:%M}", allowed, 'time = "07:30"')
    return written


class DigestSettings(Written):
    """[digest]: the weekly summary."""

    weekday: Literal["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"] = "Monday"
    """The day on which it is due."""
    time: Annotated[ClockTime, AfterValidator(_digest_time)] = time(7, 30)
    """When it is due, "HH:MM" on the network's own clock; not between 00:00 and 03:00, when clocks change."""
    tell: tuple[Name, ...] = ("supervisor",)
    """The roles that get it."""


MAIL_PORTS = {"none": 25, "starttls": 587, "tls": 465}
"""Usual ports of mail servers. Source: RFC 5321 (25), RFC 6409 (587), RFC 8314 (465)."""


class MailSettings(Written):
    """[mail]: how mail leaves the house."""

    host: Annotated[str, Field(min_length=1, examples=["mail.example.org"])]
    """The mail server that takes our mail."""
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    """Its port; when not written, the usual one: 587 for starttls, 465 for tls, 25 for none."""
    security: Literal["none", "starttls", "tls"] = "starttls"
    """How the connection is kept private."""
    user: str = ""
    """The name to log in with, or empty."""
    password: SecretStr = SecretStr("")
    """The password to log in with: "secret:NAME"."""
    sender: Annotated[MailAddress, Field(min_length=1, examples=["watch@example.org"])]
    """The address our mail comes from."""

    @model_validator(mode="before")
    @classmethod
    def _usual_port(cls, written: Any) -> Any:
        if isinstance(written, dict) and "port" not in written:
            return {**written, "port": MAIL_PORTS.get(str(written.get("security", "starttls")), 587)}
        return written

    @model_validator(mode="after")
    def _login(self) -> MailSettings:
        if bool(self.user) != bool(self.password):
            missing = "password" if self.user else "user"
            raise wrong(
                f"the {missing} is missing",
                "To log in takes both user and password.",
                f'{missing} = "secret:mail_{missing}"',
            )
        if self.user and self.security == "none" and self.host not in ("localhost", "127.0.0.1", "::1"):
            raise wrong("the password would travel in the open", "Use starttls or tls.", 'security = "starttls"')
        return self


class SignOfLifeSettings(Written):
    """[sign_of_life]: somebody outside who notices when this program stops."""

    address: WebAddress
    """Asked (GET) after each completed cycle; when that stops, the service there tells you. May be a secret."""


class BoardSettings(Written):
    """[board]: the page on a phone."""

    listen: Annotated[str, Field(pattern=r"^[^\s/]+:\d{1,5}$", examples=["127.0.0.1:8470"])] = "127.0.0.1:8470"
    """Where the page is served on this machine: address:port."""
    address: Annotated[str, Field(pattern=r"^https?://[^\s/]+(/\S*)?$", examples=["https://watch.example.org"])]
    """How phones reach it; personal links begin with it."""
    key: Annotated[SecretStr, Field(examples=["secret:link_key"])]
    """What personal links are signed with: "secret:NAME", 16 random letters or more."""

    @model_validator(mode="after")
    def _long_enough(self) -> BoardSettings:
        if len(self.key.get_secret_value()) < 16:
            raise wrong("the key is too short to sign links with", "It needs 16 random letters or more.")
        return self


class Contact(Written):
    """[[contacts]]: a person who is told. Roles decide what, channels decide how."""

    name: Annotated[str, Field(min_length=1, examples=["tech-1"])]
    """What the person is called in notices and commands."""
    roles: Annotated[tuple[Name, ...], Field(min_length=1, examples=[["technician"]])]
    """What the person does; the rules' `tell` names roles."""
    mail: MailAddress = ""
    """Mail address."""
    text: ChannelAddress = SecretStr("")
    """An address, as apprise takes it, that reaches this person's phone as a text; best as "secret:NAME"."""
    chat: ChannelAddress = SecretStr("")
    """The same for a chat room."""

    @model_validator(mode="after")
    def _within_reach(self) -> Contact:
        if not (self.mail or self.text or self.chat):
            raise wrong(
                f"{self.name} can't be reached", "A contact needs mail, text or chat.", 'mail = "tech-1@example.org"'
            )
        return self


class NetworkFile(Written):
    """network.toml: the network, its sources and its people."""

    network: NetworkSettings
    """What it is called, and which clock its people read."""
    rain: RainSettings = RainSettings()
    store: StoreSettings = StoreSettings()
    by_day: ByDaySettings = ByDaySettings()
    digest: DigestSettings = DigestSettings()
    mail: MailSettings | None = None
    sign_of_life: SignOfLifeSettings | None = None
    board: BoardSettings | None = None
    sources: Annotated[tuple[AnySource, ...], Field(min_length=1)]
    """Where the readings come from: at least one [[sources]]."""
    contacts: Annotated[tuple[Contact, ...], Field(min_length=1)]
    """The people: at least one [[contacts]]."""
