"""Formulas over signals in a profile: "max(-BMS.Current, 0)", "A.I1 + B.I2", "bit(S.Word, 3)", "Drv.State == 2".

Python's grammar, and of it only what is listed here: numbers, Message.Signal, + - * /, comparisons, and, or, not, and
the functions below. Nothing is looked up, called or executed: the syntax tree is walked over numpy arrays.

    min(a, b, ...)  max(a, b, ...)  abs(a)
    bit(word, k)            bit k of a whole number, 0 or 1; bit 0 is the least
    bits(word, first, n)    n bits from `first` on, as a number
    if_else(condition, a, b)
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

LONGEST = 2000  # characters
DEEPEST = 40
Name = tuple[str, str]  # message, signal
_SIGNAL = re.compile(r"(?<![\w.@'])([A-Za-z_][\w@']*)\.([A-Za-z_]\w*)")
_PLACE = re.compile(r"_(\d+)_")

_BINARY: dict[type[ast.AST], Callable[[Any, Any], Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.true_divide,
}
_COMPARE: dict[type[ast.AST], Callable[[Any, Any], Any]] = {
    ast.Eq: np.equal,
    ast.NotEq: np.not_equal,
    ast.Lt: np.less,
    ast.LtE: np.less_equal,
    ast.Gt: np.greater,
    ast.GtE: np.greater_equal,
}
_ARGUMENTS = {"min": (2, 64), "max": (2, 64), "abs": (1, 1), "bit": (2, 2), "bits": (3, 3), "if_else": (3, 3)}


@dataclass(frozen=True, slots=True)
class Formula:
    """text: with every {n} filled in. signals: what it reads, in the order in which they stand, each once."""

    text: str
    signals: tuple[Name, ...]

    def __str__(self) -> str:
        return self.text

    def values(self, arrays: Mapping[Name, NDArray[Any]]) -> NDArray[np.float64]:
        """Its value for every row, float64 (n,). arrays: (n,) each, whole numbers or float64; what cannot be reckoned
        (a division by zero) is NaN or infinite."""
        body, names = parsed(self.text)
        some = next(iter(arrays.values()))
        with np.errstate(all="ignore"):
            out = _value(body, [arrays[name] for name in names])
        return np.array(np.broadcast_to(out, some.shape), np.float64)


def formula(text: str) -> Formula:
    """Parse and check. Raises: ValueError saying what may not stand in it."""
    _, names = parsed(text)
    if not names:
        raise ValueError(f"{text!r} names no signal, as in max(-BMS_Pack.Current, 0)")
    return Formula(text, tuple(dict.fromkeys(names)))


@lru_cache(maxsize=4096)
def parsed(text: str) -> tuple[ast.expr, tuple[Name, ...]]:
    """The checked tree, in which signal i is the name _i_, and the signals."""
    if len(text) > LONGEST:
        raise ValueError(f"a formula of {len(text)} characters is too long; {LONGEST} may stand")
    names: list[Name] = []

    def place(found: re.Match[str]) -> str:
        names.append((found[1], found[2]))
        return f"_{len(names) - 1}_"

    if _PLACE.search(text):
        raise ValueError(f"{text!r}: names such as _0_ cannot be used")
    try:
        body = ast.parse(_SIGNAL.sub(place, text).strip(), mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError):
        raise ValueError(f"{text!r} is no formula; one looks like max(-BMS_Pack.Current, 0)") from None
    _check(body, text, len(names), DEEPEST)
    return body, tuple(names)


def _check(node: ast.expr, text: str, known: int, left: int) -> None:
    if not left:
        raise ValueError(f"{text!r} is nested too deeply")
    for part in _parts(node, text, known):
        _check(part, text, known, left - 1)


def _parts(node: ast.expr, text: str, known: int) -> list[ast.expr]:
    """What a node rests on, once it is one of those allowed."""
    match node:
        case ast.Constant(value=bool() | int() | float() as number) if math.isfinite(number):
            return []
        case ast.Name(id=name) if (found := _PLACE.fullmatch(name)) and int(found[1]) < known:
            return []
        case ast.UnaryOp(op=ast.USub() | ast.UAdd() | ast.Not(), operand=inner):
            return [inner]
        case ast.BinOp(left=a, op=op, right=b) if type(op) in _BINARY:
            return [a, b]
        case ast.BoolOp(values=some):
            return some
        case ast.Compare(left=a, ops=ops, comparators=others) if all(type(op) in _COMPARE for op in ops):
            return [a, *others]
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in _ARGUMENTS:
            least, most = _ARGUMENTS[name]
            if not least <= len(args) <= most:
                wanted = "two or more values" if least < most else "one value" if most == 1 else f"{most} values"
                raise ValueError(f"{text!r}: {name} takes {wanted}")
            if name in ("bit", "bits"):
                _check_bits(name, args[1:], text)
                return args[:1]
            return args
    raise ValueError(f"{text!r}: {_shown(node)} may not stand in a formula; {_ALLOWED}")


_ALLOWED = (
    "allowed are numbers, Message.Signal, + - * /, comparisons, and, or, not, and "
    "min(), max(), abs(), bit(), bits(), if_else()"
)


def _shown(node: ast.expr) -> str:
    return _PLACE.sub("signal", ast.unparse(node))[:60]


def _check_bits(name: str, args: list[ast.expr], text: str) -> None:
    given = [a.value for a in args if isinstance(a, ast.Constant) and type(a.value) is int]
    first, width = [*given, 1][:2] if len(given) == len(args) else (-1, 1)
    if not (0 <= first <= 63 and 1 <= width <= 52 and first + width <= 64):
        raise ValueError(
            f"{text!r}: {name} wants whole numbers, bit 0 to 63, as in bit(BMS.Word, 3) or bits(BMS.Word, 4, 2)"
        )


def _value(node: ast.expr, arrays: list[NDArray[Any]]) -> Any:
    """A float64 array or a float; comparisons are 1.0 and 0.0."""
    match node:
        case ast.Constant(value=number):
            return float(number)  # type: ignore[arg-type]
        case ast.Name(id=name):
            return arrays[int(name.strip("_"))].astype(np.float64)
        case ast.UnaryOp(op=op, operand=inner):
            return _signed(op, _value(inner, arrays))
        case ast.BinOp(left=a, op=op, right=b):
            return _BINARY[type(op)](_value(a, arrays), _value(b, arrays))
        case ast.BoolOp(op=op, values=some):
            parts = [_truth(_value(v, arrays)) for v in some]
            return _number((np.logical_and if isinstance(op, ast.And) else np.logical_or).reduce(_same(parts)))
        case ast.Compare(left=a, ops=ops, comparators=others):
            sides = [_value(v, arrays) for v in (a, *others)]
            each = [_COMPARE[type(op)](x, y) for op, x, y in zip(ops, sides[:-1], sides[1:], strict=True)]
            return _number(np.logical_and.reduce(_same(each)))
        case ast.Call(func=ast.Name(id=name), args=args):
            return _called(name, args, arrays)
    raise AssertionError(ast.dump(node))  # _check() let it through


def _called(name: str, args: list[ast.expr], arrays: list[NDArray[Any]]) -> Any:
    if name in ("bit", "bits"):
        word = _word(args[0], arrays)
        first, width = ([a.value for a in args[1:] if isinstance(a, ast.Constant)] + [1])[:2]
        return _number((word >> np.uint64(first)) & np.uint64((1 << width) - 1))  # type: ignore[operator,arg-type]
    values = [_value(a, arrays) for a in args]
    if name == "if_else":
        return np.where(_truth(values[0]), values[1], values[2])
    if name == "abs":
        return np.abs(values[0])
    out = values[0]
    for other in values[1:]:
        out = np.minimum(out, other) if name == "min" else np.maximum(out, other)
    return out + 0.0  # also turns -0.0 into 0.0


def _word(node: ast.expr, arrays: list[NDArray[Any]]) -> NDArray[np.uint64]:
    """A whole number as its 64 bits; of a signal itself without a detour through floats."""
    if isinstance(node, ast.Name):
        raw = arrays[int(node.id.strip("_"))]
        if raw.dtype.kind in "iu":
            return raw.astype(np.int64, copy=False).view(np.uint64) if raw.dtype.kind == "i" else raw.astype(np.uint64)
    value = np.atleast_1d(np.asarray(_value(node, arrays), np.float64))
    return np.where(np.isfinite(value), value, 0.0).astype(np.int64).view(np.uint64)


def _signed(op: ast.unaryop, value: Any) -> Any:
    if isinstance(op, ast.Not):
        return _number(np.logical_not(_truth(value)))
    return np.negative(value) + 0.0 if isinstance(op, ast.USub) else value


def _truth(value: Any) -> NDArray[np.bool_]:
    found = np.asarray(value)
    return np.asarray((found != 0) & ~np.isnan(found))


def _number(found: Any) -> NDArray[np.float64]:
    return np.asarray(found).astype(np.float64)


def _same(parts: list[Any]) -> NDArray[Any]:
    return np.array(np.broadcast_arrays(*parts))
