"""[bring_in] of library.toml: the inbox, a folder apart from the library."""

import json

import pytest

from qi.library import settings
from qi.model.errors import UnknownWord, UnreadableFile


def written(folder, text):
    folder.mkdir(exist_ok=True)
    (folder / "library.toml").write_text(text, encoding="utf-8")
    return settings.read(folder)


def test_no_inbox_is_kept_where_none_is_named(tmp_path):
    assert written(tmp_path / "library", "").inbox is None
    assert written(tmp_path / "library", "[bring_in]\n").inbox is None


def test_an_inbox_is_a_folder_by_its_full_path(tmp_path):
    inbox = tmp_path / "other" / ".." / "inbox"
    assert written(tmp_path / "library", f"[bring_in]\ninbox = {json.dumps(str(inbox))}\n").inbox == tmp_path.resolve() / "inbox"


@pytest.mark.parametrize("where", [".", "library", "library/cases", "library/inbox"])
def test_library_and_inbox_lie_apart(tmp_path, where):
    with pytest.raises(UnreadableFile, match="should lie apart"):
        written(tmp_path / "library", f"[bring_in]\ninbox = {json.dumps(str(tmp_path / where))}\n")


def test_what_is_no_inbox_is_refused(tmp_path):
    for value in ("3", "true", "'last-night'", "'../inbox'"):
        with pytest.raises(UnreadableFile, match="should be a folder's full path"):
            written(tmp_path / "library", f"[bring_in]\ninbox = {value}\n")
    with pytest.raises(UnknownWord):
        written(tmp_path / "library", "[bring_in]\nfolder = '/srv'\n")
