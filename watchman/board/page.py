"""The small web page behind the links: to look changes nothing, only a pressed button does."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import flask
from waitress import wasyncore
from waitress.server import create_server
from werkzeug.exceptions import HTTPException

from watchman.board import links
from watchman.errors import OutsideError
from watchman.model import VISIT, Alarm, AlarmState, Notice, Span
from watchman.network import Network
from watchman.store import Store
from watchman.telling import compose
from watchman.telling.phrases import Phrases

log = logging.getLogger(__name__)

STALE = timedelta(days=30)
"""How long a notice's link answers it; what is older is closed or has been told again (decided here)."""
ON_SITE = timedelta(hours=2)
LARGEST_ANSWER = 4096
"""More than any of our forms sends [bytes]."""

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
    """What a notice's link opens. places: the stations one may be at, by id; window: the person's own, open now."""

    notice: Notice
    alarm: Alarm | None
    places: tuple[str, ...]
    window: Span | None

    @property
    def open_alarm(self) -> Alarm | None:
        """Return the alarm if it still stands."""
        return self.alarm if self.alarm is not None and self.alarm.standing else None


def create_app(store: Store, network: Network, key: str, clock: Callable[[], datetime]) -> flask.Flask:
    """Return the page as a WSGI application. key: what the links are signed with."""
    app = flask.Flask(__name__)
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_ANSWER
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True

    @app.get("/")
    def nothing() -> tuple[str, int]:
        raise RefusedError(404, "This page opens by your own link: it stands in every notice you get.")

    @app.get("/<token>")
    def look(token: str) -> str:
        if token.startswith(links.STANDING):
            return _network_now(store, network, _holder(network, key, token), clock())
        return _form(network, _opened(store, network, key, token, clock()), clock())

    @app.post("/<token>")
    def act(token: str) -> str:
        now = clock()
        opened = _opened(store, network, key, token, now)
        done = _act(store, network, opened, flask.request.form.get("do", ""), flask.request.form.get("at", ""), now)
        return _form(network, _opened(store, network, key, token, now), now, done)

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
    if now - notice.made_at > STALE:
        days = STALE.days
        raise _refused(410, f"This link is more than {days} days old and answers nothing.", f"notice {number}, stale")
    alarm = store.alarm(notice.alarm) if notice.alarm else None
    places = _places(store, network, notice, alarm)
    return Opened(notice, alarm, places, _own_window(store, notice.person, places, now))


def _holder(network: Network, key: str, token: str) -> str:
    person = links.whose_standing(key, token, [contact.name for contact in network.contacts])
    if person is None:
        raise _refused(404, "This link is not valid.", "a standing link")
    return person


def _refused(status: int, sentence: str, what: str) -> RefusedError:
    log.warning("board: a link was refused (%s), asked for from %s", what, flask.request.remote_addr)
    return RefusedError(status, sentence)


def _places(store: Store, network: Network, notice: Notice, alarm: Alarm | None) -> tuple[str, ...]:
    """Return the stations a notice is about, at which one may be on site.

    A storm's notice has none: pressed in error, it would take a gauge out of the very rain it warns of.
    """
    if notice.kind == "storm":
        return ()
    kind, _, number = notice.occasion.partition(":")
    if kind == "window" and number.isdigit():
        about = {span.station for span in store.spans() if span.number == int(number)}
    else:
        about = set(alarm.stations) if alarm is not None else set()
    return tuple(station.id for station in network.stations if station.id in about)


def _own_window(store: Store, person: str, places: tuple[str, ...], now: datetime) -> Span | None:
    return next((span for span in _open_windows(store, now) if span.who == person and span.station in places), None)


def _open_windows(store: Store, now: datetime) -> list[Span]:
    visits = (span for span in store.spans() if span.reason == VISIT and span.withdrawn_at is None)
    return [span for span in visits if span.begins_at <= now < span.ends_at]


# What a button does


def _act(store: Store, network: Network, opened: Opened, button: str, place: str, now: datetime) -> str:
    """Do what a pressed button says, and say what was done. Raises RefusedError for what the form doesn't offer."""
    person = opened.notice.person
    if button == "acknowledge" and opened.open_alarm is not None:
        store.add_answer(now, "acknowledge", person, opened.open_alarm.number)
        return "Acknowledged: you see to it. It shows here within a minute."
    if button == "came" and opened.notice.kind == "drill":
        store.add_answer(now, "came", person, 0, reason=opened.notice.occasion)
        return "Thank you: it came, and you answered."
    if button == "on site" and place in opened.places:
        window = _own_window(store, person, (place,), now)
        if window is None:
            window = store.add_span(place, now, now + ON_SITE, VISIT, person, now)
        else:
            window = store.end_span(window.number, now + ON_SITE, now) or window
        say = Phrases(network, now)
        return (
            f"You are on site at {say.full(place)} until {say.clock(window.ends_at)}. Tips are kept, "
            "but not counted as rain."
        )
    if button == "done" and opened.window is not None:
        store.end_span(opened.window.number, now, now)
        return f"Done: {Phrases(network, now).full(opened.window.station)} counts again from now on."
    raise RefusedError(400, "That can't be done here. Open the link in the notice again.")


# What people see


def _form(network: Network, opened: Opened, now: datetime, done: str = "") -> str:
    say = Phrases(network, now)
    notice, alarm = opened.notice, opened.alarm
    return flask.render_template(
        "notice.html",
        network=network.name,
        person=notice.person,
        say=say,
        notice=notice,
        alarm=alarm,
        said=compose.sections(alarm, network, now) if alarm is not None else {},
        standing=_standing(alarm, say) if alarm is not None else "",
        open_alarm=opened.open_alarm,
        places=opened.places,
        window=opened.window,
        on_site_hours=ON_SITE // timedelta(hours=1),
        done=done,
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


def _network_now(store: Store, network: Network, person: str, now: datetime) -> str:
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
        windows=_open_windows(store, now),
        sources=store.health(),
        stations=len(network.stations),
    )
