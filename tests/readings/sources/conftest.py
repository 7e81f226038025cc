"""Local servers that a test's own function answers for, and sources in a few words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from pydantic import TypeAdapter

from tests.readings.sources.server import Answer, Handler, Servers
from watchman.readings.sources import AnySource


@pytest.fixture
def serve() -> Iterator[Callable[[Answer], tuple[str, list[Handler]]]]:
    """Return a function that starts a server with an answer; it returns its address and the list of what was asked."""
    servers = Servers()
    yield servers.start
    servers.end()


@pytest.fixture
def source() -> Callable[..., AnySource]:
    """Return a function that makes a CSV source with time, station and rain, unless told otherwise."""
    adapter: TypeAdapter[AnySource] = TypeAdapter(AnySource)

    def make(**settings: Any) -> AnySource:
        columns = {"time": "time", "station": "station", "rain": "rain"}
        return adapter.validate_python({"name": "main", "kind": "csv", "columns": columns, **settings})

    return make
