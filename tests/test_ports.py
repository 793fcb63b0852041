"""Servers of the tests come up although another program took the port that was chosen for them."""

import socket
import sys
import urllib.request

import pytest

from tests.browser import served

FILES = ["-m", "http.server", "--bind", served.HERE]


@pytest.fixture
def taken_first(monkeypatch):
    """The first port that is chosen is somebody else's by the time it is used."""
    with socket.create_server((served.HERE, 0)) as other:
        free = served.free_port()
        chosen = iter([other.getsockname()[1], free])
        monkeypatch.setattr(served, "free_port", chosen.__next__)
        yield free


def test_a_program_is_started_again_on_another_port(taken_first, tmp_path):
    def command(port):
        return [sys.executable, *FILES, str(port)]

    with served.running(command, "/", tmp_path) as address:
        assert address == f"http://{served.HERE}:{taken_first}"
        with urllib.request.urlopen(address, timeout=served.PATIENCE_S) as answer:
            assert answer.status == 200


def test_what_ends_without_coming_up_is_given_up(tmp_path):
    with (
        pytest.raises(RuntimeError, match="no such thing"),
        served.running(lambda _: [sys.executable, "-c", "raise SystemExit('no such thing')"], "/", tmp_path),
    ):
        pass


def test_nobody_answers_at_a_port_that_is_held():
    with served.closed_port() as port, pytest.raises(ConnectionRefusedError):
        socket.create_connection((served.HERE, port), timeout=served.PATIENCE_S)
