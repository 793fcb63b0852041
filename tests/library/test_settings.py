"""[bring_in] of library.toml: the inbox, a folder apart from the library; [agency]: the paper that is printed on."""

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


@pytest.mark.parametrize(
    ("said", "paper"),
    [
        ("", "a4"),
        ("paper = ''", "a4"),
        ("paper = 'a4'", "a4"),
        ("paper = 'A4'", "a4"),
        ("paper = 'letter'", "letter"),
        ("paper = ' Letter'", "letter"),
    ],
)
def test_the_paper_is_a4_unless_the_agency_says_letter(tmp_path, said, paper):
    assert written(tmp_path / "library", f"[agency]\n{said}\n").paper == paper


def test_another_paper_is_refused_with_the_choices(tmp_path):
    with pytest.raises(UnknownWord, match=r"library.toml, \[agency\] paper: “legal” is not known; choose from a4, letter"):
        written(tmp_path / "library", "[agency]\npaper = 'legal'\n")
    with pytest.raises(UnreadableFile, match=r"\[agency\] paper is 4, should be a text"):
        written(tmp_path / "library", "[agency]\npaper = 4\n")
