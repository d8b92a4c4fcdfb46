"""How many small faults put into one module its tests notice: the mutation score of a module.

    .venv/bin/python -m tests.mutate decoders/decoding/extract.py tests/decoders/test_extract.py
    .venv/bin/python -m tests.mutate pipeline/health/scoring.py tests/health --sample 60 --jobs 2

Each fault is one operator, comparison, condition or number changed in the syntax tree. It lives in memory alone: a
process of its own imports the changed module and runs the tests until one fails, so no file is touched and several
runs may go on in one tree. Tests that start processes of their own do not see the fault there. A fault that makes the
tests run ten times as long as without it is noticed too. Each survivor is printed with its line: either a test is
missing, or the change makes no difference to anybody, which is for the reader to judge.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, ModuleType

ROOT = Path(__file__).parents[1]
SWAPS: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.FloorDiv,),
    ast.Pow: (ast.Mult,),
    ast.LShift: (ast.RShift,),
    ast.RShift: (ast.LShift,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.BitXor: (ast.BitAnd,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
FREE = ("strict", "frozen", "slots")  # keywords that guard against faults in the code: no test can reach them
FACTOR = 1.1  # for numbers that are not whole


@dataclass(frozen=True)
class Mutant:
    """One fault: the line where it lies, what it says now, and the whole module with it."""

    line: int
    said: str
    tree: ast.Module


def mutants(text: str) -> Iterator[Mutant]:
    """Every fault of a module, in order of its lines."""
    plain = ast.parse(text)
    places = sorted(_places(plain), key=lambda p: (getattr(p[0], "lineno", 0), getattr(p[0], "col_offset", 0)))
    numbers = {id(node): i for i, node in enumerate(ast.walk(plain))}
    for node, holder in places:
        for i in range(len(_changes(node))):
            tree = copy.deepcopy(plain)
            every = list(ast.walk(tree))
            own, around = every[numbers[id(node)]], every[numbers[id(holder)]]
            before = ast.unparse(around)
            new = _changes(own)[i]
            if new is not own:
                _put(tree, own, new)
                around = new if around is own else around
            ast.fix_missing_locations(tree)
            yield Mutant(getattr(node, "lineno", 0), f"{_short(before)}  ->  {_short(ast.unparse(around))}", tree)


def _places(tree: ast.AST) -> Iterator[tuple[ast.expr | ast.stmt, ast.AST]]:
    """Nodes to change, each with the small expression or statement to show of it. Annotations, decorators, asserts,
    texts and what is said in an error are left alone."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for node in value if isinstance(value, list) else [value]:
            if not isinstance(node, ast.AST) or isinstance(node, ast.Assert | ast.Raise | ast.JoinedStr):
                continue
            if isinstance(node, ast.keyword) and node.arg in FREE:
                continue
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
                continue
            if isinstance(node, ast.expr | ast.stmt):
                yield node, tree if isinstance(node, ast.Constant) and isinstance(tree, ast.expr) else node
            yield from _places(node)


def _changes(node: ast.AST) -> list[ast.AST]:
    """What can stand in place of a node: the node itself where it was changed inside."""
    if isinstance(node, ast.Constant):
        return [ast.Constant(value) for value in _other_values(node.value)]
    if isinstance(node, ast.Compare):
        return [
            _with(node, ops=[*node.ops[:i], new(), *node.ops[i + 1 :]])
            for i, op in enumerate(node.ops)
            for new in SWAPS[type(op)]
        ]
    if isinstance(node, ast.AugAssign):
        return [*(_with(node, op=new()) for new in SWAPS.get(type(node.op), ())), ast.Pass()]
    if isinstance(node, ast.BinOp | ast.BoolOp):
        return [_with(node, op=new()) for new in SWAPS.get(type(node.op), ())]
    if isinstance(node, ast.UnaryOp):
        return [node.operand]
    if isinstance(node, ast.If | ast.IfExp | ast.While) and not isinstance(node.test, ast.Compare | ast.UnaryOp):
        return [_with(node, test=ast.UnaryOp(ast.Not(), node.test))]
    if isinstance(node, ast.Name) and node.id in NAMES and isinstance(node.ctx, ast.Load):
        return [ast.Name(NAMES[node.id], ast.Load())]
    if isinstance(node, ast.Attribute) and node.attr in NAMES and isinstance(node.ctx, ast.Load):
        return [_with(node, attr=NAMES[node.attr])]
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        return [ast.Pass()]
    return []


def _other_values(value: object) -> list[int | float | bool]:
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1, value - 1]
    if isinstance(value, float):
        return [value * FACTOR, value / FACTOR] if value else [1.0]
    return []


