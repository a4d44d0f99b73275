"""Expressions in limits: parsed with Python's `ast` against a list of what may stand there; nothing is ever executed."""

from __future__ import annotations

import ast
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from specimeter.errors import LimitsError
from specimeter.judge.interval import Interval, NotMeasured, and_, compare, greatest, least, not_, or_
from specimeter.toml_file import nearest

MAX_LENGTH = 400  # characters
MAX_DEPTH = 16  # of nesting
ANY = -99  # the dimension of a plain number, which takes that of its neighbour: 3 is a length beside a length

ARITHMETIC = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
COMPARISON = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}
FUNCTIONS = ("min", "max", "abs")
HINTS = {  # what people write, and what is read here
    ast.Pow: "write a power out: t * t",
    ast.BitXor: "write a power out: t * t",
    ast.BitAnd: "write the word and",
    ast.BitOr: "write the word or",
    ast.Invert: "write the word not",
    ast.Tuple: "write a decimal point, not a comma: 1.5",
    ast.Set: "use round parentheses",
    ast.List: "use round parentheses",
    ast.IfExp: "write two rules, or use min and max",
    ast.NamedExpr: "write == or <=",
    ast.Attribute: "names have no dots in them",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a name stands for: `dimension` 1 is a length, 2 an area, 0 neither; its `unit` is "mm", "in" or "" (none)."""

    dimension: int = 0
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Truth:
    """What a name stands for that is true, false or not known."""


@dataclass(frozen=True, slots=True)
class Expression:
    """A checked expression: its text, its tree, the names in it, and what it gives."""

    text: str
    tree: ast.expr
    names: frozenset[str]
    gives: Quantity | Truth

    @property
    def quantity(self) -> Quantity:
        """What a number's expression gives; it was parsed as one."""
        assert isinstance(self.gives, Quantity)
        return self.gives


def parse(text: str, names: Mapping[str, Quantity | Truth], *, gives: type[Quantity] | type[Truth], field: str) -> Expression:
    """Check an expression and what it gives.

    Parameters
    ----------
    text : str
        Arithmetic, comparisons (also chained, ``1 < length_mm <= 3``), ``and or not``, ``min max abs``.
    names : mapping
        The names that may stand in it.
    gives : type
        `Quantity` for a number, `Truth` for a condition.
    field : str
        Named in the error.

    Raises
    ------
    LimitsError
        With the expression, a mark under the place, and what may stand there. Lengths of different units, or a length beside
        an area, are refused here, not at judging.
    """
    text = " ".join(text.split())
    checker = _Checker(text, names, gives, field)
    tree = checker.tree()
    found = checker.check(tree, 1)
    if not isinstance(found, gives):
        wanted = "a number" if gives is Quantity else "a condition (something that is true or false)"
        have = "a number" if isinstance(found, Quantity) else "a condition (something that is true or false)"
        checker.refuse(tree, f"this gives {have}, and {wanted} belongs here")
    used = frozenset(node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id not in FUNCTIONS)
    return Expression(text, tree, used, found)


def value(expression: Expression, known: Mapping[str, Interval | bool | str | None]) -> Interval:
    """The number that an expression gives.

    Parameters
    ----------
    known : mapping
        For each name its `Interval`, or the reason, as text, why there is none.

    Raises
    ------
    NotMeasured
        A name has no number, or the arithmetic has no finite answer (a division by zero).
    """
    return _number(expression.tree, known)


def holds(expression: Expression, known: Mapping[str, Interval | bool | str | None], *, guarded: bool) -> bool | None:
    """Whether a condition holds: None where a name is not known or an uncertainty leaves it open.

    Guarded, sizes are compared with their intervals; else by their values alone.
    """
    return _truth(expression.tree, known, guarded)


class _Checker:
    def __init__(self, text: str, names: Mapping[str, Quantity | Truth], gives: type, field: str) -> None:
        self.text, self.names, self.gives, self.field = text, names, gives, field

    def refuse(self, node: ast.expr, problem: str, mend: str | None = None) -> NoReturn:
        end = node.col_offset if node.end_col_offset is None else node.end_col_offset
        self.refuse_at(self._column(node.col_offset), self._column(end), problem, mend)

    def refuse_at(self, begin: int, end: int, problem: str, mend: str | None = None) -> NoReturn:
        mark = f"\n    {self.text}\n    {' ' * begin}{'^' * max(1, end - begin)}"
        raise LimitsError(problem + mark, field=self.field, expected=self._allowed(), mend=mend)

    def tree(self) -> ast.expr:
        if not self.text:
            raise LimitsError("the expression is empty", field=self.field, expected=self._allowed())
        if len(self.text) > MAX_LENGTH:
            cut = f"{self.text[:40]} ..."
            raise LimitsError(
                f"the expression {cut!r} has {len(self.text)} characters", field=self.field, expected=f"at most {MAX_LENGTH}"
            )
        for char, instead in {"≤": "<=", "≥": ">=", "≠": "!=", "×": "*", "·": "*", "÷": "/", "−": "-", "&&": "and", "||": "or",
                              "#": "nothing: no comment can stand in it", "%": "/ 100", '"': "numbers and names only",
                              "'": "numbers and names only"}.items():  # fmt: skip
            if (at := self.text.find(char)) >= 0:
                self.refuse_at(at, at + len(char), f"{char} cannot stand here", f"write {instead}")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")  # "3and" is deprecated Python: refused
                return ast.parse(self.text, mode="eval").body
        except SyntaxError as fault:
            at = min(max((fault.offset or 1) - 1, 0), len(self.text))
            lone = next((i for i, c in enumerate(self.text) if c == "=" and self._is_lone(i)), None)
            if lone is not None:
                self.refuse_at(lone, lone + 1, "a single = compares nothing", "write ==, <= or >=")
            self.refuse_at(at, at + 1, f"this cannot be read as an expression: {fault.msg.split('. ')[0]}")
        except (ValueError, RecursionError, MemoryError) as fault:
            raise LimitsError(f"this cannot be read as an expression: {fault}", field=self.field) from fault

    def check(self, node: ast.expr, depth: int) -> Quantity | Truth:
        if depth > MAX_DEPTH:
            self.refuse(node, f"this is nested more than {MAX_DEPTH} deep", "write it in fewer steps, or as several rules")
        match node:
            case ast.Constant():
                if isinstance(node.value, bool) or not isinstance(node.value, int | float):
                    self.refuse(node, "this is not a number")
                if not abs(node.value) < 1e9:
                    self.refuse(node, "this number is absurdly large")
                return Quantity(ANY)
            case ast.Name():
                return self._name(node)
            case ast.UnaryOp(op=ast.UAdd() | ast.USub()):
                return self._quantity(node.operand, depth)
            case ast.UnaryOp(op=ast.Not()):
                return self._condition(node.operand, depth)
            case ast.BinOp() if type(node.op) in ARITHMETIC:
                return self._arithmetic(node, depth)
            case ast.BoolOp():
                for part in node.values:
                    self._condition(part, depth)
                return Truth()
            case ast.Compare():
                parts = [node.left, *node.comparators]
                for op in node.ops:
                    if type(op) not in COMPARISON:
                        self.refuse(node, "this comparison cannot stand here", "compare with < <= > >= == !=")
                self._alike(node, [self._quantity(part, depth) for part in parts], "compared")
                return Truth()
            case ast.Call():
                return self._call(node, depth)
        odd = type(getattr(node, "op", None))
        self.refuse(node, "this cannot stand in an expression", HINTS.get(odd) or HINTS.get(type(node)))

    def _name(self, node: ast.Name) -> Quantity | Truth:
        if node.id in self.names:
            return self.names[node.id]
        if node.id in FUNCTIONS:
            self.refuse(node, f"{node.id} needs its numbers in parentheses after it", f"write {node.id}(...)")
        near = nearest(node.id, [*self.names, *FUNCTIONS])
        self.refuse(node, f'the name "{node.id}" is not known here', f'did you mean "{near}"?' if near else None)

    def _quantity(self, node: ast.expr, depth: int) -> Quantity:
        found = self.check(node, depth + 1)
        if not isinstance(found, Quantity):
            self.refuse(node, "a number belongs here, and this is true or false")
        return found

    def _condition(self, node: ast.expr, depth: int) -> Truth:
        found = self.check(node, depth + 1)
        if not isinstance(found, Truth):
            self.refuse(node, "a condition belongs here, and this is a number", "compare it: length_mm > 1")
        return found

    def _alike(self, node: ast.expr, parts: list[Quantity], done: str) -> Quantity:
        """The one dimension and unit of things that are added, compared or of which one is chosen."""
        dimensions = {part.dimension for part in parts} - {ANY}
        if len(dimensions) > 1:
            names = {0: "a plain number", 1: "a length", 2: "an area"}
            listed = " and ".join(names.get(one, "a product of lengths") for one in sorted(dimensions))
            self.refuse(node, f"{listed} cannot be {done}")
        units = {part.unit for part in parts if part.dimension != ANY} - {""}
        if len(units) > 1:
            self.refuse(
                node,
                f"millimetres and inches cannot be {done}",
                "use the names that end in the rule's unit: length_mm or length_in; t, t_s and w are in the rule's unit",
            )
        return Quantity(dimensions.pop() if dimensions else ANY, units.pop() if units else "")

    def _arithmetic(self, node: ast.BinOp, depth: int) -> Quantity:
        left, right = self._quantity(node.left, depth), self._quantity(node.right, depth)
        if isinstance(node.op, ast.Add | ast.Sub):
            return self._alike(node, [left, right], "added" if isinstance(node.op, ast.Add) else "subtracted")
        if left.dimension == ANY and right.dimension == ANY:
            return left
        units = {left.unit, right.unit} - {""}
        if len(units) > 1:
            self._alike(node, [Quantity(1, "mm"), Quantity(1, "in")], "multiplied or divided")
        a, b = (0 if part.dimension == ANY else part.dimension for part in (left, right))
        dimension = a + b if isinstance(node.op, ast.Mult) else a - b
        return Quantity(dimension, units.pop() if units and dimension else "")

    def _call(self, node: ast.Call, depth: int) -> Quantity:
        name = node.func.id if isinstance(node.func, ast.Name) else None
        if name not in FUNCTIONS:
            near = nearest(name or "", FUNCTIONS)
            self.refuse(node.func, "only min, max and abs can be called", f'did you mean "{near}"?' if near else None)
        if node.keywords or any(isinstance(part, ast.Starred) for part in node.args):
            self.refuse(node, f"{name} takes plain numbers, separated by commas")
        if len(node.args) != 1 if name == "abs" else len(node.args) < 2:
            self.refuse(node, f"{name} takes {'one number' if name == 'abs' else 'two or more numbers'}")
        return self._alike(node, [self._quantity(part, depth) for part in node.args], f"given to {name} together")

    def _allowed(self) -> str:
        quantities = [name for name, what in self.names.items() if isinstance(what, Quantity)]
        truths = [name for name, what in self.names.items() if isinstance(what, Truth)]
        text = (
            "numbers, + - * /, < <= > >= == !=, and or not, min max abs, parentheses"
            if quantities
            else "and or not, parentheses"
        )
        if quantities:
            text += f"; the names {', '.join(quantities)}"
        return text + (f"; true or false: {', '.join(truths)}" if truths else "")

    def _column(self, offset: int) -> int:
        return len(self.text.encode()[:offset].decode(errors="ignore"))  # ast counts bytes

    def _is_lone(self, at: int) -> bool:
        return self.text[at + 1 : at + 2] != "=" and (at == 0 or self.text[at - 1] not in "<>=!")


def _number(node: ast.expr, known: Mapping[str, Any]) -> Interval:
    match node:
        case ast.Constant():
            return Interval.exact(float(node.value))  # type: ignore[arg-type]  # the checker lets numbers pass, and no more
        case ast.Name():
            found = known[node.id]
            if isinstance(found, str):
                raise NotMeasured(found)
            return found
        case ast.UnaryOp():
            inner = _number(node.operand, known)
            return -inner if isinstance(node.op, ast.USub) else inner
        case ast.BinOp():
            left, right = _number(node.left, known), _number(node.right, known)
            match node.op:
                case ast.Add():
                    return left + right
                case ast.Sub():
                    return left - right
                case ast.Mult():
                    return left * right
            return left / right
    assert isinstance(node, ast.Call)
    assert isinstance(node.func, ast.Name)
    parts = [_number(part, known) for part in node.args]
    return {"abs": lambda: abs(parts[0]), "min": lambda: least(parts), "max": lambda: greatest(parts)}[node.func.id]()


def _truth(node: ast.expr, known: Mapping[str, Any], guarded: bool) -> bool | None:
    match node:
        case ast.Name():
            found = known[node.id]
            return None if isinstance(found, str) else found
        case ast.UnaryOp():
            return not_(_truth(node.operand, known, guarded))
        case ast.BoolOp():
            truths = [_truth(part, known, guarded) for part in node.values]
            return and_(truths) if isinstance(node.op, ast.And) else or_(truths)
    assert isinstance(node, ast.Compare)
    try:
        parts = [_number(part, known) for part in (node.left, *node.comparators)]
    except NotMeasured:
        return None
    if not guarded:
        parts = [part.collapsed() for part in parts]
    pairs = zip(parts, node.ops, parts[1:], strict=False)
    return and_([compare(left, COMPARISON[type(op)], right) for left, op, right in pairs])
