"""The pages for who gets a notice, at /help: open to anybody, for nothing of the network stands in them."""

from __future__ import annotations

import logging

import flask
from werkzeug.exceptions import NotFound

from watchman.network import Network
from watchman.telling import compose, receiver

log = logging.getLogger(__name__)

SECTIONS = (
    ("means", "What it says and means"),
    ("steps", "What to do"),
    ("bring", "What to bring"),
    ("unknown", "What it can't know"),
    ("careful", "Careful"),
    ("answer", "How to answer"),
)
"""The sections of a page after its first line, by the blocks of its template."""


def add(app: flask.Flask, network: Network) -> None:
    """Add the list of all pages and each page to a WSGI application; a network's own templates replace ours."""

    @app.get("/help")
    def every() -> str:
        groups = [
            (title, [(kind, _said(kind, network)["title"]) for kind in kinds])
            for title, kinds in receiver.PAGES.items()
        ]
        return flask.render_template("helps.html", groups=groups)

    @app.get("/help/<kind>")
    def one(kind: str) -> str:
        if kind not in receiver.KINDS:
            raise NotFound
        said = _said(kind, network)
        sections = [
            (name, words, said.get(name, "").splitlines()) for name, words in SECTIONS if said.get(name, "").strip()
        ]
        return flask.render_template("help.html", said=said, sections=sections)


def _said(kind: str, network: Network) -> dict[str, str]:
    said, trouble = compose.blocks([f"receiver/{kind}.txt"], {}, network)
    if trouble:
        log.error("%s; ours serves in its place", trouble)
    return said
