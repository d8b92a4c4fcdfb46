"""Promises about structure, held by tests: who may import whom, no circles, one import name, module size."""

import ast
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LAYERS = ("decoders", "pipeline", "flows")
MODULES = sorted(p for layer in LAYERS for p in (ROOT / layer).rglob("*.py"))
ALL_CODE = MODULES + sorted(p for k in ("demo_logs", "tests") for p in (ROOT / k).rglob("*.py"))

_FLAT = (
    "errors",
    "settings",
    "addresses",
    "times",
    "spans",
    "many_groups",
    "arrays",
    "extras",
    "operating_system",
    "row_order",
)
FLAT = {f"pipeline.{name}" for name in _FLAT}
# Room -> the rooms it may import, besides itself and what lies flat in pipeline/. Data flows from top to bottom.
# "decoders" in such a set means all of it.
MAY_IMPORT: dict[str, set[str]] = {
    "decoders.errors": set(),
    "decoders.arrays": set(),
    "decoders.frames": {"decoders.arrays"},
    "decoders.text": {"decoders.arrays"},
    "decoders.reading": {"decoders.arrays", "decoders.frames", "decoders.text"},
    "decoders.dbc": {"decoders.arrays", "decoders.frames", "decoders.errors"},
    "decoders.decoding": {"decoders.arrays", "decoders.frames", "decoders.dbc"},
    "decoders.integrity": {
        "decoders.arrays",
        "decoders.frames",
        "decoders.dbc",
        "decoders.errors",
        "decoders.decoding",
    },
    "decoders.formats": {
        *("decoders.arrays", "decoders.frames", "decoders.errors", "decoders.text", "decoders.reading"),
        *("decoders.dbc", "decoders.decoding"),  # a measurement file's records are laid out as signals are
    },
    "decoders.log": {"decoders.errors", "decoders.frames", "decoders.reading", "decoders.formats"},
    "decoders": {"decoders"},
    "pipeline": {"decoders"},
    "pipeline.science": set(),
    "pipeline.manual": set(),
    "pipeline.vehicle": {"decoders", "pipeline.science"},
}
for _above, _rooms in [
    ("pipeline.vehicle", ["pipeline.lake"]),
    ("pipeline.lake", ["pipeline.store"]),
    ("pipeline.store", ["pipeline.intake"]),
    ("pipeline.intake", ["pipeline.book"]),
    ("pipeline.book", ["pipeline.metrics"]),
    ("pipeline.metrics", ["pipeline.health"]),
    ("pipeline.health", ["pipeline.own"]),
    ("pipeline.own", ["pipeline.assess"]),
    ("pipeline.assess", ["pipeline.night", "pipeline.upkeep"]),
    ("pipeline.night", ["pipeline.herd"]),
    ("pipeline.herd", ["pipeline.bench"]),
    ("pipeline.bench", ["pipeline.reports"]),
    ("pipeline.reports", ["pipeline.desk"]),
    ("pipeline.desk", ["pipeline.commands"]),
    ("pipeline.commands", ["flows"]),
]:
    for _room in _rooms:
        MAY_IMPORT[_room] = MAY_IMPORT[_above] | {_above}
MAY_IMPORT["pipeline.commands"] |= {"pipeline.upkeep", "pipeline.manual"}
MAY_IMPORT["pipeline.cli"] = {"decoders", "pipeline.commands"}
MAY_IMPORT["pipeline.api"] = MAY_IMPORT["pipeline.commands"]
MAY_IMPORT["flows"] |= {"pipeline.upkeep", "pipeline.cli"}

# The same inside reports: words and page know no vehicle; dossier and history know nothing of each other.
_ABOUT = {
    "facts",
    "verdict",
    "record",
    "pack_capacity",
    "rule_counts",
    "packs",
}  # flat: what all pages say of a vehicle
REPORTS_MAY_IMPORT: dict[str, set[str]] = {
    "words": set(),
    "page": {"words"},
    "facts": {"words"},
    "verdict": {"words", "facts"},
    "record": {"facts"},
    "pack_capacity": set(),
    "packs": {"facts"},
    "rule_counts": set(),
    "contact_page": {"page"},
    "drawing": {"words", "page", "facts"},
    "dossier": {"words", "page", "drawing"} | _ABOUT,
    "history": {"words", "page"} | _ABOUT,
    "signals": {"words", "page", "drawing"},
    "herd": {"words", "page", "drawing"} | _ABOUT,
    "fleet": {"words", "page", "drawing", "dossier", "herd"} | _ABOUT,
    "bench": {"words", "page", "drawing"} | _ABOUT,
}


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def dotted(path: Path) -> str:
    return path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".").removesuffix(".__init__")


