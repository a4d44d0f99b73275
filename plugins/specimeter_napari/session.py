"""One specimen on the bench, without any window: its photograph, its state, every edit with undo, and the journal of them."""

from __future__ import annotations

import json
import weakref
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from psygnal import Signal

from specimeter import job, revise
from specimeter import photo as photo_file
from specimeter import sheet as sheets
from specimeter.errors import RecordError, SheetError, SpecimeterError
from specimeter.judge import limits as judge_limits
from specimeter.judge.limits import Limits
from specimeter.judge.margin import Margin, margins
from specimeter.photo import Photo
from specimeter.record import build, further, issue, model, rebuild, recompute, renew, seal, store
from specimeter.record.model import Feature, Record
from specimeter.report import house as houses
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.taught import taught
from specimeter.sheet import Sheet
from specimeter.toml_file import validated
from specimeter_napari.journal import Journal, Replayed, replay

METHOD = "learned"
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """What an edit changes: the sheet and limits as entered, and the record that came of them."""

    sheet: Sheet | None = None
    limits: Limits | None = None
    record: Record | None = None
    further: tuple[str, ...] = ()  # files of the photographs after the first

    def data(self) -> dict[str, Any]:
        """JSON data that `from_data` reads."""
        plain = lambda part, **left_out: None if part is None else part.model_dump(mode="json", exclude_none=True, **left_out)
        record = plain(self.record, exclude={"features"})
        if record is not None:
            record["features"] = [_feature_data(feature) for feature in self.record.features]
        return {"sheet": plain(self.sheet), "limits": plain(self.limits), "record": record, "further": list(self.further)}

    @classmethod
    def from_data(cls, data: Any) -> State:
        """Raises RecordError where the data are not a state's: damaged, or written by another hand."""
        if (
            not isinstance(data, dict)
            or not {"sheet", "limits", "record"} <= data.keys()
            or not _are_texts(data.get("further", []))
        ):
            raise RecordError("a state of the work in hand is damaged", expected="a sheet, limits, a record and files, or null")
        sheet, limits, record = data["sheet"], data["limits"], data["record"]
        return cls(
            sheet=None if sheet is None else validated(Sheet, sheet, file=None, error=SheetError),
            limits=None if limits is None else judge_limits.from_tables(limits),
            record=None if record is None else model.load(json.dumps(record).encode()),
            further=tuple(data.get("further", ())),
        )


def _are_texts(data: Any) -> bool:
    return isinstance(data, list) and all(isinstance(one, str) for one in data)


_DUMPED: dict[int, tuple[weakref.ref, dict[str, Any]]] = {}  # by identity, as long as the feature lives


def _feature_data(feature: Feature) -> dict[str, Any]:
    """A feature's JSON data, made once: an edit changes few of many, and the journal asks for all."""
    kept = _DUMPED.get(id(feature))
    if kept is not None and kept[0]() is feature:
        return kept[1]
    place, data = id(feature), feature.model_dump(mode="json", exclude_none=True)
    _DUMPED[place] = (weakref.ref(feature, lambda _: _DUMPED.pop(place, None)), data)
    return data


