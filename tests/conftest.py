from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.harness import JackServer, missing, xvfb


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-pictures",
        action="store_true",
        help="write the reference pictures of tests/test_pictures.py anew: look at each one",
    )


@pytest.fixture
def jack() -> Iterator[JackServer]:
    """A running JACK server of our own."""
    if why := missing("jackd", "jack_wait"):
        pytest.skip(f"needs a JACK server: {why} (apt-get install jackd2)")
    server = JackServer()
    server.start()
    yield server
    server.stop()


@pytest.fixture
def jack_server(jack: JackServer) -> dict[str, str]:
    """The environment in which a process finds that server."""
    return jack.env


@pytest.fixture
def x_display() -> Iterator[str]:
    """The DISPLAY of an X server of our own, 1920 by 1080."""
    if why := missing("Xvfb"):
        pytest.skip(f"needs an X server: {why} (apt-get install xvfb)")
    with xvfb() as display:
        yield display
