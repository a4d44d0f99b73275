"""Put a record's folder on disk so that at any moment it is whole or absent, and an older one is never lost."""

from __future__ import annotations

import contextlib
import datetime
import errno
import hashlib
import os
import re
import secrets
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path

from specimeter import files as one_way
from specimeter.errors import RecordError, SheetError
from specimeter.record.folder import RECORD, SUMS, sums

try:
    import fcntl
except ImportError:  # not POSIX: leftovers of killed runs are then left alone
    fcntl = None  # type: ignore[assignment]

MAX_ID_BYTES = 120
_LEAST_FREE_BYTES = 1_000_000  # no record is smaller than this, report and overlay included
_PART = ".part"
_REPLACED = ".replaced-"
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "123456789¹²³")}  # on Windows
_TAKEN = (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR)


def check_writable(out: str | Path, id: str, replace: bool = False) -> None:
    """Find out before the long work whether `commit` could put the record there; leaves nothing behind.

    Raises
    ------
    SheetError
        The id cannot name a folder.
    RecordError
        `out` is a file or not writable, the record exists and is not to be replaced, or the disk is full.
    """
    if not str(out):
        raise RecordError("--out is empty", expected="a folder for the record", mend="name one, such as --out records")
    out = Path(out)
    target = out / folder_name(id)
    with _explained(out):
        os.fsencode(target.absolute())
        if os.path.lexists(target) and not replace:
            raise _already_there(target)
        place = next(folder for folder in (out, *out.absolute().parents) if os.path.lexists(folder))
        trial = place / f".{secrets.token_hex(8)}{_PART}"
        try:
            os.mkdir(trial)
        finally:
            with contextlib.suppress(OSError):
                os.rmdir(trial)
        if shutil.disk_usage(place).free < _LEAST_FREE_BYTES:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def commit(
    record_json: bytes,
    files: Mapping[str, bytes],
    *,
    out: str | Path,
    id: str,
    replace: bool = False,
    keep: bool = True,
    instead_of: str | None = None,
) -> Path:
    """Write the folder ``out/<id>/`` with ``record.json``, the other files and ``SHA256SUMS``, all of it or none of it.

    The folder is built under a hidden name beside its place, flushed to disk, and appears by one rename, or by changing places
    with the one that gives way.

    Parameters
    ----------
    record_json : bytes
        Content of ``record.json``.
    files : mapping of str to bytes
        Further files of the folder by plain name: ``overlay.png``, ``report.pdf``.
    out : str or Path
        Folder of records; made if missing.
    id : str
        The specimen's id, which becomes the folder's name.
    replace : bool
        Whether an existing record may give way; it is kept beside as ``<id>.replaced-<UTC time>``.
    keep : bool
        False where the new record's own log tells all that the old one held: the old folder is then removed.
    instead_of : str, optional
        SHA-256 of the ``record.json`` that is to give way; another one there meanwhile is refused.

    Returns
    -------
    Path
        The record's folder.

    Raises
    ------
    SheetError
        The id cannot name a folder.
    RecordError
        `out` is a file or not writable, the record exists and is not to be replaced, or the disk is full.
        Nothing is left behind.
    """
    out = Path(out)
    target = out / folder_name(id)
    content = {**files, RECORD: record_json}
    if SUMS in content or len(content) != len(files) + 1 or any(_fault(name) for name in content):
        raise ValueError(f"files of a record need plain, distinct names: {sorted(files)}")
    with _explained(out), one_way.folder(out):
        _sweep(out)
        if os.path.lexists(target) and not replace:
            raise _already_there(target)
        with _temporary(out, target.name if replace and keep else None) as temporary:
            for name, data in {**content, SUMS: sums(content)}.items():
                one_way.write(temporary / name, data)
            with _alone(out):
                if instead_of is not None and _hash_there(target) != instead_of:
                    raise RecordError(
                        "somebody changed the record meanwhile",
                        file=target,
                        expected="the record that the change began with",
                        mend="look at it as it is now, and make the change again",
                    )
                if not replace or not _changed_places(temporary, target, keep=keep):
                    kept = _put(temporary, target, replace=replace)
                    if kept is not None and not keep:
                        shutil.rmtree(kept, ignore_errors=True)
        one_way.sync_folder(out)
    return target


def folder_name(id: str) -> str:
    """The id itself, if a folder may bear it on any usual system; SheetError says why it may not."""
    fault = _fault(id)
    if fault is None and _REPLACED in id:
        fault = f"contains {_REPLACED!r}, which marks records that were replaced"
    if fault is not None:
        raise SheetError(
            f"the id {id!r} cannot name the record's folder: it {fault}",
            field="specimen.id",
            expected=f"letters, digits, hyphens, dots or underscores, at most {MAX_ID_BYTES} bytes",
            mend="change the id, for example to SB-25-03",
        )
    return id


def _fault(name: str) -> str | None:
    if not name.strip():
        return "is empty"
    if found := re.search(r'[/\\<>:"|?*]', name):
        return f"contains {found.group()!r}, which separates folders or is forbidden in names"
    if not name.isprintable():
        return "contains a control character or an invisible one"
    if name.startswith((".", " ")) or name.endswith((".", " ")):
        return "begins or ends with a dot or a space"
    if name.split(".")[0].rstrip().lower() in _RESERVED:
        return "is a device name on Windows"
    if (size := len(name.encode())) > MAX_ID_BYTES:
        return f"has {size} bytes"
    return None


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
    """While one process looks at what is there and puts its own in its place, no other does; the lock ends with it."""
    handle = None
    try:
        if fcntl is not None:
            with contextlib.suppress(OSError):  # no locks on this file system
                handle = os.open(out, os.O_RDONLY)
                fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _hash_there(target: Path) -> str | None:
    try:
        return hashlib.sha256((target / RECORD).read_bytes()).hexdigest()
    except FileNotFoundError:
        return None