class Session:
    """The state of one photograph's work; `changed` is told after each edit, undo and redo."""

    changed = Signal()

    def __init__(self, photo: Photo, *, out: Path, person: str = "", further: Sequence[Photo] = ()) -> None:
        self.photo, self.out, self.person = photo, Path(out), person
        self._read = {str(one.path): one for one in further}  # photographs after the first, by their files
        self.sheet_file: Path | None = None
        self.limits_file: Path | None = None
        self.trouble: dict[str, SpecimeterError] = {}  # step -> what is wrong there now
        self.written: Record | None = None  # as it lies on disk
        self.folder: Path | None = None  # where it lies
        self.journal = Journal(self.out / f"in-hand-{photo.sha256[:12]}.journal")
        self._states: list[tuple[str, State]] = [("opened", State())]
        self._at = 0
        self.begun = False  # what lies beside the photograph was looked at
        self._margins: tuple = ((), None, None, {})  # features, sheet, limits, and the margins that these gave

    @property
    def state(self) -> State:
        return self._states[self._at][1]

    @property
    def record(self) -> Record | None:
        return self.state.record

    @property
    def photos(self) -> list[Photo]:
        """The photographs in the record's order. Raises PhotoError if one that was added is no longer there."""
        for file in self.state.further:
            if file not in self._read:
                self._read[file] = photo_file.read(file)
        return [self.photo, *(self._read[file] for file in self.state.further)]

    @property
    def margins(self) -> Mapping[str, Margin]:
        """What is left to the limits that are put on each feature by itself; worked out for those that an edit changed."""
        now, (seen, sheet, limits, known) = self.state, self._margins
        features = () if now.record is None else now.record.features
        if features is not seen:
            same = now.sheet is sheet and now.limits is limits
            kept = {one.id for one, two in zip(features, seen, strict=False) if one is two} if same else set()
            fresh = [rebuild.feature_of(one) for one in features if one.id not in kept]
            known = {id: one for id, one in known.items() if id in kept}
            known |= {} if now.sheet is None else margins(now.sheet, now.limits, fresh)
            self._margins = (features, now.sheet, now.limits, known)
        return known

    @property
    def read_beside(self) -> list[Photo]:
        """The photographs that were read after the first, whether the record holds them or not."""
        return list(self._read.values())

    @property
    def undoable(self) -> str | None:
        """What undo would take back, in words; None where there is nothing."""
        return self._states[self._at][0] if self._at else None

    @property
    def redoable(self) -> str | None:
        return self._states[self._at + 1][0] if self._at + 1 < len(self._states) else None

    @property
    def saved(self) -> bool:
        """Everything there is lies in the written record."""
        return self.record is None or self.record == self.written

    def begin(self, state: State) -> None:
        """What the edits begin from: nothing of it needs a journal, as it can be had again."""
        self._states, self._at, self.begun = [("opened", state)], 0, True
        self.changed.emit()

    def edit(self, label: str, state: State) -> None:
        """A new state, written to the journal before it is shown. Raises RecordError if that cannot be done."""
        if not self.journal.is_open:
            head = {"photo": self.photo.file, "path": str(self.photo.path.resolve()), "sha256": self.photo.sha256}
            self.journal.begin(head, self.state.data())
        self.journal.edit(label, state.data())
        del self._states[self._at + 1 :]
        self._states.append((label, state))
        self._at += 1
        self.changed.emit()

    def act(self, label: str, function: Callable[..., Record], *given: Any, **named: Any) -> None:
        """What a person does to the record: one of the functions of `specimeter.record.edit`. Raises SpecimeterError."""
        record = function(self._known(), *given, by=self._who(), when=datetime.now(UTC), **named)
        sheet = self.state.sheet if record.sheet is self._known().sheet else recompute.sheet_of(record)
        self.edit(label, replace(self.state, record=record, sheet=sheet))

    def have_photo(self, record: Record, photo: Photo) -> None:
        """A further photograph was measured: the record with it."""
        self._read[str(photo.path)] = photo
        further = (*self.state.further, str(photo.path))
        self.edit(
            f"photograph {len(record.photos)} added",
            replace(self.state, record=record, sheet=recompute.sheet_of(record), further=further),
        )

    def enter_limits(self, limits: Limits | None) -> None:
        """Judge by other limits from now on."""
        record = self.record
        if record is not None:
            record = renew.with_limits(record, limits, by=self._who(), when=datetime.now(UTC))
        self.edit("limits entered" if limits else "limits taken away", replace(self.state, limits=limits, record=record))

    def undo(self) -> None:
        if self._at:
            self._at -= 1
            self.journal.moved("undo", self.state.data())
            self.changed.emit()

    def redo(self) -> None:
        if self.redoable is not None:
            self._at += 1
            self.journal.moved("redo", self.state.data())
            self.changed.emit()

    def recoverable(self) -> Replayed | None:
        """What a window that was killed left behind for this very photograph; None if nothing.

        What cannot be read is kept aside, so that nothing is written over it.
        """
        left = replay(self.journal.path, State.from_data)
        if left is not None and left.head.get("sha256") == self.photo.sha256 and len(left.states) > 1:
            return left
        if (left is None or not left.whole) and self.journal.is_left():
            self.set_aside()
        return None

    def recover(self, left: Replayed) -> None:
        """Go on where that window stopped, its undo included."""
        self._states = [(label, state) for (label, _), state in zip(left.states, left.made, strict=True)]
        self._at = left.at
        self.journal.go_on(left)
        self.changed.emit()

    def set_aside(self) -> Path:
        """Keep what that window left under another name and begin anew."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.journal.path.with_suffix(f".set-aside-{stamp}.journal")
        self.journal.path.rename(aside)
        return aside

    def close(self) -> None:
        """Let go of the journal; it stays where its edits are not in the written record."""
        self.journal.close(forget=self.saved)

    def _known(self) -> Record:
        if self.record is None:
            raise RecordError("nothing has been measured yet", expected="a specimen with its sheet and scale")
        return self.record

    def _who(self) -> str:
        if not self.person.strip():
            raise RecordError(
                "nobody has said who is at the bench", expected="a name, which the record's log keeps", mend="enter your name"
            )
        return self.person


def tables_for(sheet: Sheet, number: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """A sheet's tables to be changed, and those among them where scale, region and axis of that photograph (from 1) stand.

    Of a later photograph these are its own table ``[[other_photo]]``, which is made where it is not there.
    """
    tables = build.plain(sheet.model_dump(mode="json", exclude_none=True))
    if number == 1:
        return tables, tables
    others = tables.setdefault("other_photo", [])
    others += [{} for _ in range(number - 1 - len(others))]
    return tables, others[number - 2]


def for_all(sheet: Sheet, photographs: int) -> Sheet:
    """The sheet; where it holds pixels of the first of several photographs, each later one gets a table of its own, in which
    they are not known.
    """
    try:
        sheets.for_photos(sheet, photographs)
    except SheetError:
        sheet = validated(Sheet, tables_for(sheet, photographs)[0], file=None, error=SheetError)
    return sheet


def found(
    photographs: Sequence[Photo],
    sheet: Sheet,
    limits: Limits | None,
    *,
    progress: Progress,
    placed_is: Callable = lambda p: None,
) -> Record:
    """The record of the main job over all photographs of a specimen; `placed_is` is told as soon as scale, surface and area of
    the first are known. Raises SpecimeterError.
    """
    sheet = for_all(sheet, len(photographs))
    own = sheets.for_photos(sheet, len(photographs))
    seen = job.search_all(photographs, own, method=METHOD, progress=progress, placed_is=placed_is)
    return job.recorded(seen, sheet, limits, method=METHOD)


def like(photo: Photo, area: ExaminedArea, this_px, not_px, *, within_px, progress: Progress) -> list[Outline]:
    """What in a part of the picture looks like the strokes over "this". Raises OutlineError."""
    progress("features: searching for what is like it")
    return taught(photo, area, this_px, not_px, within_px=within_px)


def joined(record: Record, file: Path, *, by: str, progress: Progress) -> tuple[Record, Photo]:
    """The record with a further photograph, measured on its own, and that photograph. Raises SpecimeterError."""
    progress("photograph: reading")
    photo, sheet = photo_file.read(file), recompute.sheet_of(record)
    wanted = for_all(sheet, len(record.photos) + 1)
    own = None if wanted is sheet else wanted
    return job.with_photo(record, file, sheet=own, by=by, when=datetime.now(UTC), progress=progress), photo


def placed_again(
    photo: Photo, number: int, record: Record, sheet: Sheet, limits: Limits | None, *, by: str, why: str, progress: Progress
) -> Record:
    """The same features on one photograph's scale, surface and area found anew by another sheet. Raises SpecimeterError."""
    own = sheets.for_photos(sheet, len(record.photos))[number - 1]
    sheets.check_against_photo(own, photo.width_px, photo.height_px)
    if number > 1:
        placed = job.place(photo, own, progress=progress)
        seen = job.sized(photo, placed, rebuild.outlines_of(record, build.photo_id(number)), progress=progress)
        return further.placed_again(record, seen, number, sheet, by=by, when=datetime.now(UTC), why=why)
    if sheet.specimen.test in sheets.MACRO_TESTS:  # the section's own sizes are found again with the ground
        finding = job.judged(job.search(photo, own, method=METHOD, progress=progress), sheet, limits)
    else:
        placed = job.place(photo, own, progress=progress)
        finding = job.conclude(photo, sheet, limits, placed, rebuild.outlines_of(record), progress=progress)
    settings = record.tool.settings
    fresh = build.build(finding, sheet=sheet, limits=limits, settings=settings, when=datetime.now(UTC))
    return renew.placed_again(record, fresh, by=by, when=datetime.now(UTC), why=why)