NAMES = {dotted(p) for p in MODULES}


def room(name: str) -> str:
    """`pipeline.lake` for a module in it, a flat module by its own name, and so in decoders; flows is one room."""
    parts = name.split(".")
    return parts[0] if parts[0] == "flows" else ".".join(parts[:2])


@dataclass(frozen=True)
class Read:
    """What the promises ask of a file, read once. imports: modules of ours, and whether a module does so as soon as it
    is imported itself; named: whatever is imported anywhere in it, by the name it is asked for."""

    imports: tuple[tuple[str, bool], ...]
    named: frozenset[str]
    left_over: tuple[str, ...]


@cache
def read(path: Path) -> Read:
    return _read(path.read_text("utf-8"))


def _read(text: str) -> Read:
    tree = ast.parse(text)
    nodes = list(ast.walk(tree))
    whole = [a.name for n in nodes if isinstance(n, ast.Import) for a in n.names]
    whole += [n.module or "" for n in nodes if isinstance(n, ast.ImportFrom) and n.level == 0]
    return Read(tuple(_imports(tree.body, True)), frozenset(whole), tuple(left_over(text, nodes)))


def imports(path: Path) -> tuple[tuple[str, bool], ...]:
    return read(path).imports


def offenders(paths: Sequence[Path], wrong: Callable[[Path], set[str]]) -> dict[str, set[str]]:
    """What is wrong in each file that breaks a promise: one test of all files takes a fraction of a test for each."""
    assert len(paths) > 40, "the files were not found"
    return {relative(path): found for path in paths if (found := wrong(path))}


def from_roots(path: Path, *roots: str) -> set[str]:
    return {n for n in read(path).named if n.split(".")[0] in roots}


def _imports(nodes: list[ast.stmt], at_once: bool) -> Iterator[tuple[str, bool]]:
    for node in nodes:
        if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            for alias in node.names:
                for name in (f"{node.module}.{alias.name}", node.module):
                    if name.removeprefix("herdbook.") in NAMES:
                        yield name.removeprefix("herdbook."), at_once
                        break
        elif isinstance(node, ast.Import):
            yield from ((a.name.removeprefix("herdbook."), at_once) for a in node.names if "herdbook" in a.name)
        else:
            typing = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
            inside = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            for field in ("body", "orelse", "finalbody", "handlers"):
                yield from _imports(getattr(node, field, []), at_once and not typing and not inside)


def test_a_room_imports_only_what_lies_before_it() -> None:
    def wrong(path: Path) -> set[str]:
        here = room(dotted(path))
        allowed = MAY_IMPORT.get(here, {"decoders"}) | (set() if here.startswith("decoders") else FLAT) | {here}
        found = {name for name, _ in imports(path) if room(name) not in allowed}
        return {name for name in found if not ("decoders" in allowed and name.startswith("decoders"))}

    assert not offenders(MODULES, wrong)


def test_every_room_stands_in_the_table() -> None:
    assert {room(n) for n in NAMES} - FLAT <= set(MAY_IMPORT)


def report_room(name: str) -> str:
    return name.removeprefix("pipeline.reports.").split(".")[0]


def test_a_room_of_the_reports_imports_only_what_lies_before_it() -> None:
    """Inside functions as well: no page goes through the front door, which imports them all."""
    paths = [p for p in MODULES if dotted(p).startswith("pipeline.reports.")]
    unknown = {report_room(dotted(p)) for p in paths} - set(REPORTS_MAY_IMPORT)
    assert not unknown, "a new room of the reports stands in no table: add what it may import"

    def wrong(path: Path) -> set[str]:
        here = report_room(dotted(path))
        found = {report_room(name) for name, _ in imports(path) if name.startswith("pipeline.reports")}
        return found - REPORTS_MAY_IMPORT[here] - {here}

    assert not offenders(paths, wrong)


def test_no_circle_of_files() -> None:
    """Counting what a module imports at once: an import inside a function breaks no start, but is one way all the same
    between rooms (above)."""
    reach = {dotted(p): {n for n, _ in imports(p)} for p in MODULES}
    done: set[str] = set()
    circles: list[list[str]] = []

    def walk(name: str, way: list[str]) -> None:
        if name in way:
            circles.append([*way[way.index(name) :], name])
        elif name not in done:
            for following in sorted(reach.get(name, ())):
                walk(following, [*way, name])
            done.add(name)

    for name in sorted(reach):
        walk(name, [])
    assert not circles


def test_ours_is_imported_by_its_one_name() -> None:
    """`import pipeline` would work in this folder and nowhere else."""
    assert not offenders(ALL_CODE, lambda path: from_roots(path, *LAYERS))


