"""Reading a TOML file that a person wrote, so that every mistake in it is named with its place and its cure."""

from __future__ import annotations

import difflib
import re
import tomllib
import types
import typing
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import PydanticCustomError

from specimeter.errors import SpecimeterError

_TOO_DEEP = re.compile(r"(?:[\w-]+\.){100}")
BRANCH = re.compile(
    r"[\[(]"
)  # pydantic names the branch of a union, or a mapping's key, within the place: not a key of the file
MAX_BYTES = 1_000_000  # a sheet has a few hundred; this is not a sheet

Model = TypeVar("Model", bound=BaseModel)


class Table(BaseModel):
    """A TOML table: frozen, unknown keys refused, no type turned into another, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, hide_input_in_errors=True)


def read(path: str | Path, *, what: str, error: type[SpecimeterError]) -> dict[str, Any]:
    """The tables of a TOML file as plain Python values.

    Parameters
    ----------
    path : str or Path
        The file.
    what : str
        What it is to the person: ``"the specimen sheet"``.
    error : type
        The subclass of SpecimeterError to raise.

    Raises
    ------
    SpecimeterError
        Of the class given: no such file, a folder, not permitted, too large, empty, not UTF-8, or not TOML (with line and
        column).
    """
    path = Path(path)
    if path.is_dir():
        raise error(f"this is a folder, not {what}", file=path, expected="a TOML file", mend=_toml_files_in(path))
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as cause:
        raise error(f"no such file ({what})", file=path, expected="a TOML file", mend=_alike(path)) from cause
    except (OSError, ValueError) as cause:  # ValueError: a null byte in the path
        reason = getattr(cause, "strerror", None) or cause
        raise error(f"{what} cannot be read: {reason}", file=path, mend="check the path and its permissions") from cause
    if len(data) > MAX_BYTES:
        raise error(f"this is far too large for {what}", file=path, expected="a TOML text file of less than 1 MB")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        line = data[: cause.start].count(b"\n") + 1
        raise error(
            f"{what} is not UTF-8 text: byte 0x{data[cause.start]:02x} in line {line}",
            file=path,
            expected="a TOML file, which is UTF-8 text",
            mend="save it again from the editor with the encoding UTF-8",
        ) from cause
    if _TOO_DEEP.search(text):  # the reader of TOML takes time with the square of it
        raise error("a key is nested absurdly deep", file=path, expected="a table and a key in it, such as [scale] and method")
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as cause:  # ValueError: TOMLDecodeError, and numbers of thousands of digits
        raise _not_toml(cause, text, path, what, error) from cause
    _check_what(tables, what, path, error)
    if not tables:
        raise error(f"{what} is empty", file=path, expected="a TOML file with tables such as [specimen] or [limits]")
    return tables


_TELLING = {"the specimen sheet": ("specimen", "--sheet"), "the limits": ("limits", "--limits")}  # its table, its option


def _check_what(tables: Mapping[str, Any], what: str, path: Path, error: type[SpecimeterError]) -> None:
    """Raises `error` where a whole file was taken for another: the limits for the sheet, the sheet for the limits."""
    if what not in _TELLING or _TELLING[what][0] in tables:
        return
    for other, (table, option) in _TELLING.items():
        if table in tables:
            expected = f"{what}, a TOML file with the table [{_TELLING[what][0]}]"
            raise error(
                f"these are {other}, not {what}".replace("these are the specimen", "this is the specimen"),
                file=path,
                expected=expected,
                mend=f"give this file as {other} ({option})",
            )


def wrong(problem: str, *, field: str | None = None, expected: str | None = None, mend: str | None = None) -> Exception:
    """What a validator of a `Table` raises: `field` is a key inside that table, the rest as in SpecimeterError."""
    told = {"problem": problem, "field": field, "expected": expected, "mend": mend}
    return PydanticCustomError("by_hand", "see problem", {key: text for key, text in told.items() if text is not None})


def validated(
    model: type[Model],
    data: Mapping[str, Any],
    *,
    file: str | Path | None,
    error: type[SpecimeterError],
) -> Model:
    """The tables as a checked, frozen record; else the first mistake as an error a person can act on.

    Parameters
    ----------
    model : type
        A `Table` whose fields carry, as their description, what may stand there.
    data : mapping
        What `read` gave.
    file : str, Path or None
        Named in the error.
    error : type
        The subclass of SpecimeterError to raise: it names the dotted field, what was found, what was expected, and the
        nearest known key where one was unknown; further mistakes are counted and their fields listed.
    """
    try:
        return model.model_validate(data)
    except ValidationError as cause:
        mistakes = _one_each(cause.errors(include_url=False))
        problem, field, expected, mend = _explain(mistakes[0], model, data)
        others = [dotted(_place(other), data) for other in mistakes[1:]]
        if others:
            listed = ", ".join(dict.fromkeys(others[:5])) + (", ..." if len(others) > 5 else "")
            problem += f" (and {len(others)} more to mend after it: {listed})"
        raise error(problem, file=file, field=field, expected=expected, mend=mend) from cause


def dotted(place: tuple[int | str, ...], data: Any = None) -> str:
    """``bend.former_diameter_mm``; an item of a list is named by its own id where it has one, else counted from 1."""
    text = ""
    for part in place:
        if isinstance(part, int):
            item = data[part] if isinstance(data, list | tuple) and part < len(data) else None
            name = item.get("id") if isinstance(item, Mapping) else None
            text += f"[{name[:40]}]" if isinstance(name, str) else f"[item {part + 1}]"
            data = item
        else:
            text += f".{part}" if text else str(part)
            data = data.get(part) if isinstance(data, Mapping) else None
    return text


def nearest(word: str, known: typing.Iterable[str]) -> str | None:
    """The known word most like the one given, or None if none is like it."""
    close = difflib.get_close_matches(word.lower(), known := list(known), n=1, cutoff=0.6)
    if close:
        return close[0]
    return next((name for name in known if len(word) > 3 and word.lower() in name), None)


def shown(value: Any) -> str:
    """A value as a person would recognise it from the file, with its TOML type."""
    if isinstance(value, bool):
        return f"{str(value).lower()} (a truth value)"
    if isinstance(value, str):
        return f'the text "{value if len(value) <= 60 else value[:57] + "..."}"'
    if isinstance(value, int | float):
        return f"the number {value!r}"
    if isinstance(value, date | datetime | time):
        return f"the date or time {value}"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        text = str(list(value))
        return f"the list {text if len(text) <= 60 else text[:57] + '...'}"
    return repr(value)


def _one_each(mistakes: Sequence[Any]) -> list[Any]:
    """One mistake for each place, the innermost where a list fails with its item; unknown keys first, often the cause."""
    seen: dict[tuple, dict] = {}
    for mistake in sorted(mistakes, key=lambda one: one["type"] != "extra_forbidden"):
        seen.setdefault(_place(mistake), mistake)
    inner = [place for place in seen if not any(place != other and place == other[: len(place)] for other in seen)]
    return [seen[place] for place in inner]


def _place(mistake: dict) -> tuple[int | str, ...]:
    """Where the mistake is in the file; a validator may point to a key inside its table."""
    own = (mistake.get("ctx") or {}).get("field")
    place = tuple(part for part in mistake["loc"] if isinstance(part, int) or not BRANCH.search(part))
    return (*place, *own.split(".")) if own else place


def _explain(mistake: dict, model: type[BaseModel], data: Any) -> tuple[str, str, str | None, str | None]:
    """Problem, dotted field, what was expected and how to mend it."""
    place, context = _place(mistake), mistake.get("ctx") or {}
    field = dotted(place, data)
    expected, kind = _expected(model, place), mistake["type"]
    if kind == "extra_forbidden":
        return _unknown_key(model, place, field)
    if kind == "missing":
        whole = isinstance(place[-1], str) and _table_at(model, place) is not None
        name = (
            f"the table {_heading(model, place)}"
            if whole
            else f"the key {place[-1]}"
            if isinstance(place[-1], str)
            else "a number"
        )
        return f"{name} is missing", field, expected, f"add {name}" if isinstance(place[-1], str) else None
    if kind == "by_hand":
        of_a_value = place and _table_at(model, place) is None and _table_at(model, place[:-1]) is not None
        return context["problem"], field, context.get("expected") or (expected if of_a_value else None), context.get("mend")
    found = shown(mistake.get("input"))
    if kind == "finite_number":
        return f"got {found}, which is not a finite number", field, expected, None
    mend = None
    if kind in ("float_type", "int_type") and isinstance(mistake.get("input"), str):
        mend = _number_hint(str(mistake["input"]), str(place[-1]))
    elif kind == "bool_type" and isinstance(mistake.get("input"), str):
        mend = "write true or false without quotation marks"
    elif kind == "literal_error" and isinstance(mistake.get("input"), str):
        near = nearest(mistake["input"], re.findall(r"'([^']+)'", context.get("expected", "")))
        mend = f'did you mean "{near}"?' if near else None
    return f"got {found}", field, expected or mistake["msg"], mend


def _number_hint(text: str, key: str) -> str:
    """How to write a number that was entered as text, its inches turned into the key's millimetres."""
    inches = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(?:in|inch|inches|\"|\u2033)\.?\s*", text)
    if inches and key.endswith("_mm"):
        return f"enter millimetres, without quotation marks: {float(inches[1].replace(',', '.')) * 25.4:.6g}"
    return "write the number without quotation marks, with a decimal point"


