"""What people write in network.toml, one model a heading; the fields' docstrings are the help."""

from __future__ import annotations

import re
from datetime import date, time
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
    units: Literal["mm", "inch"] = "mm"
    """In which depths of rain are told. Limits and tables say by their keys what they are written in."""
    temperature: Literal["C", "F"] = "C"
    """In which temperatures are told."""


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


class QuietHoursSettings(Written):
    """quiet_hours of a contact: when faults wait, on the network's own clock; they may pass midnight."""

    begins: ClockTime
    """From when nothing is told but heavy rain, and stations blind beside rain."""
    ends: ClockTime
    """Until when."""

    @model_validator(mode="after")
    def _some_time(self) -> QuietHoursSettings:
        if self.begins == self.ends:
            raise wrong(
                f"quiet hours begin and end at {self.begins:%H:%M}",
                "They must leave some of the day.",
                'quiet_hours = { begins = "22:00", ends = "06:30" }',
            )
        return self


class DutySettings(Written):
    """[[duty]]: the people of one role take turns; the others of it are called only when nobody answers."""

    role: Name
    """The role, as it stands at the contacts and in the rules' `tell`."""
    people: Annotated[tuple[Name, ...], Field(min_length=1, examples=[["tech-1", "tech-2"]])]
    """Who takes turns, in this order; who is not on duty is called after who is."""
    first_day: date | None = None
    """The day on which the first of them takes over; without it the first is always on duty."""
    days: Annotated[int, Field(ge=1, le=366)] = 7
    """How many days a turn lasts."""
    hand_over: ClockTime = time(12, 0)
    """When one hands over to the next, "HH:MM" on the network's own clock; not between 00:00 and 03:00."""
    calendar: str = ""
    """The name of a calendar whose entries are called as the person on duty; where it says nothing, turns hold."""

    @model_validator(mode="after")
    def _once_each(self) -> DutySettings:
        twice = [name for place, name in enumerate(self.people) if name in self.people[:place]]
        if twice:
            raise wrong(f"{twice[0]} stands twice in the turns", "Each person has one turn.")
        if self.hand_over < time(3, 0) and self.first_day is not None:
            allowed = "Choose 03:00 or later: between 00:00 and 03:00 clocks change."
            raise wrong(f"the hand-over is at {self.hand_over:%H:%M}", allowed, 'hand_over = "12:00"')
        return self


class HolidaySettings(Written):
    """[[holidays]]: when somebody is away and is neither told nor called, or when nobody works."""

    person: str = ""
    """Who is away; when not written, a day on which nobody works, and no answer is waited for."""
    first_day: date
    """The first day."""
    last_day: date | None = None
    """The last day; the first one when not written."""

    @model_validator(mode="after")
    def _forward(self) -> HolidaySettings:
        if self.last_day is not None and self.last_day < self.first_day:
            raise wrong(f"the last day, {self.last_day}, lies before the first", "It must not be before the first day.")
        return self


class EscalationSettings(Written):
    """[escalation]: who is called when nobody answers, and after how long."""

    storm_minutes: Annotated[int, Field(ge=2, le=240)] = 10
    """After how long without an answer the next person is called in heavy rain [min]."""
    fault_working_days: Annotated[int, Field(ge=1, le=20)] = 1
    """After how many working days (Monday to Friday, no holidays) without an answer the next one hears of a fault."""
    then: tuple[Name, ...] = ()
    """Roles whose people are called after everybody of the roles first told, for instance ["supervisor"]."""


CALENDAR_FILE = r"[\w][\w .-]*\.ics"
"""The name of a calendar beside network.toml."""


class CalendarSettings(Written):
    """[[calendars]]: an iCalendar file (RFC 5545) with visits or with who is on duty."""

    name: Annotated[str, Field(min_length=1, examples=["visits"])]
    """What it is called here."""
    holds: Literal["visits", "duty"]
    """What its entries are: visits (named after the station) or turns of duty (named after the person)."""
    path: Annotated[str, Field(pattern=f"^({CALENDAR_FILE})?$")] = ""
    """A file in this folder."""
    address: WebAddress | None = None
    """Or an address to fetch it from; may be a secret."""
    every_minutes: Annotated[int, Field(ge=5, le=1440)] = 30
    """How often it is read [min]."""

    @model_validator(mode="after")
    def _one_place(self) -> CalendarSettings:
        if bool(self.path) == bool(self.address):
            found = "both a path and an address" if self.path else "neither a path nor an address"
            raise wrong(f"the calendar {self.name} has {found}", "Give one of them.", 'path = "visits.ics"')
        return self


