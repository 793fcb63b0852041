"""Files made at a click: whose they are, what must hold for whoever has one, then and later, and that they go with their case."""

import json
import time
from types import SimpleNamespace

import pytest
from streamlit.runtime.media_file_manager import MediaFileManager
from streamlit.runtime.media_file_storage import MediaFileStorageError
from streamlit.runtime.memory_media_file_storage import MemoryMediaFileStorage
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.people import NOBODY, Person
from qi.serving import files, start
from qi.serving.given import Asked, Given
from tests.library.made_cases import bring_in
from tests.serving.test_gate import COOKIE, SECRET, SIGN_IN, Client, sent

DIRECTOR, CREW = Person("R. Adeyemi", roles=frozenset({"medical_director"})), Person("R. Adeyemi", roles=frozenset({"crew"}))
EDF = Asked("export_identity", "abcdefghijkl")


def no(_):
    return False


def yes(_):
    return True


@pytest.fixture
def manager(monkeypatch):
    """Streamlit's own keeper of files, with one open session, of the person known as 7; watched."""
    made = MediaFileManager(MemoryMediaFileStorage("/media"))
    session = SimpleNamespace(id="dontcare", _user_info={"sub": "7"})  # the id that Streamlit gives outside of a run
    sessions = SimpleNamespace(list_active_sessions=lambda: [SimpleNamespace(session=session)])
    running = SimpleNamespace(media_file_mgr=made, _session_mgr=sessions)
    monkeypatch.setattr(files, "Runtime", SimpleNamespace(instance=lambda: running))
    monkeypatch.setattr(files, "exists", lambda: True)
    monkeypatch.setattr(files, "MADE", files.MadeAtAClick())
    files.watch()
    return made


def clicked(manager, given, at="1.0"):
    """Name of the file that a click makes."""
    return manager.execute_deferred(manager.add_deferred(given, "text/csv", at)).removeprefix("/media/")


def test_a_file_is_its_maker_s_and_theirs_only_while_they_may_have_it(manager):
    file = clicked(manager, Given(lambda: b"one", EDF, "7"))
    seen = []
    assert files.holds("7", file, lambda asked: seen.append(asked) or True)
    assert seen == [EDF]
    assert not files.holds("7", file, no)
    assert not files.holds("8", file, yes)
    assert not files.holds("", file, yes)
    assert not files.holds("7", "another.csv", yes)


def test_of_two_ways_to_one_file_either_will_do(manager):
    first = clicked(manager, Given(lambda: b"one", EDF, "7"))
    second = clicked(manager, Given(lambda: b"one", Asked("see_trends"), "7"), "2.0")
    assert first == second
    assert files.holds("7", first, lambda asked: asked.act == "see_trends")
    assert not files.holds("7", first, lambda asked: asked.act == "sign")


def test_what_says_nothing_of_whom_it_is_for_is_not_made(manager):
    made = []
    for given in (lambda: made.append(1) or b"one", Given(lambda: made.append(2) or b"one", EDF, "8")):
        with pytest.raises(MediaFileStorageError, match="could not be made"):
            clicked(manager, given)
    assert made == []


def test_of_a_file_that_could_not_be_made_the_browser_and_the_log_hear_no_words(manager, caplog):
    def make():
        raise QiError("Jane Doe, 54 years")

    with pytest.raises(MediaFileStorageError) as error:
        clicked(manager, Given(make, EDF, "7"))
    assert str(error.value) == "The file could not be made."
    assert error.value.__cause__ is None
    assert error.value.__suppress_context__
    assert "A file could not be made: QiError at" in caplog.text
    assert "Doe" not in caplog.text


def test_files_go_with_their_case_and_so_does_what_would_make_them_again(manager):
    of_gone, of_kept = Given(lambda: b"gone", EDF, "7"), Given(lambda: b"kept", Asked("export", "mnopqrstuvwx"), "7")
    gone, kept, table = clicked(manager, of_gone), clicked(manager, of_kept, "2.0"), Given(lambda: b"all", Asked("see_trends"), "7")
    every = clicked(manager, table, "3.0")
    files.forget(lambda case: case != EDF.case)
    assert not files.holds("7", gone, yes)
    assert manager.read_file(gone) is None
    assert files.holds("7", kept, yes)
    assert files.holds("7", every, yes)
    assert manager.read_file(kept).content == b"kept"
    assert {entry["callable"] for entry in manager._deferred_callables.values()} == {of_kept, table}


def test_the_oldest_are_forgotten_first():
    made = files.MadeAtAClick()
    made.keep("a", "7", EDF)
    assert made.asked("a", "7") == {EDF}
    assert not made.asked("a", "8")
    for number in range(files.MOST):
        made.keep(str(number), "7", EDF)
    assert not made.knows("a")


def test_the_gate_asks_at_each_answer(manager, monkeypatch):
    monkeypatch.setattr("streamlit.web.server.starlette.starlette_websocket.get_cookie_secret", lambda: SECRET)
    file = clicked(manager, Given(lambda: b"one", EDF, "7"))
    for roles, status in ((["medical_director"], 200), (["reviewer"], 403), (["crew"], 403), ([], 403)):
        told = {"is_logged_in": True, "sub": "7", "iat": time.time(), "roles": roles}
        cookie = {COOKIE: create_signed_value(SECRET, COOKIE, json.dumps(told)).decode()}
        assert Client(SIGN_IN).get(f"/media/{file}", headers=sent(cookie)).status_code == status, roles


def test_a_person_may_have_a_file_by_their_roles_and_while_its_case_is_there(tmp_path, monkeypatch):
    with Library.open(tmp_path / "library") as library:
        monkeypatch.setattr(start, "_library", lambda: library)
        key = bring_in(library, tmp_path)
        for asked in (Asked("export_identity", key), Asked("export_identity")):
            assert start.may_have(DIRECTOR, asked)
            assert not start.may_have(CREW, asked)
            assert not start.may_have(NOBODY, asked)
        assert not start.may_have(
            Person("J. Weller", roles=frozenset({"crew"}), crew_ids=frozenset({"?"})), Asked("read_own_sheets", key)
        )
        library.remove(key, who="tests")
        assert not start.may_have(DIRECTOR, Asked("export_identity", key))
        assert start.may_have(DIRECTOR, Asked("export_identity"))
