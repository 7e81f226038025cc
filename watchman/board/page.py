"""The small web page behind the links: to look changes nothing, only a pressed button does."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import flask
from waitress import wasyncore
from waitress.server import create_server
from werkzeug.exceptions import HTTPException

from watchman import answers, links
from watchman.answers import About, Done
from watchman.board import help_pages, texts
from watchman.errors import OutsideError
from watchman.model import Alarm, AlarmState, Notice, Span
from watchman.network import Contact, Network
from watchman.store import Store
from watchman.telling import answering, compose, receiver, roster
from watchman.telling.answering import LONGEST_REASON, Kind, Said
from watchman.telling.phrases import Phrases

log = logging.getLogger(__name__)

ON_SITE_HOURS = (1, 2, 3, 4, 8)
"""How long a visit may be said to last on the form [h]."""
LATER_DAYS = 7
"""How many days ahead an alarm may be set aside on the form [days]."""
LARGEST_ANSWER = 4096
"""More than any of our forms, or a text of ten parts, sends [bytes]."""

HEADERS = {
    # The address is the secret: it must not travel on, nor stay in a shared cache or a search machine.
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "X-Robots-Tag": "noindex, nofollow",
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
}


class RefusedError(Exception):
    """A link that opens nothing; status: the HTTP status, sentence: what its holder reads."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence = status, sentence


@dataclass(frozen=True, slots=True)
class Opened:
    """What a notice's link opens. window: the person's own, open now at a station it is about."""

    notice: Notice
    about: About
    window: Span | None


def create_app(store: Store, network: Network, key: str, clock: Callable[[], datetime]) -> flask.Flask:
    """Return the page as a WSGI application. key: what the links are signed with."""
    app = flask.Flask(__name__)
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_ANSWER
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True

    help_pages.add(app, network)

    @app.context_processor
    def way_back() -> dict[str, str]:
        # Relative, for the board may stand behind a path of somebody's web server.
        return {"root": "../" * (flask.request.path.count("/") - 1)}

    @app.get("/")
    def nothing() -> tuple[str, int]:
        raise RefusedError(404, "This page opens by your own link: it stands in every notice you get.")

    @app.get("/<token>")
    def look(token: str) -> str:
        now = clock()
        if token.startswith(links.STANDING):
            return _network_now(store, network, key, _holder(network, key, token), now)
        if token.startswith(links.STOP):
            return _stop_form(network, _volunteer(network, key, token), _has_stopped(store, network, key, token))
        return _form(network, _opened(store, network, key, token, now), now)

    @app.post("/<token>")
    def act(token: str) -> str:
        now = clock()
        form = {name: value[:LONGEST_REASON] for name, value in flask.request.form.items()}
        if token.startswith(links.STANDING):
            person = _holder(network, key, token)
            done = _act(store, network, _said(network, form, now), person, None, now)
            if done.visit is not None:
                contact = next(one for one in network.contacts if one.name == person)
                answers.tell(store, network, person, roster.channels(contact)[0], done.sentence, now)
            return _network_now(store, network, key, person, now, done.sentence)
        if token.startswith(links.STOP):
            # A mail program's one click sends no more than this (RFC 8058); the page's own buttons say which.
            again = form.get("do") == Kind.START
            said = Said(Kind.START if again else Kind.STOP)
            contact = _volunteer(network, key, token)
            return _stop_form(
                network, contact, not again, answers.act(store, network, said, contact.name, now).sentence
            )
        opened = _opened(store, network, key, token, now)
        done = _act(store, network, _said(network, form, now), opened.notice.person, opened.notice, now)
        return _form(network, _opened(store, network, key, token, now), now, done.sentence)

    @app.post("/texts/<given>")
    def text(given: str) -> tuple[str, int]:
        settings = network.answers.text
        if settings is None or not links.same(given, settings.key.get_secret_value()):
            raise _refused(404, "There is nothing here.", "texts without the right key")
        body = _handed_in()
        sender, words = body.get(settings.sender_field), body.get(settings.text_field)
        if not isinstance(sender, str | int) or not isinstance(words, str):
            answers.refuse("texts", f"no {settings.sender_field} or no {settings.text_field} in it")
            return "", 400
        texts.take(store, network, key, str(sender), words, clock())
        return "", 204

    @app.errorhandler(RefusedError)
    def refused(error: RefusedError) -> tuple[str, int]:
        return flask.render_template("refused.html", sentence=error.sentence), error.status

    @app.errorhandler(HTTPException)
    def wrong(error: HTTPException) -> tuple[str, int]:
        return flask.render_template("refused.html", sentence=f"{error.name}."), error.code or 500

    @app.errorhandler(OutsideError)
    def trouble(error: OutsideError) -> tuple[str, int]:
        log.error("the board can't use the store: %s", error)
        sentence = "This can't be written down now. Try again in some minutes, or phone whoever keeps the watch."
        return flask.render_template("refused.html", sentence=sentence), 503

    @app.after_request
    def headers(response: flask.Response) -> flask.Response:
        response.headers.update(HEADERS)
        return response

    return app


