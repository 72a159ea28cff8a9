"""A private PostgreSQL server for the tests of the second bench."""

from __future__ import annotations

import pytest

from tests import places


@pytest.fixture(scope="session")
def server():
    """A server on 127.0.0.1 with a password; tests that stop it start it again."""
    with places.started() as running:
        yield running


@pytest.fixture
def place(server):
    """The address of a database that was just made and holds nothing."""
    return server.new()