class MailAnswersSettings(Written):
    """[answers.mail]: the mail box into which people reply."""

    host: Annotated[str, Field(min_length=1, examples=["mail.example.org"])]
    """The mail server that keeps the box (IMAP)."""
    port: Annotated[int, Field(ge=1, le=65535)] = 993
    """Its port: 993 for tls, 143 otherwise (RFC 8314, RFC 9051)."""
    security: Literal["none", "starttls", "tls"] = "tls"
    """How the connection is kept private."""
    user: Annotated[str, Field(min_length=1)]
    """The name to log in with; where it is a mail address, people's replies go there, else to [mail]'s sender."""
    password: SecretStr
    """The password to log in with: "secret:NAME"."""
    folder: str = "INBOX"
    """The folder in which replies arrive; they stay there, marked as seen."""

    @model_validator(mode="after")
    def _private(self) -> MailAnswersSettings:
        if self.security == "none" and self.host not in ("localhost", "127.0.0.1", "::1"):
            raise wrong("the password would travel in the open", "Use starttls or tls.", 'security = "tls"')
        return self


class TextAnswersSettings(Written):
    """[answers.text]: where a text gateway hands in the replies it receives; served beside the board."""

    key: Annotated[SecretStr, Field(examples=["secret:hook_key"])]
    """The last part of the address that the gateway calls: "secret:NAME", 16 random letters or more."""
    sender_field: str = "from"
    """What the gateway calls the sender's number."""
    text_field: str = "text"
    """What it calls the words."""

    @model_validator(mode="after")
    def _long_enough(self) -> TextAnswersSettings:
        if len(self.key.get_secret_value()) < 16:
            raise wrong("the key is too short to keep others out", "It needs 16 random letters or more.")
        return self


class AnswersSettings(Written):
    """[answers]: how people may answer, besides the board and the command line."""

    mail: MailAnswersSettings | None = None
    text: TextAnswersSettings | None = None


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


VOLUNTEER = "volunteer host"


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
    phone: Annotated[str, Field(pattern=r"^(\+\d{7,15})?$", examples=["+15551230000"])] = ""
    """The number from which this person's replies by text come, with its country code (ITU-T E.164)."""
    quiet_hours: QuietHoursSettings | None = None
    """When this person's phone is to stay silent, heavy rain and stations blind beside rain apart."""
    hold_heavy_rain: bool = False
    """Also hold heavy rain back in this person's quiet hours; whoever comes next in the order of duty is called."""
    budget: Annotated[int, Field(ge=1, le=1000)] = 12
    """So many notices of faults a day at most by one channel; what goes beyond is gathered into one. Storms always
    come.
    """

    @property
    def is_volunteer(self) -> bool:
        """Say whether it is a volunteer, on whom nobody relies: told of the own gauge alone, and free to stop."""
        return set(self.roles) == {VOLUNTEER}

    @model_validator(mode="after")
    def _within_reach(self) -> Contact:
        if not (self.mail or self.text or self.chat):
            raise wrong(
                f"{self.name} can't be reached", "A contact needs mail, text or chat.", 'mail = "tech-1@example.org"'
            )
        if self.hold_heavy_rain and self.quiet_hours is None:
            raise wrong(
                f"{self.name} holds heavy rain back, but has no quiet hours",
                "It is held back in quiet hours only; write them, or take the line out.",
                'quiet_hours = { begins = "22:00", ends = "06:30" }',
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
    escalation: EscalationSettings = EscalationSettings()
    answers: AnswersSettings = AnswersSettings()
    duty: tuple[DutySettings, ...] = ()
    """Who takes turns at a role: any number of [[duty]]."""
    holidays: tuple[HolidaySettings, ...] = ()
    """Who is away, and when nobody works: any number of [[holidays]]."""
    calendars: tuple[CalendarSettings, ...] = ()
    """iCalendar files with visits or turns of duty: any number of [[calendars]]."""
    sources: Annotated[tuple[AnySource, ...], Field(min_length=1)]
    """Where the readings come from: at least one [[sources]]."""
    contacts: Annotated[tuple[Contact, ...], Field(min_length=1)]
    """The people: at least one [[contacts]]."""