def _unknown_key(model: type[BaseModel], place: tuple, field: str) -> tuple[str, str, str | None, str | None]:
    key, table = str(place[-1]), _table_at(model, place[:-1])
    known = sorted(table.model_fields) if table else []
    name = dotted(tuple(part for part in place[:-1] if isinstance(part, str)))
    elsewhere = [] if not name else [
        other for other, inner in ((other, _table_at(model, (other,))) for other in model.model_fields)
        if inner is not None and inner is not table and key in inner.model_fields
    ]  # fmt: skip
    near = nearest(key, known)
    in_mm = re.sub(r"_(in|inch|inches|cm|m)$", "_mm", key)
    if in_mm != key and in_mm in known:
        mend = f"enter it as {in_mm}, in millimetres" + (" (1 in is 25.4 mm)" if "_in" in key else "")
    elif elsewhere:
        mend = f"{key} belongs in the table {_heading(model, elsewhere[:1])}"
    elif near:
        mend = f'the nearest known key is "{near}"'
    else:
        mend = "remove it or correct its spelling"
    where = f"the table [{name}]" if name else "the file"
    listed = ", ".join(known) if name else ", ".join(_heading(model, (one,)) for one in known)
    return f'unknown key "{key}" in {where}', field, f"one of: {listed}", mend


