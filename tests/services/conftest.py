"""One PostgreSQL server for all tests that need one, and its database, emptied for each."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import sqlalchemy as sql

from tests.services import postgresql


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Return the server's address."""
    with postgresql.started() as address:
        yield address


@pytest.fixture
def address(server: str) -> str:
    """Return the address of the server's database, emptied."""
    engine = sql.create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
        connection.exec_driver_sql("GRANT USAGE ON SCHEMA public TO public")
    engine.dispose()
    return server
