"""The inbox: what is typed names a folder below it or nothing, in the form of whichever system, and asks no disk before."""

from pathlib import Path

import pytest

from qi.desk.inbox import below
from qi.model.errors import QiError


@pytest.fixture
def inbox(tmp_path):
    made = tmp_path / "inbox"
    (made / "last night" / "RV-1").mkdir(parents=True)
    (tmp_path / "inbox-of-others" / "RV-2").mkdir(parents=True)
    return made


def test_what_lies_below_it(inbox):
    assert below(inbox, "last night") == inbox / "last night"
    assert below(inbox, "last night/RV-1") == inbox / "last night" / "RV-1"
    assert below(inbox, ".") == inbox


ELSEWHERE = [
    "/etc",
    "//server/share",
    "\\\\server\\share",
    "\\\\?\\UNC\\server\\share",
    "C:\\Users",
    "C:",
    "c:last night",
    "\\Users",
    "..",
    "../inbox-of-others",
    "last night/../../inbox-of-others",
    "last night\\..\\..\\inbox-of-others",
    "~",
    "not there",
    "a\0b",
    "x" * 5000,
    "",
]


@pytest.mark.parametrize("typed", ELSEWHERE)
def test_what_lies_elsewhere_is_refused_in_the_words_of_what_is_not_there(inbox, typed):
    with pytest.raises(QiError) as error:
        below(inbox, typed)
    assert str(error.value) == f"There is no folder “{typed}” in the inbox. Write its name as it stands there."


@pytest.mark.parametrize("typed", [one for one in ELSEWHERE if one not in ("~", "not there", "x" * 5000)])
def test_no_disk_is_asked_about_what_does_not_lie_below_by_its_form(inbox, typed, monkeypatch):
    asked = []
    for name in ("resolve", "exists", "stat", "is_symlink"):
        monkeypatch.setattr(Path, name, lambda self, *_, **__: asked.append(self))
    with pytest.raises(QiError):
        below(inbox, typed)
    assert asked == []


def test_a_link_that_leads_out_leads_nowhere(inbox):
    try:
        (inbox / "link").symlink_to(inbox.parent / "inbox-of-others")
        (inbox / "round").symlink_to(inbox / "round")
        (inbox / "within").symlink_to(inbox / "last night")
    except OSError:
        pytest.skip("this system makes no links")
    for typed in ("link", "link/RV-2", "round"):
        with pytest.raises(QiError, match="There is no folder"):
            below(inbox, typed)
    assert below(inbox, "within") == inbox / "last night"
