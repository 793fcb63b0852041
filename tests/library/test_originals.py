"""Imported files are kept as they came: same bytes, known digest, nothing overwritten, nothing half copied."""

import hashlib
import os
import stat

import numpy as np
import pytest

from qi.library import originals
from qi.library.originals import Original, check, digest, keep, remove
from qi.model.errors import UnreadableFile

posix = pytest.mark.skipif(os.name != "posix", reason="modes of files are those of POSIX")


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "in" / "monitor.edf"
    path.parent.mkdir()
    path.write_bytes(np.random.default_rng(1).bytes(3_000_000))
    return path


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_digests_of_the_standard(tmp_path):
    """FIPS 180-4, SHA-256 of "abc" and of nothing (both from memory)."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert digest(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(b"")
    assert digest(path) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_a_kept_file_has_the_bytes_of_its_source(source, tmp_path):
    folder = tmp_path / "library" / "case" / "originals"
    (kept,) = keep(folder, {"monitor.edf": source})
    assert kept == Original("monitor.edf", hashlib.sha256(source.read_bytes()).hexdigest(), 3_000_000)
    assert (folder / "monitor.edf").read_bytes() == source.read_bytes()
    assert names(folder) == ["monitor.edf"]
    assert check(folder, [kept]) == []


@posix
def test_the_copy_can_be_read_by_its_owner_alone_and_written_by_nobody(source, tmp_path):
    folder = tmp_path / "library" / "originals"
    keep(folder, {"monitor.edf": source})
    assert stat.S_IMODE((folder / "monitor.edf").stat().st_mode) == 0o400
    assert {stat.S_IMODE(path.stat().st_mode) for path in (folder, folder.parent)} == {0o700}


def test_the_copy_is_read_only_on_any_system(source, tmp_path):
    keep(tmp_path / "c", {"monitor.edf": source})
    assert not (tmp_path / "c" / "monitor.edf").stat().st_mode & stat.S_IWUSR


def test_another_file_of_the_same_name_is_kept_beside_it(source, tmp_path):
    folder = tmp_path / "c"
    first = keep(folder, {"monitor.edf": source})
    for number in (2, 3):
        source.write_bytes(b"other %d" % number)
        (other,) = keep(folder, {"monitor.edf": source})
        assert other.name == f"monitor ({number}).edf"
        first.append(other)
    assert check(folder, first) == []
    assert len(names(folder)) == 3


def test_the_same_bytes_under_the_same_name_are_kept_once(source, tmp_path):
    folder = tmp_path / "c"
    assert keep(folder, {"monitor.edf": source}) == keep(folder, {"monitor.edf": source})
    assert names(folder) == ["monitor.edf"]


def test_the_same_bytes_as_a_numbered_copy_are_kept_once(source, tmp_path):
    folder = tmp_path / "c"
    keep(folder, {"monitor.edf": source})
    source.write_bytes(b"other")
    assert keep(folder, {"monitor.edf": source}) == keep(folder, {"monitor.edf": source})
    assert names(folder) == ["monitor (2).edf", "monitor.edf"]


@pytest.mark.parametrize(
    "name",
    [
        "", " ", ".", "..", "../up.edf", "a/b.edf", "a\\b.edf", "/etc/x.edf", "C:x.edf", "C:\\x.edf", "x.edf:stream", ".hidden",
        "a\0b", "a\nb", "end.", "end ", "nul", "COM1.edf", "what?.edf",
    ],
)  # fmt: skip
def test_a_name_that_no_file_can_have_everywhere_is_refused_and_nothing_is_copied(source, tmp_path, name):
    folder = tmp_path / "c"
    with pytest.raises(UnreadableFile, match=r"monitor\.edf: cannot be kept as"):
        keep(folder, {"good.edf": source, name: source})
    assert not folder.exists()


@pytest.mark.parametrize("name", ["monitor 10.32.edf", "Einsatz Ü.csv", "a..b.edf", "console.edf", "case.toml"])
def test_ordinary_names_are_kept_as_they_are(source, tmp_path, name):
    (kept,) = keep(tmp_path / "c", {name: source})
    assert kept.name == name
    assert names(tmp_path / "c") == [name]


def test_a_link_is_refused(source, tmp_path):
    link = tmp_path / "link.edf"
    try:
        link.symlink_to(source)
    except OSError:
        pytest.skip("this system makes no links")
    with pytest.raises(UnreadableFile, match="symbolic link"):
        keep(tmp_path / "c", {"link.edf": link})


def test_a_folder_or_nothing_as_source_is_refused(tmp_path):
    for path in (tmp_path, tmp_path / "none.edf"):
        with pytest.raises(UnreadableFile, match="does not exist, or is no ordinary file"):
            keep(tmp_path / "c", {"x.edf": path})


def test_a_disk_that_is_full_leaves_no_half_file(source, tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(originals.os, "fsync", full)
    with pytest.raises(UnreadableFile, match=r"monitor\.edf: cannot be copied into the library: No space left on device"):
        keep(tmp_path / "c", {"monitor.edf": source})
    assert names(tmp_path / "c") == []


def test_a_process_that_dies_before_the_copy_is_whole_leaves_none_under_the_name(source, tmp_path, monkeypatch):
    """Death is played by an error that nothing but the process's end would raise, with the tidying-up taken away."""
    monkeypatch.setattr(originals, "_discard", lambda copy: None)
    monkeypatch.setattr(originals, "digest", lambda path: (_ for _ in ()).throw(SystemExit))
    with pytest.raises(SystemExit):
        keep(tmp_path / "c", {"monitor.edf": source})
    (left,) = names(tmp_path / "c")
    assert left.startswith(".")
    monkeypatch.undo()
    (kept,) = keep(tmp_path / "c", {"monitor.edf": source})
    assert check(tmp_path / "c", [kept]) == []


