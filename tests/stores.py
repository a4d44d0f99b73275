"""The stores that keep a person's work, each with an old state and an act that makes it new: what the trials of faults act on.

`make` makes the old state in a folder, `open` opens a copy of it as another process would, `act` makes it new, `found` says
which of the two another process finds, and fails where it is neither.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

import pytest
from PIL import Image
from specimeter_napari import journal as journals

from specimeter import files, job, revise
from specimeter.errors import LibraryError
from specimeter.library import catalogue, check, exercise, picture, publish
from specimeter.library import store as libraries
from specimeter.library.entry import made
from specimeter.library.exchange import transfer
from specimeter.record import build, folder, issue, model, recompute, seal, store
from specimeter.report import house


class Kept:
    """What most of them do: nothing needs to be open, nothing is to be cleared away before one tries again."""

    def open(self) -> None:
        """As another process would, to act on it."""

    def tidy(self) -> None:
        """What the person has to do who was told that the act failed."""

    def close(self) -> None:
        """Let go of it."""


class AFile(Kept):
    """One file written over."""

    def __init__(self, place: Path) -> None:
        self.path = place / "a.txt"

    def make(self) -> None:
        files.write(self.path, b"old" * 20)

    def open(self) -> None:
        for part in self.path.parent.glob(".*.part"):  # of a process that was killed; each room sweeps its own
            part.unlink()

    def act(self) -> None:
        files.write(self.path, b"newer" * 20)

    def found(self) -> str:
        assert [name for name in os.listdir(self.path.parent) if name[0] != "."] == ["a.txt"]
        return {b"old" * 20: "old", b"newer" * 20: "new"}[self.path.read_bytes()]


class ARecord(Kept):
    """A record that gives way to another."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def make(self) -> None:
        self.commit("old", replace=False)

    def commit(self, text: str, *, replace: bool) -> None:
        content = text.encode() * 20
        store.commit(content, {"a.bin": content}, out=self.place, id="SB-1", replace=replace, keep=False)

    def act(self) -> None:
        self.commit("new", replace=True)

    def found(self) -> str:
        folder = self.place / "SB-1"
        texts = {(folder / name).read_bytes() for name in ("record.json", "a.bin")}
        assert len(texts) == 1, "the folder is mixed"
        assert sorted(os.listdir(folder)) == ["SHA256SUMS", "a.bin", "record.json"]
        assert all(name == "SB-1" or name.startswith(".") for name in os.listdir(self.place))
        return texts.pop()[:3].decode()


class AnIssue(Kept):
    """A reviewed record that is issued and sealed; its report is a few bytes, and its numbers, which an issue does not change,
    are not worked out anew: only the store is tried.
    """

    SOURCE = Path(__file__).parent / "record" / "sealed"
    STAND_IN: ClassVar = {"overlay.png": b"picture" * 9, "report.html": b"page" * 9}

    def __init__(self, place: Path) -> None:
        self.place = place
        self.patch = pytest.MonkeyPatch()

    def make(self) -> None:
        sealed = model.load(self.SOURCE / "record.json")
        parts = model.parts_of(sealed) | {"issue": None, "log": sealed.log[:-1]}
        parts["review"] = sealed.review.model_copy(update={"state": "reviewed"})
        record = model.logged(parts, {"when": sealed.log[-1].when, "who": "A. Reader", "what": "looked over"})
        store.commit(build.to_json(record), dict(self.STAND_IN), out=self.place, id=record.id)
        issue.program(record)  # once for all who act: it reads the whole package
        self.open()

    def open(self) -> None:
        self.patch.setattr(job, "folder_files", lambda photographs, record, house: dict(self.STAND_IN))
        self.patch.setattr(revise, "photographs", lambda of, given=(): [])
        self.patch.setattr(house, "beside", lambda path: house.PLAIN)
        self.patch.setattr(recompute, "recompute", lambda record: record)

    @property
    def path(self) -> Path:
        (path,) = (path for path in self.place.iterdir() if path.name[0] != "." and ".replaced-" not in path.name)
        return path

    def issue(self) -> None:
        """As `specimeter issue` does."""
        when = datetime.now(UTC)
        revise.revise(
            self.path,
            lambda now: issue.issue(now.record, number="R-1", by="A. Reader", authorised_by="B. Second", when=when),
            seal=lambda record, contents: seal.files(record, contents, None),
        )

    act = issue

    def close(self) -> None:
        self.patch.undo()

    def found(self) -> str:
        record = folder.sound(self.path).record
        assert (record.issue is None) == (not (self.path / seal.SEAL).exists())
        return "old" if record.issue is None else "new"