def test_prefect_lives_in_flows_alone() -> None:
    outside = [p for p in MODULES if p.relative_to(ROOT).parts[0] != "flows"]
    assert not offenders(outside, lambda path: from_roots(path, "prefect"))


EXAMPLES = ("pipeline.health.examples", "pipeline.health.rules._example_brakings")


def test_examples_are_for_examples() -> None:
    """Records made for rules' own cases are imported by a rule alone, inside the function that makes its cases."""

    def wrong(path: Path) -> set[str]:
        found = {name for name, _ in imports(path)} & set(EXAMPLES)
        if found and dotted(path).startswith("pipeline.health.rules."):
            body = ast.parse(path.read_text("utf-8")).body
            return {name for name, _ in _imports([n for n in body if getattr(n, "name", "") != "_cases"], True)} & found
        return found

    may = (*EXAMPLES, "pipeline.api.own")  # by which somebody's own rules come to them
    assert not offenders([p for p in MODULES if dotted(p) not in may], wrong)


def test_rules_are_reached_through_their_registry() -> None:
    """What a rule shares with a page lies in health/pack; inside a rule nobody looks."""
    outside = [p for p in MODULES if not dotted(p).startswith("pipeline.health.rules")]
    assert not offenders(
        outside, lambda path: {name for name, _ in imports(path) if name.startswith("pipeline.health.rules.")}
    )


def test_no_module_is_over_400_lines() -> None:
    lengths = {relative(p): len(p.read_text("utf-8").splitlines()) for p in ALL_CODE}
    assert not {name: lines for name, lines in lengths.items() if lines > 400}


def test_only_the_evaluation_reads_the_truth() -> None:
    """The rules, metrics and reports never name the simulator's truth file."""
    assert not [relative(p) for p in MODULES if "truth.json" in p.read_text("utf-8")]


def test_nothing_that_judges_knows_the_invented_worlds() -> None:
    """What is shipped imports neither demo_logs nor tests: rules cannot be made of what they are judged by."""
    assert not offenders(MODULES, lambda path: from_roots(path, "demo_logs", "tests"))


def test_a_broken_promise_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """An import that is not allowed, at the top or inside a function, in a file of a room that may not have it."""
    path, of = ROOT / "pipeline" / "science" / "heat.py", read
    late = "    import pipeline.store\n    from herdbook.pipeline.store import store\n"
    broken = _read(f"from prefect import flow\n\ndef late():\n{late}")
    monkeypatch.setitem(globals(), "read", lambda asked: broken if asked == path else of(asked))
    assert from_roots(path, "prefect", *LAYERS) == {"prefect", "pipeline.store"}
    assert ("pipeline.store.store", False) in imports(path)
    for promise in (
        test_prefect_lives_in_flows_alone,
        test_a_room_imports_only_what_lies_before_it,
        test_ours_is_imported_by_its_one_name,
    ):
        with pytest.raises(AssertionError, match=r"science/heat\.py"):
            promise()


def test_no_docstring_ends_in_a_word_or_two_that_had_room_on_the_line_before() -> None:
    """What a paragraph looks like when its lines were cut anew by something that cannot read."""
    assert not [f"{relative(p)}: {words}" for p in ALL_CODE for words in read(p).left_over]


def left_over(text: str, nodes: Iterable[ast.AST] = ()) -> Iterator[str]:
    lines = [*text.splitlines(), ""]
    documented = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    for node in nodes or ast.walk(ast.parse(text)):
        if not (isinstance(node, documented) and ast.get_docstring(node)):
            continue
        for at in range(node.body[0].lineno, node.body[0].end_lineno or 0):
            before, last, after = lines[at - 1], lines[at], lines[at + 1]
            words = last.strip().removesuffix('"""').split()
            ends = last.endswith('"""') or after.strip() in ("", '"""')
            prose = _indent(before) == _indent(last) and words != ["..."] and not last.strip().startswith(("-", "*"))
            room = len(before) > 70 and len(before) + 1 + len(last.strip()) <= 120
            if ends and prose and room and 1 <= len(words) <= 2:
                yield " ".join(words)


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())


def test_words_left_over_are_seen() -> None:
    line = "Something that is said at some length about a function whose line was cut by a machine and not by a"
    assert list(left_over(f'"""{line}\nreader."""\n')) == ["reader."]
    assert list(left_over(f'"""{line}\nreader.\n\nMore.\n"""\n')) == ["reader."]
    assert not list(left_over(f'"""{line} writer who\nreads."""\n'))  # it had no room
    assert not list(left_over(f'"""{line}\n    code()\n"""\n'))
