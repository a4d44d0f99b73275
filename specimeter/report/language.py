"""The report in another language: a catalogue of its sentences, with places for what changes, and its own decimal sign.

A catalogue is a TOML file: ``[language]`` gives the `code` and the `decimal` sign, ``[say]`` each English text and what stands
for it. ``{}`` in an English text is a place for anything; ``{1}``, ``{2}`` ... in its translation are those places in their
order, and what stands in them is translated too if it can be. What no entry fits stays as it is: people's own words, and
sentences of the record that the catalogue does not know. ``shared/language/de.toml`` is the German one; others can be written.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from specimeter.data import shared
from specimeter.errors import SheetError
from specimeter.toml_file import Table, validated
from specimeter.toml_file import read as read_toml

SHIPPED = ("en", "de")
_NUMBER = re.compile(r"[-−+]?\d+(\.\d+)?(e[-+]?\d+)?( ± \d+(\.\d+)?)?( ?[A-Za-zµ°²³%/]+){0,3}( \([^()]*\))?")
_IDS = re.compile(r"[\w./#-]*\d[\w./#-]*(, [\w./#-]*\d[\w./#-]*)*|[A-Z]{2,4}")  # f2, or f2, f3; codes as PF
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_SENTENCES = re.compile(r"(?<=[.!?]) (?=\S)")
_DEEPEST = 6
_Entry = tuple[re.Pattern[str], str]
LEAST_FIXED = 9  # letters: with fewer, an entry fits much that it was not meant for, and is tried last


class Said(str):
    """A person's own words, or a name: never translated."""

    __slots__ = ()