class AnAmendment(AnIssue):
    """An issued record to which a new revision is opened; the issued one is kept beside it."""

    def make(self) -> None:
        super().make()
        self.issue()

    def act(self) -> None:
        """As `specimeter issue --amend` does."""
        when = datetime.now(UTC)
        revise.revise(
            self.path, lambda now: issue.amend(now.record, sha256=now.sha256, by="A. Reader", why="the name", when=when)
        )

    def found(self) -> str:
        record = folder.sound(self.path).record
        if record.amends is None:
            assert record.issue is not None
            return "old"
        beside = [folder.sound(path) for path in self.place.iterdir() if path != self.path and (path / seal.SEAL).exists()]
        assert [one.sha256 for one in beside] == [record.amends.sha256], "the issued record is lost"
        return "new"


class ALibrary(Kept):
    """A picture and its entry added to a library."""

    LICENCE: ClassVar = {"licence": "CC0", "permission": "drawn"}

    def __init__(self, place: Path) -> None:
        self.place = place

    def make(self) -> None:
        for number, sigma in enumerate((40, 90)):
            Image.effect_noise((96, 64), sigma).convert("RGB").save(self.place / f"{number}.png")
        self.library = libraries.create(self.place / "library")
        self.add(0)

    def add(self, number: int) -> None:
        entry = made({"title": f"picture {number}", "truth": "noise", "clean": True, **self.LICENCE})
        catalogue.add(self.library, picture.copy_of(self.place / f"{number}.png"), entry)

    def open(self) -> None:
        self.library = libraries.open_store(self.place / "library")
        self.library.connection.execute("PRAGMA synchronous = OFF")  # no power is cut here: it only takes time

    def act(self) -> None:
        self.add(1)

    def close(self) -> None:
        self.library.close()

    def found(self) -> str:
        """What another process reads: every entry has its picture and its thumbnail."""
        with libraries.open_store(self.place / "library") as again:
            kept = list(catalogue.every(again))
            for one in kept:
                assert picture.copy_of(again.picture(one.sha256, one.suffix)).sha256 == one.sha256
                assert again.thumb(one.sha256).stat().st_size > 100
            assert again.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return {1: "old", 2: "new"}[len(kept)]


class AnImport(ALibrary):
    """Entries that another library exported, imported: one after the other, each whole; who does it again adds what lacks."""

    def make(self) -> None:
        super().make()
        self.add(1)
        transfer.export(self.library, list(catalogue.every(self.library)), self.place / "bag", form="bag")
        self.close()
        shutil.rmtree(self.place / "library")
        self.library = libraries.create(self.place / "library")

    def act(self) -> None:
        """As `specimeter library import` does."""
        for path, entry in list(transfer.pairs(self.place / "bag", {})):
            catalogue.add(self.library, picture.copy_of(path), entry)

    def found(self) -> str:
        with libraries.open_store(self.place / "library") as again:
            number = catalogue.count(again)
        assert number == 0 or super().found()
        return "new" if number == 2 else "old"


class AMend(ALibrary):
    """A library whose thumbnails were lost, made whole by `specimeter library check --mend`; a leftover goes as well."""

    def make(self) -> None:
        super().make()
        shutil.rmtree(self.place / "library" / "thumbs")
        files.write(self.place / "library" / ".0123.part", b"left over")

    def act(self) -> None:
        """As `specimeter library check` does, which tells by its status whether all is well."""
        if faults := check.check(self.library, mend=True).faults:
            raise LibraryError(faults[0])

    def found(self) -> str:
        with libraries.open_store(self.place / "library") as again:
            health = check.check(again)
        assert set(health.faults) <= {"entry 1: its thumbnail is missing"}
        return "new" if health == check.Health(entries=1) else "old"


class ANewLibrary(Kept):
    """A library made. One whose making was killed is not opened as one, and the person who is told so removes it."""

    def __init__(self, place: Path) -> None:
        self.path = place / "library"

    def make(self) -> None:
        """Nothing is there."""

    def tidy(self) -> None:
        if self.path.exists():
            shutil.rmtree(self.path)

    open = tidy

    def act(self) -> None:
        libraries.create(self.path).close()

    def found(self) -> str:
        try:
            library = libraries.open_store(self.path)
        except LibraryError as error:
            return {"there is no library": "old", "the library was never finished": "old"}[error.problem]
        with library:
            assert check.check(library) == check.Health()
            assert sorted(os.listdir(self.path / "knowledge")) == sorted(libraries.KNOWLEDGE)
        return "new"


