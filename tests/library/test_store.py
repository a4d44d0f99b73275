"""What a library's file says when something goes wrong with it: held by another program, damaged, or used wrongly by us."""

from __future__ import annotations

import sqlite3

import pytest

from specimeter.errors import LibraryError
from specimeter.library.store import create


@pytest.mark.parametrize(
    ("error", "said"),
    [(sqlite3.OperationalError("database is locked"), "cannot be read"), (sqlite3.DatabaseError("malformed"), "is damaged")],
)
def test_a_library_that_another_program_holds_is_not_called_damaged(tmp_path, error, said):
    with pytest.raises(LibraryError, match=said), create(tmp_path / "library"):
        raise error


def test_a_mistake_of_ours_is_no_fault_of_the_file(tmp_path):
    with pytest.raises(sqlite3.IntegrityError), create(tmp_path / "library"):
        raise sqlite3.IntegrityError("UNIQUE constraint failed")