def _with(node: ast.AST, **fields: object) -> ast.AST:
    new = copy.copy(node)
    for name, value in fields.items():
        setattr(new, name, value)
    return new


def _put(tree: ast.AST, old: ast.AST, new: ast.AST) -> None:
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, name, new)
            elif isinstance(value, list):
                value[:] = [new if v is old else v for v in value]


def _short(text: str) -> str:
    first, *more = text.splitlines() or [""]
    return first + (" ..." if more else "")


class _Changed(importlib.abc.MetaPathFinder):
    """Finds one module, and gives it code of ours."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name, self.path, self.tree = name, str(path.resolve()), tree

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(
            fullname, self.path, loader=_Loader(fullname, self.path, self.tree)
        )


class _Loader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, tree: ast.Module) -> None:
        super().__init__(name, path)
        self.tree = tree

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.tree, self.path, "exec")


def name_of(path: Path) -> str:
    """The name under which a file is imported."""
    parts = list(path.resolve().relative_to(ROOT).with_suffix("").parts)
    parts = parts[:-1] if parts[-1] == "__init__" else parts
    return ".".join((["herdbook"] if parts[0] in ("decoders", "pipeline", "flows") else []) + parts)


def start(path: Path, tree: ast.Module, tests: Sequence[str], heard: bool = False) -> int:
    """Process number of a run of the tests with the module so; it ends with pytest's exit status. heard: and speaks."""
    sys.stdout.flush()
    if number := os.fork():
        return number
    os.setsid()  # so that whatever the tests start ends with them
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream in (0,) if heard else (0, 1, 2):
        os.dup2(quiet, stream)
    status = 70
    try:
        import hypothesis
        import pytest

        phases = (hypothesis.Phase.explicit, hypothesis.Phase.generate)
        hypothesis.settings.register_profile("mutate", database=None, derandomize=True, phases=phases)
        sys.meta_path.insert(0, _Changed(name_of(path), path, tree))
        options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-profile=mutate"]
        options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # of what was imported before the fork
        status = int(pytest.main([*options, *tests]))
    except BaseException:
        traceback.print_exc()
    os._exit(status)


def score(path: Path, found: Sequence[Mutant], tests: Sequence[str], jobs: int, limit_s: float) -> list[bool]:
    """True for each mutant that the tests noticed."""
    noticed = [False] * len(found)
    running: dict[int, tuple[int, float]] = {}
    waiting = list(reversed(range(len(found))))
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                which = waiting.pop()
                running[start(path, found[which].tree, tests)] = which, time.monotonic()
            for number, (which, began) in list(running.items()):
                late = time.monotonic() - began > limit_s
                if late:
                    os.killpg(number, signal.SIGKILL)
                done, status = os.waitpid(number, 0 if late else os.WNOHANG)
                if done:
                    del running[number]
                    noticed[which] = late or status != 0
                    if not noticed[which]:
                        print(f"survives  {path}:{found[which].line}  {found[which].said}", flush=True)
            time.sleep(0.02)
    finally:
        for number in running:
            os.killpg(number, signal.SIGKILL)
    return noticed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("module", type=Path, help="the file to put faults into")
    parser.add_argument("tests", nargs="+", help="test files or folders, as pytest takes them")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--sample", type=int, help="only so many faults, drawn from the seed")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lines", help="only faults in these lines: 20-45")
    parser.add_argument("--list", action="store_true", help="name the faults and run nothing")
    options = parser.parse_args()
    found = list(mutants(options.module.read_text("utf-8")))
    if options.lines:
        first, last = map(int, options.lines.split("-"))
        found = [m for m in found if first <= m.line <= last]
    if options.sample and options.sample < len(found):
        chosen = set(random.Random(options.seed).sample(range(len(found)), options.sample))
        found = [m for i, m in enumerate(found) if i in chosen]
    if options.list:
        sys.exit("\n".join(f"{options.module}:{m.line}  {m.said}" for m in found))
    for heavy in ("cantools", "hypothesis", "numpy", "pytest"):  # once, not in every run
        importlib.import_module(heavy)
    began = time.monotonic()
    whole = ast.parse(options.module.read_text("utf-8"))
    _, status = os.waitpid(start(options.module, whole, options.tests, heard=True), 0)
    if status:
        sys.exit("The tests fail without any fault: mend them first.")
    limit_s = 10 * (time.monotonic() - began) + 10
    noticed = score(options.module, found, options.tests, options.jobs, limit_s)
    print(f"{options.module}: {sum(noticed)} of {len(found)} faults noticed, {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