class ASite(ALibrary):
    """A site published over an older one; until it is whole its first page says that it is not."""

    def make(self) -> None:
        super().make()
        self.site = self.place / "site"
        publish.publish(self.library, self.site, title="older")
        self.add(1)
        (self.place / "older").write_text(content(self.site), encoding="utf-8")
        publish.publish(self.library, self.place / "elsewhere", title="newer")
        (self.place / "newer").write_text(content(self.place / "elsewhere"), encoding="utf-8")
        shutil.rmtree(self.place / "elsewhere")

    def act(self) -> None:
        publish.publish(self.library, self.place / "site", title="newer")

    def found(self) -> str:
        if "This site is not finished" in (self.place / "site" / "index.html").read_text(encoding="utf-8"):
            return "old"
        told = content(self.place / "site")
        return next(which[:3] for which in ("older", "newer") if (self.place / which).read_text(encoding="utf-8") == told)


class AnExport(ALibrary):
    """Entries exported: nothing, or all that the list names. Of an export that was killed the list lacks."""

    FORM, LAST = "coco", "annotations.json"

    def make(self) -> None:
        super().make()
        self.make_folder(self.place / "elsewhere")
        (self.place / "whole").write_text(content(self.place / "elsewhere"), encoding="utf-8")
        shutil.rmtree(self.place / "elsewhere")

    def make_folder(self, out: Path) -> None:
        transfer.export(self.library, list(catalogue.every(self.library)), out, form=self.FORM)

    def tidy(self) -> None:
        if (self.place / "out").exists() and any((self.place / "out").iterdir()):
            with pytest.raises(LibraryError, match="something there already"):
                self.act()
            shutil.rmtree(self.place / "out")

    def open(self) -> None:
        super().open()
        self.tidy()

    def act(self) -> None:
        self.make_folder(self.place / "out")

    def found(self) -> str:
        if not (self.place / "out" / self.LAST).exists():
            return "old"
        assert content(self.place / "out") == (self.place / "whole").read_text(encoding="utf-8")
        return "new"


class ABag(AnExport):
    """The same in the form that carries checksums."""

    FORM, LAST = "bag", "bagit.txt"


class AnExercise(AnExport):
    """An exercise made: its first page is there only if all it needs is, and its key in the library."""

    LAST = "index.html"

    def make_folder(self, out: Path) -> None:
        exercise.make(self.library, out, exercise.Wish(number=1, clean_share=1.0, quiz=1))

    def found(self) -> str:
        which = super().found()
        keys = self.place / "library" / "exercises"
        assert which == "old" or [path.suffix for path in keys.iterdir() if path.name[0] != "."] == [".json"]
        return which


def content(place: Path) -> str:
    """Every file of a folder with its hash; what a killed run left under a hidden name is none of them."""
    paths = sorted(path for path in place.rglob("*") if path.is_file() and path.name[0] != ".")
    return "\n".join(f"{path.relative_to(place)} {hashlib.sha256(path.read_bytes()).hexdigest()}" for path in paths)


class AJournal(Kept):
    """An edit written down by the bench."""

    def __init__(self, place: Path) -> None:
        self.path = place / "x.journal"
        self.journal = journals.Journal(self.path)

    def make(self) -> None:
        self.journal.begin({"sha256": "0"}, {"v": 0})
        self.journal.edit("first", {"v": 1})

    def open(self) -> None:
        self.journal.go_on(journals.replay(self.path))

    def act(self) -> None:
        self.journal.edit("second" * 1000, {"v": 2})  # more than the disk has left in the journal's last block

    def close(self) -> None:
        self.journal.close(forget=False)

    def found(self) -> str:
        states = [state["v"] for _, state in journals.replay(self.path).states]
        return {(0, 1): "old", (0, 1, 2): "new"}[tuple(states)]


KEPT = {
    "file": AFile,
    "record": ARecord,
    "issue": AnIssue,
    "amendment": AnAmendment,
    "library": ALibrary,
    "import": AnImport,
    "mend": AMend,
    "new library": ANewLibrary,
    "site": ASite,
    "export": AnExport,
    "bag": ABag,
    "exercise": AnExercise,
    "journal": AJournal,
}


def made_in(place: Path, what: str) -> Path:
    """The old state of a store in a folder of its own, to be copied for each fault."""
    old = place / "made"
    old.mkdir()
    kept = KEPT[what](old)
    kept.make()
    kept.close()
    return old
