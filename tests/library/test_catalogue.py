"""What is put into the library stays in it, once, whole, whoever else writes and whenever a writer is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from specimeter.errors import LibraryError
from specimeter.library import catalogue, picture, store
from specimeter.library.check import check
from specimeter.library.entry import made

WRITER = """
import sys
from pathlib import Path
from specimeter.library import catalogue, picture, store
from specimeter.library.entry import made
with store.open_store(sys.argv[1]) as library:
    for path in sorted(Path(sys.argv[2]).glob("*.png")):
        done = catalogue.add(library, picture.copy_of(path), made({"title": path.stem}))
        print(done.id, done.new, flush=True)
"""


@pytest.fixture
def folder(tmp_path, pictures):
    """Thirty pictures."""
    inside = tmp_path / "pictures"
    inside.mkdir()
    for seed in range(30):
        Image.fromarray(pictures[0](seed)).save(inside / f"{seed:03d}.png")
    return inside


def writer(library: Path, folder: Path) -> subprocess.Popen:
    """A process that adds a folder, telling of each picture once it is kept."""
    return subprocess.Popen([sys.executable, "-c", WRITER, str(library), str(folder)], stdout=subprocess.PIPE, text=True)


def test_an_entry_comes_back_as_it_was_given(library, pictures, tmp_path):
    Image.fromarray(pictures[0](1)).save(tmp_path / "a.png")
    seen = [{"id": "f1", "kind": "pore", "outline_px": [[1.5, 2], [3, 2], [3, 4]], "length_mm": 1.25, "cause": "slag"}]
    entry = made({"title": "A face — with 'quotes'", "test": "side-bend", "seen": seen, "tags": ["good"], "quality": 77})
    done = catalogue.add(library, picture.copy_of(tmp_path / "a.png"), entry, who="trainer")
    one = catalogue.get(library, done.id)
    assert one.entry == entry
    assert (one.width_px, one.height_px) == (160, 120)
    assert one.entry.kinds == ("pore", "slag")
    assert library.picture(one.sha256, one.suffix).is_file()
    with Image.open(library.thumb(one.sha256)) as thumb:
        assert max(thumb.size) <= picture.THUMB_PX


def test_the_same_picture_is_kept_once_and_a_near_one_is_named(library, pictures, tmp_path):
    patterned, with_metadata = pictures
    (tmp_path / "a.jpg").write_bytes(with_metadata(patterned(1)))
    Image.fromarray(patterned(1)).save(tmp_path / "b.jpg", quality=60)
    first = catalogue.add(library, picture.copy_of(tmp_path / "a.jpg"), made({"title": "a"}))
    again = catalogue.add(library, picture.copy_of(tmp_path / "a.jpg"), made({"title": "a again"}))
    near = catalogue.add(library, picture.copy_of(tmp_path / "b.jpg"), made({"title": "b"}))
    assert (first.new, again.new, near.new) == (True, False, True)
    assert again.id == first.id
    assert near.nearly == (first.id,)


def test_a_change_is_logged_with_what_was_there(filled):
    one = catalogue.edit(filled, 2, {"quality": 99, "notes": "seen by <b>all</b>", "process": None}, who="trainer")
    assert (one.entry.quality, one.entry.process) == (99, None)
    lines = [line for line in catalogue.history(filled, 2) if line["what"] == "changed"]
    assert {(line["field"], line["old"]) for line in lines} == {("quality", "60"), ("notes", "null"), ("process", '"136"')}
    assert next(catalogue.every(filled)).id == 2
    assert not check(filled).faults


@pytest.mark.parametrize(
    ("changes", "field"), [({"kwality": 3}, "kwality"), ({"quality": 101}, "quality"), ({"test": "side bend"}, "test")]
)
def test_a_wrong_change_is_refused_and_changes_nothing(filled, changes, field):
    before = catalogue.get(filled, 1)
    with pytest.raises(LibraryError) as refused:
        catalogue.edit(filled, 1, changes)
    assert refused.value.field == field
    assert catalogue.get(filled, 1) == before


def test_two_processes_write_at_once_and_nothing_is_lost(tmp_path, folder):
    """Both add the same thirty pictures: every picture is there once, and each process knows the number of each."""
    store.create(tmp_path / "library").close()
    both = [writer(tmp_path / "library", folder) for _ in range(2)]
    told = [process.communicate(timeout=60)[0].split("\n")[:-1] for process in both]
    assert [process.returncode for process in both] == [0, 0]
    numbers = [{line.split()[0] for line in lines} for lines in told]
    assert numbers[0] == numbers[1]
    assert len(numbers[0]) == 30
    assert sum(line.endswith("True") for lines in told for line in lines) == 30
    with store.open_store(tmp_path / "library") as library:
        assert catalogue.count(library) == 30
        assert not check(library).faults


@pytest.mark.parametrize("after", [1, 7])
def test_what_was_told_to_be_kept_outlives_a_kill(tmp_path, folder, after):
    """A writer is killed in the midst of its work: each entry it told of is there, whole, and the next writer goes on."""
    store.create(tmp_path / "library").close()
    process = writer(tmp_path / "library", folder)
    told = [process.stdout.readline() for _ in range(after)]
    time.sleep(0.003 * after)
    os.kill(process.pid, signal.SIGKILL)
    told += process.communicate()[0].splitlines()
    with store.open_store(tmp_path / "library") as library:
        health = check(library)
        assert health.faults == []
        assert health.entries >= len([line for line in told if line.strip()])
    again = writer(tmp_path / "library", folder)
    again.communicate(timeout=60)
    assert again.returncode == 0
    with store.open_store(tmp_path / "library") as library:
        health = check(library, mend=True)
        assert (health.entries, health.faults) == (30, [])
        assert check(library).leftovers == []


def test_a_check_sees_what_is_wrong(filled):
    """A picture changed, one missing, a thumbnail gone, an index that lost an entry, a file too many."""
    ones = {one.id: one for one in catalogue.every(filled)}
    filled.picture(ones[1].sha256, ".png").write_bytes(b"other")
    filled.picture(ones[2].sha256, ".png").unlink()
    filled.thumb(ones[3].sha256).unlink()
    filled.connection.execute("DELETE FROM finder WHERE rowid = (SELECT place FROM entry WHERE id = 4)")
    (filled.folder / "pictures" / "stray.png").write_bytes(b"stray")
    health = check(filled)
    assert len(health.faults) == 4
    assert [path.name for path in health.leftovers] == ["stray.png"]
    mended = check(filled, mend=True)
    assert len(mended.faults) == 2
    assert check(filled).leftovers == []


def test_a_picture_that_the_disk_does_not_give_is_told(filled):
    """A real input/output error (Linux gives one to who reads memory as a file, from address 0); --mend cannot mend it."""
    one = next(catalogue.every(filled))
    picture_file = filled.picture(one.sha256, one.suffix)
    picture_file.unlink()
    picture_file.symlink_to("/proc/self/mem")
    filled.thumb(one.sha256).unlink()
    for mend in (False, True):
        told = "\n".join(check(filled, mend=mend).faults)
        assert f"{picture_file.name} cannot be read (Input/output error)" in told
        assert picture_file.is_symlink()


def test_a_library_is_not_made_over_something(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(LibraryError, match="something there already"):
        store.create(tmp_path / "a")
    with pytest.raises(LibraryError, match="no library"):
        store.open_store(tmp_path / "a")


def test_looks_are_of_length_one(filled):
    rows = filled.connection.execute("SELECT look FROM entry").fetchall()
    looks = np.frombuffer(b"".join(row[0] for row in rows), np.float32).reshape(len(rows), -1)
    assert looks.shape == (8, 96)
    assert np.linalg.norm(looks, axis=1) == pytest.approx(1, abs=1e-5)


def test_flat_pictures_are_not_taken_for_each_other(library, tmp_path):
    """Two nearly black pictures with a mark each at another place share most of a hash, and are told apart."""
    for number, place in enumerate([(20, 30), (90, 100)]):
        flat = np.zeros((120, 160, 3), np.uint8)
        flat[place[0] : place[0] + 4, place[1] : place[1] + 30] = 255
        Image.fromarray(flat).save(tmp_path / f"{number}.png")
        done = catalogue.add(library, picture.copy_of(tmp_path / f"{number}.png"), made({"title": f"{number}"}))
    assert len(catalogue.near(library, library.connection.execute("SELECT hash FROM entry").fetchone()[0])) == 2
    assert done.nearly == ()


def test_a_disk_that_takes_no_more_is_told_and_nothing_is_half_there(library, tmp_path, pictures, monkeypatch):
    """The picture cannot be written, or the database is locked for too long: an error to act on, no entry."""
    Image.fromarray(pictures[0](1)).save(tmp_path / "a.png")
    copy = picture.copy_of(tmp_path / "a.png")

    def full(path, data):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(store.files, "write", full)
        with pytest.raises(LibraryError, match="No space left"):
            catalogue.add(library, copy, made({"title": "a"}))
    assert catalogue.count(library) == 0
    library.connection.execute("PRAGMA busy_timeout = 50")
    with store.open_store(library.folder) as other, other.writing(), pytest.raises(LibraryError, match="locked"):
        catalogue.add(library, copy, made({"title": "a"}))
    assert catalogue.add(library, copy, made({"title": "a"})).new
    assert not check(library).faults