def _handed_in() -> Mapping[str, Any]:
    """Return the fields of a form or of a JSON object; none of what is neither."""
    if not flask.request.is_json:
        return flask.request.form
    try:
        body = flask.request.get_json(silent=True)
    except RecursionError:
        return {}
    return body if isinstance(body, dict) else {}


class Served:
    """A page being served from a thread of its own until it is closed."""

    def __init__(self, app: flask.Flask, listen: str) -> None:
        self._sockets: dict[int, Any] = {}
        self._server = create_server(app, map=self._sockets, listen=listen, threads=4, ident=None)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="board", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Finish the answers being written, and stop serving."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        # The server's own loop ends by a signal alone, and signals are the daemon's.
        while not self._stop.is_set():
            wasyncore.loop(timeout=1.0, map=self._sockets, count=1)
        self._server.task_dispatcher.shutdown()
        wasyncore.close_all(self._sockets)


def serve(app: flask.Flask, listen: str) -> Served:
    """Serve the page at "address:port". Raises OutsideError if it can't listen there."""
    try:
        return Served(app, listen)
    except (OSError, ValueError) as error:
        raise OutsideError(f"The board can't listen at {listen}: {error}.") from error


# Who may do what


def _opened(store: Store, network: Network, key: str, token: str, now: datetime) -> Opened:
    """Return what a notice's link opens. Raises RefusedError, and logs it, for a link that opens nothing."""
    number = links.number_in(token)
    notice = store.notice(number) if number is not None else None
    if notice is None or not links.is_for(key, token, notice.number, notice.person):
        raise _refused(404, "This link is not valid. Open it from the notice itself.", f"claims notice {number}")
    if notice.person not in (contact.name for contact in network.contacts):
        raise _refused(404, "This link is not valid any more.", f"notice {number}, {notice.person} is no contact")
    if answers.is_stale(notice, now):
        days = answers.STALE.days
        raise _refused(410, f"This link is more than {days} days old and answers nothing.", f"notice {number}, stale")
    about = answers.about(store, network, notice)
    windows = answers.own_windows(store, notice.person, about.places, now) if notice.kind != "storm" else []
    return Opened(notice, about, windows[0] if windows else None)


def _holder(network: Network, key: str, token: str) -> str:
    person = links.whose_standing(key, token, [contact.name for contact in network.contacts])
    if person is None:
        raise _refused(404, "This link is not valid.", "a standing link")
    return person


def _volunteer(network: Network, key: str, token: str) -> Contact:
    """Return whose link to stop all notices this is."""
    person = links.whose_stop(key, token, [one.name for one in network.contacts if one.is_volunteer])
    if person is None:
        raise _refused(404, "This link is not valid.", "a link to stop notices")
    return next(one for one in network.contacts if one.name == person)


def _has_stopped(store: Store, network: Network, key: str, token: str) -> bool:
    return _volunteer(network, key, token).name in answers.stopped(store.marks(answers.STOPPED))


def _refused(status: int, sentence: str, what: str) -> RefusedError:
    log.warning("board: a link was refused (%s), asked for from %s", what, flask.request.remote_addr)
    return RefusedError(status, sentence)


# What a button does


def _said(network: Network, form: Mapping[str, str], now: datetime) -> Said | str:
    """Return what a form says, read as a line of the same words would be; or what is wrong with it."""
    button, place = form.get("do", ""), form.get("at", "")
    if button not in list(Kind):
        return "That can't be done here. Open the link in the notice again."
    if button in (Kind.VISIT, Kind.DONE) and place not in {station.id for station in network.stations}:
        return "Which station? Choose one."
    behind = {
        Kind.LATER: form.get("until", ""),
        Kind.NOT_A_FAULT: form.get("why", ""),
        Kind.VISIT: _visit_line(form),
    }.get(Kind(button), "")
    if button == Kind.NOT_A_FAULT:
        why = " ".join(behind.split())
        return Said(Kind.NOT_A_FAULT, reason=why) if why else "Say why in a few words, then press the button again."
    said = answering.read(f"{button} {behind}", network, now)
    return replace(said, station=place) if isinstance(said, Said) else said