def test_a_copy_with_other_bytes_is_not_kept(source, tmp_path, monkeypatch):
    monkeypatch.setattr(originals, "digest", lambda path: "0" * 64)
    with pytest.raises(UnreadableFile, match="does not have the same bytes"):
        keep(tmp_path / "c", {"monitor.edf": source})
    assert names(tmp_path / "c") == []


def test_what_is_missing_changed_or_extra_is_said(source, tmp_path):
    folder = tmp_path / "c"
    kept = keep(folder, {"a.edf": source, "b.edf": source, "c.edf": source, "d.edf": source})
    (folder / "b.edf").chmod(0o600)
    (folder / "b.edf").unlink()
    (folder / "c.edf").chmod(0o600)
    with (folder / "c.edf").open("r+b") as file:
        file.write(b"changed")
    (folder / "d.edf").chmod(0o600)
    with (folder / "d.edf").open("ab") as file:
        file.write(b"more")
    (folder / "e.edf").write_bytes(b"new")
    (folder / ".DS_Store").write_bytes(b"")
    said = check(folder, kept)
    assert len(said) == 4
    assert said[0] == "b.edf is missing."
    assert said[1].startswith("c.edf has changed: its SHA-256 is ")
    assert kept[2].sha256 in said[1]
    assert said[2] == "d.edf has changed: it holds 3000004 bytes, 3000000 when it was imported."
    assert said[3] == "e.edf is there and was never imported."


def test_a_link_or_folder_in_place_of_an_original_is_said(source, tmp_path):
    folder = tmp_path / "c"
    (kept,) = keep(folder, {"a.edf": source})
    (folder / "a.edf").chmod(0o600)
    (folder / "a.edf").unlink()
    (folder / "a.edf").mkdir()
    assert check(folder, [kept]) == ["a.edf is no ordinary file any more."]


def test_a_name_that_leads_out_of_the_folder_is_not_followed(source, tmp_path):
    (kept,) = keep(tmp_path / "c", {"a.edf": source})
    outside = Original("../in/monitor.edf", kept.sha256, kept.bytes)
    (said,) = check(tmp_path / "c", [kept, outside])
    assert "cannot be the name of an original" in said


def test_a_folder_that_is_gone_lacks_every_file(source, tmp_path):
    kept = keep(tmp_path / "c", {"a.edf": source})
    remove(tmp_path / "c")
    assert check(tmp_path / "c", kept) == ["a.edf is missing."]


def test_removal_clears_the_read_only_flag_first(source, tmp_path, monkeypatch):
    """On Windows a read-only file cannot be deleted: all must be writable when the deleting begins."""
    folder = tmp_path / "case" / "originals"
    keep(folder, {"a.edf": source, "b.edf": source})
    writable = []
    delete = originals.shutil.rmtree

    def watched(path):
        writable.extend(bool(file.stat().st_mode & stat.S_IWUSR) for file in path.rglob("*.edf"))
        delete(path)

    monkeypatch.setattr(originals.shutil, "rmtree", watched)
    remove(tmp_path / "case")
    assert writable == [True, True]
    assert not (tmp_path / "case").exists()
    remove(tmp_path / "case")
    assert source.exists()
