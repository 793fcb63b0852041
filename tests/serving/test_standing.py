"""Whom the app serves: one person bound to this machine, those who sign in, or nobody."""

import subprocess
import sys
from pathlib import Path

import pytest

from qi.library.library import Library
from qi.serving import standing, start
from qi.serving.standing import Standing, is_this_machine, judged

ROOT = Path(__file__).parents[2]
AUTH = {
    "redirect_uri": "https://qi.example.org/oauth2callback",
    "cookie_secret": "a secret of tests, longer than thirty-two",
    "client_id": "tests",
    "client_secret": "tests",
    "server_metadata_url": "https://identity.example.org/.well-known/openid-configuration",
}


@pytest.mark.parametrize("address", ["127.0.0.1", "localhost", "::1", "127.3.2.1", "[::1]"])
def test_one_person_without_sign_in_at_this_machine_only(address):
    assert judged(address, "", {}) == Standing("one_person")
    assert judged(address, "localhost", {}) == Standing("one_person")
    assert judged(address, "qi.example.org", {}).how == "refused"


@pytest.mark.parametrize(
    "address", [None, "", "0.0.0.0", "::", "192.0.2.7", "qi.example.org", "localhost.example.org", "unix://run/qi"]
)
def test_beyond_this_machine_it_is_refused_without_sign_in(address):
    refused = judged(address, "", {})
    assert refused.how == "refused"
    assert refused.why.startswith("The app does not start: it would listen on")
    assert "secrets.toml" in refused.why
    assert judged(address, "", AUTH).how == "sign_in"


def test_sign_in_says_where_and_by_whom():
    one = judged("0.0.0.0", "", AUTH)
    assert (one.origin, one.providers, one.secure, one.hosts) == ("https://qi.example.org", ("",), True, {"qi.example.org"})
    shared = {name: AUTH[name] for name in ("redirect_uri", "cookie_secret")}
    own = {name: AUTH[name] for name in ("client_id", "client_secret", "server_metadata_url")}
    assert judged("0.0.0.0", "", {**shared, "county": own, "hospital": own}).providers == ("county", "hospital")
    near = judged("127.0.0.1", "", AUTH | {"redirect_uri": "http://localhost:8501/oauth2callback"})
    assert (near.how, near.secure) == ("sign_in", False)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        *(({name: ""}, f"{name} missing") for name in AUTH),
        ({"cookie_secret": "short"}, "shorter than 32"),
        ({"cookie_secret": "a" * 38}, "can be guessed"),
        ({"redirect_uri": "http://qi.example.org/oauth2callback"}, "begin with https"),
        ({"redirect_uri": "https://qi.example.org/"}, "/oauth2callback"),
        ({"redirect_uri": "/oauth2callback"}, "full address"),
    ],
)
def test_sign_in_that_is_set_up_in_part_is_refused_and_says_what_is_missing(changed, said):
    for address in ("127.0.0.1", "0.0.0.0"):
        refused = judged(address, "", AUTH | changed)
        assert refused.how == "refused"
        assert said in refused.why


def test_a_provider_s_own_table_must_be_whole():
    shared = {name: AUTH[name] for name in ("redirect_uri", "cookie_secret")}
    assert "client_secret" in judged("0.0.0.0", "", {**shared, "county": {"client_id": "tests"}}).why


@pytest.mark.parametrize("name", ["evil.example", "127.0.0.1.example.org", "localhost.", "", "0.0.0.0", "1"])
def test_what_is_not_this_machine(name):
    assert not is_this_machine(name)


@pytest.mark.parametrize(
    "call",
    [
        ["-m", "qi", "serve", "--address", "0.0.0.0"],
        ["-m", "streamlit", "run", str(ROOT / "app.py"), "--server.headless", "true", "--server.address", "0.0.0.0"],
    ],
    ids=["serve", "streamlit run"],
)
def test_the_program_ends_with_a_sentence(call, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("QI_LIBRARY", str(tmp_path / "library"))
    monkeypatch.setenv("STREAMLIT_SERVER_PORT", "0")
    done = subprocess.run([sys.executable, *call], cwd=tmp_path, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 2
    assert "The app does not start: it would listen on 0.0.0.0" in done.stderr
    assert not (tmp_path / "library").exists()


@pytest.mark.parametrize("off", ["server.enableCORS", "server.enableXsrfProtection"])
def test_an_app_that_lets_other_sites_ask_in_a_person_s_name_is_refused(off, monkeypatch):
    told = standing.config.get_option
    monkeypatch.setattr(standing.config, "is_manually_set", lambda _: False)
    monkeypatch.setattr(standing.config, "get_option", lambda name: "127.0.0.1" if name == "server.address" else told(name))
    assert standing.now().how == "one_person"
    here = standing.config.get_option
    monkeypatch.setattr(standing.config, "get_option", lambda name: False if name == off else here(name))
    refused = standing.now()
    assert refused.how == "refused"
    assert "must stay on" in refused.why


def test_a_name_from_a_proxy_s_headers_is_refused(monkeypatch):
    told = standing.config.get_option
    monkeypatch.setattr(
        standing.config, "get_option", lambda name: {"a": "X-User"} if name == "server.trustedUserHeaders" else told(name)
    )
    assert standing.now().how == "refused"


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are those of POSIX")
def test_at_its_start_the_app_says_who_else_may_read(tmp_path, monkeypatch, capsys):
    """The library's folder and the secrets, on the server's own output, before anybody has signed in."""
    folder, secrets = tmp_path / "library", tmp_path / "secrets.toml"
    with Library.open(folder) as library:
        library.log("opened", who="tests")
    secrets.write_text("[auth]\n" + "\n".join(f'{name} = "{value}"' for name, value in AUTH.items()), encoding="utf-8")
    monkeypatch.setenv("QI_LIBRARY", str(folder))
    monkeypatch.delenv("QI_DATABASE", raising=False)
    monkeypatch.setattr(standing, "now", lambda: standing.Standing("sign_in", origin="https://qi.example.org", providers=("",)))
    told = standing.config.get_option
    monkeypatch.setattr(standing.config, "get_option", lambda name: [str(secrets)] if name == "secrets.files" else told(name))
    start._library.cache_clear()
    secrets.chmod(0o600)
    start.middleware()
    assert "can be" not in capsys.readouterr().err
    secrets.chmod(0o644)
    (folder / "log.key").chmod(0o640)
    start.middleware()
    said = capsys.readouterr().err
    assert f"Warning: {secrets} can be read by others (mode 0644)" in said
    assert "Warning: log.key" in said
    start._library.cache_clear()
