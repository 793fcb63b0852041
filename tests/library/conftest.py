"""A library for each test, on SQLite and on PostgreSQL; the server is one that is given, or one started for the tests alone.

QI_TEST_POSTGRES: address of a server that the tests may use. QI_REQUIRE_POSTGRES: fail, and do not skip, where there is no server.
"""

import os
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import sqlalchemy as sa

from qi.library.library import Library
from tests.browser.served import HERE, PATIENCE_S, TRIES, free_port

PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
SERVER_USERS = ("postgres", "nobody")  # PostgreSQL refuses to run as root


@dataclass
class Place:
    """Where a test's library lies; each opening is a program of its own, closed when the test ends."""

    folder: Path
    url: str
    opened: list[Library] = field(default_factory=list)

    @property
    def is_sqlite(self) -> bool:
        return self.url.startswith("sqlite")

    def open(self) -> Library:
        library = Library.open(self.folder, database=self.url)
        self.opened.append(library)
        return library


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """Address of a PostgreSQL server."""
    if given := os.environ.get("QI_TEST_POSTGRES"):
        yield given
        return
    initdb, pg_ctl = _program("initdb"), _program("pg_ctl")
    if not initdb or not pg_ctl:
        reason = "no PostgreSQL: neither QI_TEST_POSTGRES nor the programs initdb and pg_ctl"
        if os.environ.get("QI_REQUIRE_POSTGRES"):
            pytest.fail(reason)
        pytest.skip(reason)
    folder = Path(tempfile.mkdtemp(prefix="postgres-for-tests-"))
    try:
        run, password = _as_server_user(folder), secrets.token_urlsafe()
        (folder / "password").write_text(password, encoding="utf-8")
        (folder / "password").chmod(0o644)  # inside a folder that only the server's user may enter
        run(
            initdb,
            "-D",
            folder / "data",
            "-U",
            "tests",
            "-A",
            "scram-sha-256",
            "--pwfile",
            folder / "password",
            "-E",
            "UTF8",
            "--no-locale",
        )
        port = _started(run, pg_ctl, folder)
        try:
            yield f"postgresql+psycopg://tests:{password}@{HERE}:{port}/postgres"
        finally:
            run(pg_ctl, "-D", folder / "data", "-m", "immediate", "-w", "-t", f"{PATIENCE_S:.0f}", "stop")
    finally:
        shutil.rmtree(folder)


def _program(name: str) -> str | None:
    found = shutil.which(name)
    return found or next((str(folder / name) for folder in PROGRAMS if (folder / name).is_file()), None)


def _as_server_user(folder: Path) -> Callable[..., None]:
    """A way to run the server's programs: as this user, or for root as one who may run them; the folder becomes theirs."""
    as_whom = {}
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        as_whom = {"user": _given_to(folder), "extra_groups": []}

    def run(*command: object) -> None:
        words = [str(word) for word in command]
        path = folder.parent / f"{folder.name}.out"  # a file: the server would keep a pipe open
        with path.open("w+", encoding="utf-8") as out:
            path.unlink()
            done = subprocess.run(words, cwd=folder, stdout=out, stderr=out, stdin=subprocess.DEVNULL, check=False, **as_whom)
            out.seek(0)
            assert done.returncode == 0, f"{words}: {out.read()}"

    return run


def _given_to(folder: Path) -> str:
    """The first of SERVER_USERS that this machine has; the folder is theirs from now on."""
    for user in SERVER_USERS:
        try:
            shutil.chown(folder, user)
        except LookupError:
            continue
        return user
    pytest.fail(f"PostgreSQL does not run as root, and this machine has none of the users {', '.join(SERVER_USERS)}")


def _started(run: Callable[..., None], pg_ctl: str, folder: Path) -> int:
    """Start the server; its port, another one where somebody took the first before it came up."""
    for left in reversed(range(TRIES)):
        port = int(free_port())
        options = f"-c listen_addresses={HERE} -c port={port} -c unix_socket_directories='' -c fsync=off -c timezone=Asia/Kathmandu"
        try:
            run(pg_ctl, "-D", folder / "data", "-l", folder / "log", "-o", options, "-w", "-t", f"{PATIENCE_S:.0f}", "start")
        except AssertionError:
            if not left or "Address already in use" not in (folder / "log").read_text(encoding="utf-8", errors="replace"):
                raise
        else:
            return port
    raise AssertionError


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    """A place for a library, with a database of its own, on each kind of database."""
    monkeypatch.delenv("QI_DATABASE", raising=False)
    folder = tmp_path / "library"
    if request.param == "sqlite":
        made = Place(folder, f"sqlite:///{folder / 'reviews.sqlite'}")
        yield made
        close(made)
        return
    server = sa.create_engine(request.getfixturevalue("postgres"), isolation_level="AUTOCOMMIT")
    schema = f"test_{secrets.token_hex(8)}"
    with server.connect() as connection:
        connection.execute(sa.schema.CreateSchema(schema))
    made = Place(folder, server.url.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False))
    yield made
    close(made)
    with server.connect() as connection:
        connection.execute(sa.schema.DropSchema(schema, cascade=True))
    server.dispose()


def close(made: Place) -> None:
    for library in made.opened:
        library.close()


@pytest.fixture
def library(place: Place) -> Library:
    """An empty library."""
    return place.open()