def _changed_places(temporary: Path, target: Path, *, keep: bool) -> bool:
    """Put the new record into its place and the old one into the temporary folder, in one step; from there beside the new one
    if it is kept, else both change back.

    False where there is no old one, or where the system has no such step.
    """
    try:
        if not one_way.exchange(temporary, target):
            return False
    except FileNotFoundError:
        return False
    if keep:
        try:
            with contextlib.suppress(FileNotFoundError):  # another run has put it there meanwhile
                os.rename(temporary, _free_name(target))
        except BaseException:
            with contextlib.suppress(OSError):
                one_way.exchange(temporary, target)
            raise
    return True


def _put(temporary: Path, target: Path, *, replace: bool) -> Path | None:
    """One rename; before it, where a record gives way, another one, which is undone if the new record cannot take its place.

    Returns where the old record lies now, if there was one.
    """
    kept = None
    try:
        while True:
            if os.path.lexists(target):
                if not replace:
                    raise _already_there(target)
                kept = _free_name(target)
                with contextlib.suppress(FileNotFoundError):  # another run may have moved it meanwhile
                    os.rename(target, kept)
            try:
                os.rename(temporary, target)
                return kept
            except OSError as error:
                if error.errno not in _TAKEN or not os.path.lexists(target):
                    raise
    except BaseException:
        if kept is not None and os.path.lexists(kept) and not os.path.lexists(target):
            with contextlib.suppress(OSError):
                os.rename(kept, target)
        raise


def _free_name(target: Path) -> Path:
    stamp = datetime.datetime.now(datetime.UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    kept = target.with_name(f"{target.name}{_REPLACED}{stamp}")
    return kept if not os.path.lexists(kept) else _free_name(target)


def _already_there(target: Path) -> RecordError:
    return RecordError(
        "there is already a record of this name",
        file=target,
        expected="a new id: a record is never overwritten",
        mend="give the specimen another id, another --out folder, or --replace, which keeps the old record beside the new one",
    )


@contextlib.contextmanager
def _temporary(out: Path, instead_of: str | None) -> Iterator[Path]:
    """A hidden folder, locked while this process lives (the system drops the lock however it ends), removed if still there.

    Where it is to change places with a record that is kept, its name tells which record, and which folder it was itself.
    """
    swept = True
    while swept:
        temporary, handle = out / f".{secrets.token_hex(8)}{_PART}", None
        try:
            os.mkdir(temporary)
            if instead_of is not None:
                with contextlib.suppress(FileNotFoundError):  # another run has swept it away meanwhile
                    marked = out / f"{temporary.stem}-{os.stat(temporary).st_ino}-{instead_of}{_PART}"
                    os.rename(temporary, marked)
                    temporary = marked
            if fcntl is not None:
                with contextlib.suppress(OSError):  # gone already, or no locks on this file system: nothing is ever swept there
                    handle = os.open(temporary, os.O_RDONLY)
                    fcntl.flock(handle, fcntl.LOCK_EX)
            swept = not os.path.lexists(temporary)  # by another run, before the lock was held
            if not swept:
                yield temporary
        finally:
            _clear(temporary)
            if handle is not None:
                os.close(handle)


def _clear(temporary: Path) -> None:
    """Remove a temporary folder; an old record that took its name, and went no further, is put beside the new one instead."""
    named = re.fullmatch(rf"\.[0-9a-f]{{16}}-(\d+)-(.+){re.escape(_PART)}", temporary.name)
    with contextlib.suppress(OSError):  # it stays under its name, and the next run tries again
        if named and os.lstat(temporary).st_ino != int(named[1]):
            os.rename(temporary, _free_name(temporary.with_name(named[2])))
        else:
            shutil.rmtree(temporary, ignore_errors=True)


def _sweep(out: Path) -> None:
    """Clear away temporary folders of runs that were killed: those whose lock nobody holds any more."""
    if fcntl is None:
        return
    for leftover in out.glob(f".{'[0-9a-f]' * 16}*{_PART}"):
        with contextlib.suppress(OSError):
            handle = os.open(leftover, os.O_RDONLY | os.O_DIRECTORY)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                _clear(leftover)
            finally:
                os.close(handle)


@contextlib.contextmanager
def _explained(out: Path) -> Iterator[None]:
    """What the file system says, told as a RecordError."""
    try:
        yield
    except RecordError:
        raise
    except UnicodeEncodeError as error:
        raise RecordError(
            "this computer's locale cannot write the name of the folder or of the record",
            file=out,
            expected="a locale with UTF-8",
            mend="set LC_ALL=C.UTF-8, or use plain letters in the id and the folder",
        ) from error
    except OSError as error:
        expected, mend = "a folder that can be written to", "choose another --out folder, or ask for the right to write there"
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            problem, expected = "the disk is full: the record was not written", "room for the record, some megabytes"
            mend = "free some space, or choose an --out folder on another disk"
        elif error.errno in (errno.ENOTDIR, errno.EEXIST) or out.is_file():
            problem = "this is, or leads through, a file and not a folder"
        elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            problem = "the folder is not writable"
        else:
            problem = f"the record cannot be written there ({error.strerror or error})"
        raise RecordError(problem, file=out, expected=expected, mend=mend) from error
