"""A profile's formula as SQL, so that what is copied from a page gives the numbers of the page."""

from __future__ import annotations

import ast
from collections.abc import Sequence

from herdbook.pipeline.vehicle.formula import Formula, parsed

_BINARY = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
_COMPARE = {ast.Eq: "=", ast.NotEq: "<>", ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">="}


def sql_of(formula: Formula, columns: Sequence[str]) -> str:
    """columns: SQL of each of formula.signals, in their order. Comparisons give 1.0 and 0.0, as the formula does."""
    body, names = parsed(formula.text)
    of = dict(zip(formula.signals, columns, strict=True))
    return _sql(body, [of[name] for name in names])


def _sql(node: ast.expr, columns: Sequence[str]) -> str:
    match node:
        case ast.Constant(value=number):
            return f"CAST({float(number)!r} AS DOUBLE)"  # type: ignore[arg-type]
        case ast.Name(id=name):
            return f"CAST({columns[int(name.strip('_'))]} AS DOUBLE)"
        case ast.UnaryOp(op=ast.Not(), operand=inner):
            return _number(f"NOT {_truth(_sql(inner, columns))}")
        case ast.UnaryOp(op=op, operand=inner):
            value = _sql(inner, columns)
            return f"(-{value})" if isinstance(op, ast.USub) else value
        case ast.BinOp(left=a, op=op, right=b):
            return f"({_sql(a, columns)} {_BINARY[type(op)]} {_sql(b, columns)})"
        case ast.BoolOp(op=op, values=some):
            word = " AND " if isinstance(op, ast.And) else " OR "
            return _number(word.join(_truth(_sql(v, columns)) for v in some))
        case ast.Compare(left=a, ops=ops, comparators=others):
            sides = [_sql(v, columns) for v in (a, *others)]
            each = [f"{x} {_COMPARE[type(op)]} {y}" for op, x, y in zip(ops, sides[:-1], sides[1:], strict=True)]
            return _number(" AND ".join(each))
        case ast.Call(func=ast.Name(id=name), args=args):
            return _called(name, args, columns)
    raise AssertionError(ast.dump(node))  # the formula was checked when the profile was read


def _called(name: str, args: Sequence[ast.expr], columns: Sequence[str]) -> str:
    if name in ("bit", "bits"):
        first, width = ([a.value for a in args[1:] if isinstance(a, ast.Constant)] + [1])[:2]
        word = columns[int(args[0].id.strip("_"))] if isinstance(args[0], ast.Name) else _sql(args[0], columns)
        return f"CAST({bits(word, int(first), int(width))} AS DOUBLE)"  # type: ignore[arg-type]
    values = [_sql(a, columns) for a in args]
    if name == "if_else":
        return f"(CASE WHEN {_truth(values[0])} THEN {values[1]} ELSE {values[2]} END)"
    return f"{ {'abs': 'abs', 'min': 'least', 'max': 'greatest'}[name] }({', '.join(values)})"


def bits(word: str, first: int, width: int) -> str:
    """So many bits of a whole number, from `first` on; the sign of the widest is a bit like others."""
    return f"((CAST({word} AS HUGEINT) >> {first}) & {(1 << width) - 1})"


def _truth(value: str) -> str:
    return f"({value} <> 0 AND NOT isnan({value}))"


def _number(condition: str) -> str:
    return f"CAST(({condition}) AS DOUBLE)"
