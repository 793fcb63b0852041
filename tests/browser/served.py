"""A program served on a free port of this machine, for as long as a test needs it; on another port where its own was taken."""

import os
import random
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from http.client import HTTPException

HERE = "127.0.0.1"
PATIENCE_S = 300.0  # how long a server may take to come up or to end on a busy machine; one that is quick is waited for no longer
TRIES = 5


def free_port():
    """A port of this machine that nobody listens on, until somebody does: whoever uses it tries another where it was taken.

    From below the range out of which systems give ports to outgoing connections, such as a browser's.
    """
    while True:
        port = random.SystemRandom().randrange(20_000, 30_000)
        with socket.socket() as free:
            try:
                free.bind((HERE, port))
            except OSError:
                continue
            return port


@contextmanager
def closed_port():
    """A port of this machine at which nobody answers, held meanwhile so that nobody can."""
    with socket.socket() as held:
        held.bind((HERE, 0))
        yield held.getsockname()[1]


@contextmanager
def running(command, health, place):
    """Run a program that serves on a port, with the folder `place` as its own and as its home, and give the address.

    Parameters: command, makes the program's words from a port, and what the program needs before it; health, path that answers once
    it is up.
    """
    home = {"HOME": str(place), "USERPROFILE": str(place), "PYTHONUNBUFFERED": "1"}
    log = place / "log.txt"
    for _ in range(TRIES):
        port = free_port()
        with log.open("w", encoding="utf-8") as out:
            server = subprocess.Popen(command(port), cwd=place, stdout=out, stderr=out, env=os.environ | home)
        try:
            if _is_up(server, port, health, log):
                yield f"http://{HERE}:{port}"
                return
        finally:
            _end(server)
    raise RuntimeError(f"no program came up: {_said(log)}")


@contextmanager
def served(script, place, before=None):
    """Serve a Streamlit script from the folder `place`, and give its address.

    Parameters: before, called with the port before the app starts on it.
    """

    def command(port):
        if before:
            before(port)
        options = {
            "server.port": port,
            "server.address": HERE,
            "server.headless": "true",
            "server.fileWatcherType": "none",
            "browser.gatherUsageStats": "false",
        }
        words = [f"--{name}={value}" for name, value in options.items()]
        return [sys.executable, "-m", "streamlit", "run", str(script), *words]

    with running(command, "/_stcore/health", place) as address:
        yield address


def _is_up(server, port, health, log):
    """Wait until a program has said its port and answers there; False where it ends before."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if server.poll() is not None:
            return False
        if f":{port}" in _said(log) and _answers(f"http://{HERE}:{port}{health}"):
            return server.poll() is None
        time.sleep(0.1)
    raise RuntimeError(f"no program answers at port {port}: {_said(log)}")


def _answers(url):
    try:
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            return answer.status == 200
    except (OSError, HTTPException):
        return False


def _said(log):
    return log.read_text(encoding="utf-8", errors="replace")


def _end(server):
    server.terminate()
    try:
        server.wait(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()
