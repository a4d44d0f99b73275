"""The one way to write a file that is kept: beside its place, flushed to disk, renamed, folder flushed."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

_HERE, _EXCHANGE = -100, 2  # AT_FDCWD, RENAME_EXCHANGE


def write(path: str | Path, data: bytes) -> Path:
    """Write a whole file or leave what was there: a reader never sees a part of it.

    Parameters
    ----------
    path : str or Path
        Where the file goes; its folder must exist.
    data : bytes
        The whole content.

    Returns
    -------
    Path
        The path written.

    Raises
    ------
    OSError
        Whatever the file system says (no space, not permitted); the temporary file is removed first.
    """
    path = Path(path)
    temporary = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with open(temporary, "xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    sync_folder(path.parent)
    return path


@contextlib.contextmanager
def folder(path: str | Path) -> Iterator[Path]:
    """A folder to write into, made if missing, it and those above it, and unmade if the work inside fails.

    Each is flushed into the folder that holds it before anything is written. One whose flush failed is unmade too, so that
    whoever tries again makes and flushes it anew: a flush that failed is not to be trusted when it is only repeated.

    Raises
    ------
    OSError
        Whatever the file system says.
    """
    path = Path(path)
    missing = [place for place in (path, *path.parents) if not os.path.lexists(place)]
    made = []
    try:
        for place in reversed(missing):
            with contextlib.suppress(FileExistsError):
                os.mkdir(place)
                made.append(place)
            sync_folder(place.parent)
        yield path
    except BaseException:
        for place in reversed(made):
            with contextlib.suppress(OSError):  # not empty: someone else uses it already
                os.rmdir(place)
        raise


def put(path: str | Path, data: bytes) -> Path:
    """As `write`, into a folder that is made if missing; it is unmade if the file cannot be written."""
    path = Path(path)
    with folder(path.parent):
        return write(path, data)


@contextlib.contextmanager
def new_folder(path: str | Path) -> Iterator[Path]:
    """A folder while it is filled: whatever came into it goes again if the work inside fails; what was there before stays.

    A run that is killed leaves a part, so what makes such a folder worth reading is written last.

    Raises
    ------
    OSError
        Whatever the file system says.
    """
    with folder(path) as made:
        before = set(made.iterdir())
        try:
            yield made
        except BaseException:
            for inner in set(made.iterdir()) - before:
                with contextlib.suppress(OSError):
                    shutil.rmtree(inner) if inner.is_dir() else inner.unlink()
            raise


def read(path: str | Path, *, most: int) -> bytes:
    """A whole file of at most so many bytes: what is larger, or never ends, is refused before it fills the memory.

    Raises
    ------
    OSError
        Whatever the file system says; EFBIG if the file is larger.
    """
    with open(path, "rb") as stream:
        data = stream.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"it is larger than {most / 1e6:.0f} MB", str(path))
    return data


def exchange(one: str | Path, other: str | Path) -> bool:
    """Let two files or folders of one file system change places in a single step; False where the system cannot.

    Linux has a call for it (``renameat2`` with ``RENAME_EXCHANGE``, since 3.15), which Python does not offer.

    Raises
    ------
    OSError
        If it can, and fails: one of them is not there, not permitted.
    """
    call = _renameat2()
    if call is None:
        return False
    if call(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(number, os.strerror(number), os.fspath(other))


@cache
def _renameat2() -> Callable[..., int] | None:
    try:
        return ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return None


def sync_folder(folder: str | Path) -> None:
    """Flush a folder's own entries to disk, so that a rename in it outlives a power cut.

    Where folders cannot be flushed (not POSIX, some network file systems) there is nothing to do.
    """
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)
