"""An app served on a free port of this machine, for as long as a test needs it."""

import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager


def free_port():
    """A port of this machine that nobody listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@contextmanager
def served(script, place, port=None):
    """Serve a Streamlit script from the folder `place`, on a free port where none is given, and give its address."""
    port = port or free_port()
    options = {
        "server.port": port,
        "server.address": "127.0.0.1",
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
    }
    command = [sys.executable, "-m", "streamlit", "run", str(script)]
    command += [f"--{name}={value}" for name, value in options.items()]
    with (place / "log.txt").open("w") as log, subprocess.Popen(command, cwd=place, stdout=log, stderr=log) as server:
        try:
            wait_until_healthy(f"http://127.0.0.1:{port}/_stcore/health")
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()
            server.wait(timeout=10)


def wait_until_healthy(url):
    """Wait until a server answers at an address."""
    for _ in range(600):
        try:
            with urllib.request.urlopen(url, timeout=1) as answer:
                if answer.status == 200:
                    return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError(f"no app answers at {url}")
