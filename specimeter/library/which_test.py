"""Which test shows what is sought, ranked with reasons, and what a test shows and misses: both from the table of coverage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from specimeter.errors import LibraryError
from specimeter.library.knowledge import Cover, Knowledge, Test
from specimeter.toml_file import nearest

JOINTS = ("butt", "fillet", "lap", "tee")
_WORTH = {"yes": 1.0, "partial": 0.4, "no": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One test for what is sought: what it shows well, in part, or misses of it; `misses_else` of all other imperfections."""

    test: Test
    shows: tuple[Cover, ...]
    partly: tuple[Cover, ...]
    misses: tuple[Cover, ...]
    misses_else: tuple[Cover, ...]
    worth: float
    thickness: str  # what the thickness says for or against it; empty: nothing

    @property
    def reason(self) -> str:
        """One sentence: why it stands where it stands."""
        told = [*(_told("shows", line) for line in self.shows), *(_told("shows in part", line) for line in self.partly)]
        told += [_told("misses", line) for line in self.misses]
        return "; ".join([*told, *([self.thickness] if self.thickness else [])]) + "."


def which_tests(
    known: Knowledge, sought: Sequence[str], *, joint: str, thickness_mm: float | None = None
) -> tuple[Advice, ...]:
    """Tests that can be made from a joint, the best for what is sought first.

    Parameters
    ----------
    known : Knowledge
        The tables.
    sought : sequence of str
        Imperfections of the table, or kinds; a kind stands for all imperfections of it.
    joint : str
        ``butt``, ``fillet``, ``lap`` or ``tee``.
    thickness_mm : float, optional
        Of the plate; a test outside its usual thickness stands after those within.

    Raises
    ------
    LibraryError
        An unknown joint or imperfection.
    """
    if joint not in JOINTS:
        raise LibraryError(f'unknown joint "{joint}"', field="joint", expected=", ".join(JOINTS))
    wanted = imperfections(known, sought)
    out = []
    for test in known.tests.values():
        if joint not in test.joints:
            continue
        lines = [line for line in known.coverage if line.test == test.id]
        asked = [line for line in lines if line.imperfection in wanted]
        if not asked:
            continue
        fits = _thickness(test, thickness_mm)
        worth = sum(_WORTH[line.capability] for line in asked) / len(wanted) * (0.5 if fits else 1.0)
        out.append(
            Advice(
                test=test,
                shows=_of(asked, "yes"),
                partly=_of(asked, "partial"),
                misses=_of(asked, "no"),
                misses_else=tuple(line for line in _of(lines, "no") if line.imperfection not in wanted),
                worth=worth,
                thickness=fits,
            )
        )
    return tuple(sorted(out, key=lambda one: (-one.worth, one.test.one_plane, len(one.misses_else), one.test.id)))


def shown_by(known: Knowledge, test: str) -> dict[str, tuple[Cover, ...]]:
    """What a test shows (``yes``), shows in part (``partial``) and misses (``no``)."""
    if test not in known.tests:
        near = nearest(test, known.tests)
        mend = f'did you mean "{near}"?' if near else None
        raise LibraryError(f'unknown test "{test}"', field="test", expected=", ".join(known.tests), mend=mend)
    lines = [line for line in known.coverage if line.test == test]
    return {capability: _of(lines, capability) for capability in _WORTH}


def imperfections(known: Knowledge, sought: Sequence[str]) -> tuple[str, ...]:
    """What is sought as imperfections of the table: a kind that the table has only finer becomes all of these."""
    in_table = {line.imperfection for line in known.coverage}
    wanted: list[str] = []
    for name in sought:
        finer = (
            [name] if name in in_table else [one for one, kinds in known.kinds_of.items() if name in kinds and one in in_table]
        )
        if not finer:
            near = nearest(name, [*in_table, *known.terms])
            mend = f'did you mean "{near}"?' if near else None
            raise LibraryError(
                f'no test is known for "{name}"', field="sought", expected=", ".join(sorted(in_table)), mend=mend
            )
        wanted += finer
    if not wanted:
        raise LibraryError("nothing is sought", field="sought", expected="at least one imperfection")
    return tuple(dict.fromkeys(wanted))


def _of(lines: Sequence[Cover], capability: str) -> tuple[Cover, ...]:
    return tuple(line for line in lines if line.capability == capability)


def _told(verb: str, line: Cover) -> str:
    return f"{verb} {line.imperfection.replace('-', ' ')}" + (f" ({line.note})" if line.note else "")


def _thickness(test: Test, thickness_mm: float | None) -> str:
    if thickness_mm is None:
        return ""
    if test.least_thickness_mm is not None and thickness_mm < test.least_thickness_mm:
        return f"usual from {test.least_thickness_mm:g} mm up, this joint has {thickness_mm:g} mm"
    if test.most_thickness_mm is not None and thickness_mm > test.most_thickness_mm:
        return f"usual up to {test.most_thickness_mm:g} mm, this joint has {thickness_mm:g} mm"
    return ""