def written(
    photographs: Sequence[Photo],
    record: Record,
    before: Record | None,
    folder: Path | None,
    *,
    out: Path,
    by: str,
    progress: Progress,
) -> tuple[Record, Path]:
    """Write the record's folder with its report; the one written before gives way to it, as its log tells all that it held.

    Returns the record as written and its folder. Raises SpecimeterError.
    """
    if before is not None and record.log[: len(before.log)] != before.log:
        record = renew.taken_back(record, before.log, by=by, when=datetime.now(UTC))
    progress("report: drawing and writing")
    files = job.folder_files(photographs, record, houses.beside(folder or photographs[0].path.parent))
    place = out / store.folder_name(record.id) if folder is None else folder.resolve()
    folder = store.commit(
        model.dump(record),
        files,
        out=place.parent,
        id=place.name,
        replace=before is not None,
        keep=before is not None and before.issue is not None,
        instead_of=None if before is None else model.sha256(before),
    )
    return record, folder


def issued(
    photographs: Sequence[Photo],
    folder: Path,
    *,
    number: str,
    by: str,
    authorised_by: str,
    key_file: Path | None,
    progress: Progress,
) -> Record:
    """Freeze the written record under a report number, with its seal; signed if there is a key. Raises SpecimeterError."""
    progress("report: issuing")
    key = None if key_file is None else seal.private_key(key_file)
    when = datetime.now(UTC)
    said = {"by": by, "authorised_by": authorised_by, "when": when}
    return revise.revise(
        folder,
        lambda old: issue.issue(old.record, number=number or issue.next_number(old.record, when), **said),
        photo_files=[photo.path for photo in photographs],
        seal=lambda record, contents: seal.files(record, contents, key),
    )


def amended(photographs: Sequence[Photo], folder: Path, *, by: str, why: str, progress: Progress) -> Record:
    """Begin a new revision of an issued record; the issued one is kept beside it. Raises SpecimeterError."""
    progress("report: beginning a new revision")
    return revise.revise(
        folder,
        lambda old: issue.amend(old.record, sha256=old.sha256, by=by, why=why, when=datetime.now(UTC)),
        photo_files=[photo.path for photo in photographs],
    )