def _expected(model: type[BaseModel], place: tuple) -> str | None:
    """The description of the nearest described field on the way to the place."""
    text: str | None = None
    table: type[BaseModel] | None = model
    for part in place:
        if isinstance(part, int) or table is None:
            continue
        if part not in table.model_fields:
            return None
        text = table.model_fields[part].description or text
        table = _tables(table.model_fields[part].annotation)
    return text


def _table_at(model: type[BaseModel], place: tuple) -> type[BaseModel] | None:
    table: type[BaseModel] | None = model
    for part in place:
        if isinstance(part, int):
            continue
        if table is None or part not in table.model_fields:
            return None
        table = _tables(table.model_fields[part].annotation)
    return table


def _heading(model: type[BaseModel], place: Sequence[int | str]) -> str:
    """A table's line in the file: ``[limits]``, or ``[[rule]]`` where there may be several."""
    parent = _table_at(model, tuple(place[:-1]))
    field = None if parent is None else parent.model_fields.get(str(place[-1]))
    several = field is not None and typing.get_origin(field.annotation) in (list, tuple)
    return f"[[{place[-1]}]]" if several else f"[{place[-1]}]"


def _tables(annotation: Any) -> type[BaseModel] | None:
    """The Table within an annotation such as ``Bend | None`` or ``tuple[Rule, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if isinstance(annotation, types.UnionType | types.GenericAlias) or typing.get_origin(annotation) is not None:
        return next((found for part in typing.get_args(annotation) if (found := _tables(part))), None)
    return None


def _not_toml(cause: Exception, text: str, path: Path, what: str, error: type[SpecimeterError]) -> SpecimeterError:
    """The parser's complaint with the line it complains of and a mark under the place."""
    complaint = "it is nested too deeply" if isinstance(cause, RecursionError) else "a number in it has thousands of digits"
    complaint = str(cause) if isinstance(cause, tomllib.TOMLDecodeError) else complaint
    lines = text.splitlines() or [""]
    match = re.search(r"\(at line (\d+), column (\d+)\)", complaint)
    if match:
        line, column = int(match[1]), int(match[2])
        place = f"line {line}, column {column}"
    else:
        line, column = len(lines), len(lines[-1]) + 1
        place = "the end of the file" if "end of document" in complaint else ""
    reason = re.sub(r" \(at [^)]*\)$", "", complaint).strip()
    shown_line = lines[line - 1].expandtabs(1) if line <= len(lines) else ""
    problem = f"no valid TOML ({what})" + (f" at {place}" if place else "") + f": {reason[:1].lower() + reason[1:]}"
    if shown_line.strip() and len(shown_line) < 160 and place:
        problem += f"\n    {shown_line}\n    {' ' * (column - 1)}^"
    return error(problem, file=path, expected='lines such as  key = 12.5  or  key = "text"', mend=_toml_hint(shown_line))