def _visit_line(form: Mapping[str, str]) -> str:
    begin, poured = form.get("begin", "").strip(), form.get("poured", "").strip()
    parts = [f"{form.get('hours', '')}H", f"FROM {begin}" if begin else "", f"{poured}ML" if poured else ""]
    return " ".join(parts)


def _act(store: Store, network: Network, said: Said | str, person: str, notice: Notice | None, now: datetime) -> Done:
    """Do what a form says. Raises RefusedError for what can't be done."""
    if isinstance(said, str):
        raise RefusedError(400, said)
    done = answers.act(store, network, said, person, now, notice=notice)
    if not done.acted:
        raise RefusedError(400, done.sentence)
    return done


# What people see


def _form(network: Network, opened: Opened, now: datetime, done: str = "") -> str:
    say = Phrases(network, now)
    notice, alarm = opened.notice, opened.about.alarm
    return flask.render_template(
        "notice.html",
        network=network.name,
        person=notice.person,
        say=say,
        notice=notice,
        alarm=alarm,
        said=compose.sections(alarm, network, now) if alarm is not None else {},
        standing=_standing(alarm, say) if alarm is not None else "",
        offered=opened.about.offered,
        places=opened.about.places,
        window=opened.window,
        hours=ON_SITE_HOURS,
        days=_days(network, say),
        done=done,
        page=receiver.page_of(notice, alarm),
    )


def _standing(alarm: Alarm, say: Phrases) -> str:
    """Return where an alarm stands, in a sentence."""
    if alarm.ended_at is not None:
        return f"Closed {say.stamp(alarm.ended_at)}."
    words = {
        AlarmState.SHELVED: f"Set aside until {say.stamp(alarm.shelved_until)}."
        if alarm.shelved_until
        else "Set aside.",
        AlarmState.SUPPRESSED: "Part of a wider alarm, or not decidable now.",
        AlarmState.OUT_OF_SERVICE: "The station is out of service: somebody works there.",
        AlarmState.RETURNED: "Back to normal.",
    }.get(alarm.state, "It stands.")
    if alarm.acknowledged_by and alarm.acknowledged_at is not None:
        return f"{words} Acknowledged by {alarm.acknowledged_by}, {say.stamp(alarm.acknowledged_at)}."
    return f"{words} Not acknowledged yet."


def _days(network: Network, say: Phrases) -> list[tuple[str, str]]:
    """Return the days until which an alarm may be set aside: as read, and as people say them."""
    today = say.now.astimezone(network.zone).date()
    days = [today + timedelta(days=ahead) for ahead in range(1, LATER_DAYS + 1)]
    return [(day.isoformat(), f"{say.day(day)}, {network.by_day.begins:%H:%M}") for day in days]


def _stop_form(network: Network, contact: Contact, has_stopped: bool, done: str = "") -> str:
    return flask.render_template(
        "stop.html", network=network.name, person=contact.name, has_stopped=has_stopped, done=done
    )


def _network_now(store: Store, network: Network, key: str, person: str, now: datetime, done: str = "") -> str:
    say = Phrases(network, now)
    alarms = sorted(
        (alarm for alarm in store.open_alarms() if alarm.standing),
        key=lambda alarm: (-alarm.severity.rank, alarm.number),
    )
    last_cycle = store.marks().get("last_cycle")
    return flask.render_template(
        "network.html",
        network=network.name,
        person=person,
        say=say,
        now=now,
        last_cycle=datetime.fromisoformat(last_cycle) if last_cycle else None,
        alarms=[(alarm, compose.sections(alarm, network, now), _standing(alarm, say)) for alarm in alarms],
        windows=answers.open_windows(store, now),
        aside=[station for station in network.stations if station.status],
        own=[window for window in answers.open_windows(store, now) if window.who == person],
        places=tuple(station.id for station in network.stations),
        hours=ON_SITE_HOURS,
        own_code=_own_code(network, key, person),
        done=done,
        sources=store.health(),
        stations=len(network.stations),
    )


def _own_code(network: Network, key: str, person: str) -> str:
    """Return the letters by which a person says by text that they are on site, "" where texts are not read."""
    phone = any(contact.phone for contact in network.contacts if contact.name == person)
    return links.own_code(key, person) if network.answers.text is not None and phone else ""
