"""The one way to write a file: whole or not at all, and flushed in the order that survives a power cut."""

import errno
import os
import stat

import pytest

from specimeter import files


def test_content_arrives_and_nothing_else(tmp_path):
    """The file holds the bytes, and no temporary file stays beside it."""
    path = files.write(tmp_path / "a.bin", b"\x00\r\n\xff" * 1000)
    assert path == tmp_path / "a.bin"
    assert path.read_bytes() == b"\x00\r\n\xff" * 1000
    assert os.listdir(tmp_path) == ["a.bin"]


def test_an_older_file_gives_way_whole(tmp_path):
    files.write(tmp_path / "a.txt", b"old and much longer")
    files.write(str(tmp_path / "a.txt"), b"new")
    assert (tmp_path / "a.txt").read_bytes() == b"new"


@pytest.mark.parametrize("name", ["a b.txt", "Prüfstück-ß.json", "é" * 120, "x" * 250])
def test_any_legal_name_will_do(tmp_path, name):
    """The temporary name does not grow with the file's: 255 bytes are the usual limit."""
    files.write(tmp_path / name, b"1")
    assert (tmp_path / name).read_bytes() == b"1"


@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_what_was_there(tmp_path, monkeypatch, step, fault):
    """Full disk or interruption at flush or rename: old content stands, the temporary file is gone, the reason is passed on."""
    files.write(tmp_path / "a.txt", b"old")

    def fail(*_):
        raise fault

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(type(fault)):
        files.write(tmp_path / "a.txt", b"new")
    monkeypatch.undo()
    assert (tmp_path / "a.txt").read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_missing_folder_is_an_error_and_stays_missing(tmp_path):
    with pytest.raises(FileNotFoundError):
        files.write(tmp_path / "no" / "a.txt", b"1")
    assert os.listdir(tmp_path) == []


def test_data_are_flushed_before_the_rename_and_the_folder_after(tmp_path, monkeypatch):
    """The order POSIX asks for: fsync of the file, rename, fsync of the folder (common practice, no source)."""
    told = []
    real_fsync, real_replace = os.fsync, os.replace

    def fsync(handle):
        told.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else f"file of {os.fstat(handle).st_size}")
        real_fsync(handle)

    def replace(source, target):
        told.append("rename")
        real_replace(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace)
    files.write(tmp_path / "a.txt", b"12345")
    assert told == ["file of 5", "rename", "folder"]


@pytest.mark.parametrize(("mask", "mode"), [(0o022, 0o644), (0o077, 0o600)])
def test_the_users_mask_decides_who_may_read(tmp_path, mask, mode):
    before = os.umask(mask)
    try:
        files.write(tmp_path / "a.txt", b"1")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == mode


@pytest.mark.parametrize(("number", "passes"), [(errno.EINVAL, True), (errno.EIO, False)])
def test_folders_that_cannot_be_flushed_are_no_fault_but_a_failing_disk_is(tmp_path, monkeypatch, number, passes):
    def fsync(_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fsync)
    if passes:
        files.sync_folder(tmp_path)
    else:
        with pytest.raises(OSError, match="Input/output"):
            files.sync_folder(tmp_path)


def test_folders_are_made_and_each_is_flushed_into_the_one_above(tmp_path, monkeypatch):
    """Where a file is put into folders that are not there, a power cut leaves neither it nor them without an entry."""
    flushed, real = [], os.fsync

    def fsync(handle):
        flushed.append(os.readlink(f"/proc/self/fd/{handle}"))
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    files.put(tmp_path / "a" / "b" / "c.txt", b"1")
    assert flushed[:2] == [str(tmp_path), str(tmp_path / "a")]
    assert flushed[-1] == str(tmp_path / "a" / "b")
    flushed.clear()
    files.put(tmp_path / "a" / "b" / "d.txt", b"1")
    assert len(flushed) == 2  # the file and its folder


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_folders_made_for_a_file_that_could_not_be_written_are_unmade(tmp_path, monkeypatch, step):
    """Those that were there before stay."""
    (tmp_path / "a").mkdir()

    def fail(*_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="Input/output"):
        files.put(tmp_path / "a" / "b" / "c" / "d.txt", b"1")
    assert [path.name for path in tmp_path.rglob("*")] == ["a"]


def test_what_came_into_a_new_folder_goes_again(tmp_path):
    """One that was empty stays, empty; one that was made for it goes too; what someone had put there before is not touched."""
    for name in ("empty", "in use"):
        (tmp_path / name).mkdir()
    (tmp_path / "in use" / "mine.txt").write_text("mine", encoding="utf-8")
    for name in ("empty", "new/inner", "in use"):

        def fill(out):
            files.put(out / "b" / "c.txt", b"1")
            files.write(out / "d.txt", b"1")
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt), files.new_folder(tmp_path / name) as out:
            fill(out)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["empty", "in use", "mine.txt"]
