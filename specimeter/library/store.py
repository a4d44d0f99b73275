"""Where the library lies: one folder with an SQLite file, pictures named by their SHA-256, and thumbnails."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from specimeter import files
from specimeter.data import shared
from specimeter.errors import LibraryError

FILE, VERSION = "library.sqlite", 1
KNOWLEDGE = ("terms.toml", "test_coverage.csv", "causes.csv")  # the trainer may edit these copies
BUSY_S = 60.0

SCHEMA = """
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sha256 TEXT NOT NULL UNIQUE,
    source_sha256 TEXT NOT NULL,
    suffix TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    width_px INTEGER NOT NULL,
    height_px INTEGER NOT NULL,
    hash BLOB NOT NULL,
    look BLOB NOT NULL,
    place INTEGER NOT NULL UNIQUE,
    added TEXT NOT NULL,
    data TEXT NOT NULL
);
CREATE INDEX entry_source ON entry (source_sha256);
CREATE TABLE log (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    entry INTEGER NOT NULL REFERENCES entry (id),
    at TEXT NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL, field TEXT, old TEXT, new TEXT
);
CREATE INDEX log_entry ON log (entry);
CREATE VIRTUAL TABLE finder USING fts5(words, facets, detail = 'column', prefix = '2 3 4',
                                       tokenize = "unicode61 remove_diacritics 2");
"""


class Store:
    """An open library: its folder and its connection. Each process opens its own."""

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        self.folder, self.connection = folder, connection
        self.hashes = np.empty(0, np.int64), np.empty((0, 2), np.uint64)  # of the pictures, as far as they were read

    def picture(self, sha256: str, suffix: str) -> Path:
        """Where a picture lies."""
        return self.folder / "pictures" / sha256[:2] / f"{sha256}{suffix}"

    def thumb(self, sha256: str) -> Path:
        """Where its thumbnail lies."""
        return self.folder / "thumbs" / sha256[:2] / f"{sha256}.jpg"

    def keep(self, path: Path, data: bytes) -> None:
        """Write a file of the library, its folder made if missing."""
        with explained(path.parent):
            files.put(path, data)

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """All of what is written inside, or none of it; others who write wait their turn."""
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise
        except sqlite3.OperationalError as error:
            raise LibraryError(
                f"the library cannot be written ({error})",
                file=self.folder / FILE,
                expected="a file that can be written to, room on the disk, and other writers that end within a minute",
                mend="close other programs that use the library, free some space, and do it again",
            ) from error

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        self.close()
        if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
            return  # a mistake of ours, not of the file
        if isinstance(error, sqlite3.DatabaseError):
            busy = isinstance(error, sqlite3.OperationalError)  # locked, unreadable, or without its tables
            raise LibraryError(
                f"the library {'cannot be read' if busy else 'is damaged'} ({error})",
                file=self.folder / FILE,
                expected="an SQLite file as specimeter wrote it, which no other program holds",
                mend=f"{'close other programs that use it and do it again; else ' if busy else ''}take it from a copy",
            ) from error


def create(folder: str | Path) -> Store:
    """Make an empty library in a folder that is empty or not yet there."""
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise LibraryError(
            "there is something there already" if not (folder / FILE).exists() else "there is already a library",
            file=folder,
            expected="a new or an empty folder",
            mend="choose another folder, or use the library that is there",
        )
    try:
        with files.new_folder(folder):
            for name in KNOWLEDGE:
                files.put(folder / "knowledge" / name, (shared() / name).read_bytes())
            with contextlib.closing(_connect(folder / FILE)) as connection:
                connection.executescript(f"BEGIN IMMEDIATE; {SCHEMA} PRAGMA user_version = {VERSION}; COMMIT;")
            files.sync_folder(folder)
    except (OSError, sqlite3.Error) as error:
        raise LibraryError(f"the library cannot be made there: {error}", file=folder, mend="choose another folder") from error
    return open_store(folder)


@contextlib.contextmanager
def explained(place: Path, what: str = "the library") -> Iterator[None]:
    """What the file system says while something is written there, told as a LibraryError."""
    try:
        yield
    except OSError as error:
        elsewhere = error.filename and not Path(error.filename).is_relative_to(place)
        raise LibraryError(
            f"{what} cannot be written ({error.strerror or error}{f': {error.filename}' if elsewhere else ''})",
            file=place,
            expected="a folder that can be written to, and room on the disk",
            mend="free some space, or ask for the right to write there, and do it again",
        ) from error


def open_store(folder: str | Path) -> Store:
    """Open a library that is there."""
    folder = Path(folder)
    if not (folder / FILE).is_file():
        raise LibraryError(
            "there is no library", file=folder, expected=f"a folder with {FILE}", mend=f"specimeter library init {folder}"
        )
    try:
        connection = _connect(folder / FILE)
    except sqlite3.Error as error:
        raise LibraryError(
            f"the library cannot be opened: {error}",
            file=folder / FILE,
            expected="an SQLite file as specimeter wrote it",
            mend="take it from a copy",
        ) from error
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version == VERSION:
        return Store(folder, connection)
    connection.close()
    if version > VERSION:
        raise LibraryError(f"the library is of version {version}", file=folder, expected=f"{VERSION}", mend="update specimeter")
    raise LibraryError("the library was never finished", file=folder, mend="remove the folder and make it again")


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # a commit that was reported outlives a power cut
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA cache_size = -65536")
        connection.execute("PRAGMA mmap_size = 268435456")
        connection.execute("PRAGMA user_version").fetchone()  # what is no library, or damaged, shows it here
    except BaseException:
        connection.close()
        raise
    return connection