def _toml_hint(line: str) -> str:
    if re.search(r"=\s*-?\d+,\d", line):
        return "write a decimal point, not a comma: 12.5"
    if re.search(r"=\s*-?[\d.]+\s*(mm|in|deg|°)", line):
        return "write the number alone; its unit is in the key's name"
    if re.search(r"=\s*(yes|no|on|off|true|false)\b", line, re.IGNORECASE):
        return "write true or false, in small letters and without quotation marks"
    if re.search("[\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb]", line):
        return 'use straight quotation marks, "like these", not typographic ones'
    if re.search(r"=\s*[A-Za-z]", line):
        return "put text between quotation marks"
    if re.fullmatch(r"\s*[\w-]+\s*", line):
        return f"a table's name stands in square brackets: [{line.strip()}]"
    if re.search(r"=\s*\.\d|=\s*-?\d+\.\s*$", line):
        return "write a digit on both sides of the decimal point: 0.5"
    return "correct that line; a key may stand only once in its table, a table only once in the file"


def _alike(path: Path) -> str:
    """The TOML file of that folder that may be meant: endings that all of a kind have make no two names alike."""

    def bare(name: str) -> str:
        return name.removesuffix(".toml").removesuffix(".sheet").removesuffix(".limits")

    try:
        names = [other.name for other in islice(path.parent.iterdir(), 5000) if other.suffix == ".toml"]
    except OSError:
        return f"the folder {path.parent} is not there either: check the path"
    near = difflib.get_close_matches(bare(path.name), map(bare, names), n=1, cutoff=0.6)
    of_kind = difflib.get_close_matches(path.name, [name for name in names if bare(name) in near], n=1, cutoff=0.0)
    return f'is it "{of_kind[0]}"?' if of_kind else "check the path"


def _toml_files_in(folder: Path) -> str:
    names = sorted(path.name for path in folder.glob("*.toml"))
    return f"name one of the files in it: {', '.join(names[:5])}" if names else "name a file"