class _Head(Table):
    code: str = Field(pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$", description='the language\'s code, such as "de"')
    decimal: Literal[".", ","] = Field(".", description='the decimal sign: "." or ","')


class _File(Table):
    language: _Head = Field(description="the table [language]: code and decimal")
    say: dict[str, str] = Field({}, description="the table [say]: English texts and what stands for them")


@dataclass(frozen=True, kw_only=True)
class Language:
    """A catalogue that was read; `source` is its file's content."""

    code: str = "en"
    decimal: str = "."
    words: Mapping[str, str] | None = None
    source: bytes | None = None

    def say(self, text: str) -> str:
        """The text in this language."""
        return self._said(text, 0, []) if self.words or self.decimal != "." else text

    def unsaid(self, text: str) -> list[str]:
        """The parts of a text for which the catalogue has no entry, numbers and names of features left out."""
        left: list[str] = []
        self._said(text, 0, left)
        return left

    def report(self, value: Any, keep: tuple[str, ...] = ()) -> Any:
        """The texts of JSON-ready data in this language, but for what stands under the keys `keep`."""
        if isinstance(value, str):
            return self.say(value)
        if isinstance(value, Mapping):
            return {key: item if key in keep else self.report(item, keep) for key, item in value.items()}
        if isinstance(value, list):
            return [self.report(item, keep) for item in value]
        return value

    @cached_property
    def _patterns(self) -> tuple[list[_Entry], ...]:
        """Entries with places, those with most fixed text first: of several sentences, of one, of hardly more than places."""
        entries = sorted(((key, to) for key, to in (self.words or {}).items() if "{}" in key), key=lambda e: -len(e[0]))
        several: list[_Entry] = []
        one: list[_Entry] = []
        loose: list[_Entry] = []
        for key, to in entries:
            fixed = sum(char.isalpha() for char in key)
            into = several if _SENTENCES.search(key) else one if fixed >= LEAST_FIXED else loose
            into.append((re.compile("(.+?)".join(map(re.escape, key.split("{}"))), re.DOTALL), to))
        return several, one, loose

    def _said(self, text: str, depth: int, left: list[str]) -> str:
        """The text said; what no entry fits is added to `left`."""
        words = self.words or {}
        if isinstance(text, Said) or not text:
            return text
        if text in words:
            return words[text]
        if _NUMBER.fullmatch(text):
            return self._number(text)
        if _IDS.fullmatch(text):
            return text
        several, one, loose = self._patterns
        attempts: tuple[Callable[[list[str]], str | None], ...] = (
            lambda mine: self._matched(several, text, depth, mine),
            lambda mine: self._parted(_SENTENCES.split(text), " ", depth, mine),
            lambda mine: self._matched(one, text, depth, mine),
            lambda mine: self._begun(text, depth, mine),
            lambda mine: self._parted(text.split("; "), "; ", depth, mine),
            lambda mine: self._matched(loose, text, depth, mine, whole=True),
            lambda mine: self._parted(text.split(", "), ", ", depth, mine),
        )
        for attempt in attempts:
            mine: list[str] = []
            if depth < _DEEPEST and (said := attempt(mine)) is not None:
                left += mine
                return said
        if any(char.isalpha() for char in text):
            left.append(text)
        return text

    def _begun(self, text: str, depth: int, left: list[str]) -> str | None:
        """A clause of the catalogue that stands as a sentence of its own, with a capital and a full stop."""
        clause = text[0].lower() + text[1:].removesuffix(".")
        if clause == text or not text.endswith("."):
            return None
        mine: list[str] = []
        said = self._said(clause, depth + 1, mine)
        if said == clause or mine == [clause]:
            return None
        left += mine
        return f"{said[0].upper()}{said[1:]}."

    def _matched(self, entries: list[_Entry], text: str, depth: int, left: list[str], *, whole: bool = False) -> str | None:
        """By the first entry that fits; `whole`: only if its parts can be said, so that no sentence is half of each."""
        for pattern, to in entries:
            if (match := pattern.fullmatch(text)) is not None:
                mine: list[str] = []
                parts = [self._said(part, depth + 1, mine) for part in match.groups()]
                first = (
                    len(parts) - 1 if ":" in pattern.pattern else 0
                )  # what stands before a colon may be a person's name for it
                if whole and not all(map(_settled, match.groups()[first:], parts[first:])):
                    continue
                left += mine
                return re.sub(r"\{(\d)\}", partial(_part, parts), to)
        return None

    def _parted(self, parts: list[str], joint: str, depth: int, left: list[str]) -> str | None:
        mine: list[str] = []
        said = [self._said(part, depth + 1, mine) for part in parts] if len(parts) > 1 else parts
        if said == parts or (joint != " " and not all(map(_settled, parts, said))):
            return None
        left += mine
        return joint.join(said)

    def _number(self, text: str) -> str:
        number = (re.match(r"[-−+\d.e±\s]*", text) or [""])[0].rstrip()
        unit = text[len(number) :]
        said = (self.words or {}).get(unit.strip())
        unit = unit if said is None else unit.replace(unit.strip(), said)
        return _POINT.sub(self.decimal, number) + unit


def _settled(text: str, said: str) -> bool:
    """Whether a part is in the language: another text than before, or one that has none (a number, ids, a file)."""
    return said != text or bool(_NUMBER.fullmatch(text)) or _IDS.fullmatch(text) is not None


ENGLISH = Language()


def read(name: str, beside: Path | None = None) -> Language:
    """A shipped language by its code, or a catalogue by its file's name beside the settings.

    Raises
    ------
    SheetError
        If there is none, or it is not one.
    """
    if name == "en":
        return ENGLISH
    file = shared() / "language" / f"{name}.toml" if name in SHIPPED else (beside or Path()) / name
    if not file.exists():
        raise SheetError(
            f"there is no language {name!r}",
            field="language",
            expected=f"one of {', '.join(SHIPPED)}, or the file name of a catalogue beside the settings",
            mend="correct the line language = ...",
        )
    data = validated(_File, read_toml(file, what="the language", error=SheetError), file=file, error=SheetError)
    for text, to in data.say.items():
        wanted, given = {str(n) for n in range(1, text.count("{}") + 1)}, set(re.findall(r"\{(\d*)\}", to))
        if not given <= wanted:
            raise SheetError(
                f"the translation {to[:60]!r} asks for a place that {text[:60]!r} does not have",
                file=file,
                field="say",
                expected="{1}, {2} ... for the places {} of the English text, in their order",
            )
    head = data.language
    return Language(code=head.code, decimal=head.decimal, words=data.say, source=file.read_bytes())


def _part(parts: list[str], place: re.Match[str]) -> str:
    """What stands at a place of an entry, counted from 1."""
    return parts[int(place[1]) - 1]
