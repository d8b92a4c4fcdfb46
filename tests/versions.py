"""What each hand-set version stood for when it was set: `python -m tests.versions` writes tests/versions.json anew.

A digest is over syntax trees without docstrings, comments, imports and rules' own cases (or over a chemistry's values),
so that moving, renaming and formatting a file, or one more case, changes nothing. A change of code under an unchanged
version is refused, unless it is said to give the same results (--same-results), as when code is only put more simply.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

from herdbook.pipeline.assess.versions import ROOMS
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets

ROOT = Path(__file__).parents[1]
RECORD = Path(__file__).with_suffix(".json")
PIPELINE = ROOT / "pipeline"
FILES = {
    "samples": [
        *("lake/cadence.py", "lake/merge_samples.py", "lake/read.py", "lake/layout.py", "assess/sessions.py"),
        *(
            "lake/derived.py",
            "vehicle/formula.py",
            "vehicle/signal_names.py",
            "vehicle/dbc_signals.py",
            "vehicle/entry_numbers.py",
            "vehicle/mapping.py",
            "vehicle/fault_codes.py",
        ),
        *("spans.py", "vehicle/roles.py", "vehicle/signals.py", "vehicle/role_table.py", "vehicle/units.py"),
    ],
    "science": ["science/*.py"],
    "measuring": [
        *("metrics/shared/*.py", "metrics/set.py", "vehicle/figures.py", "vehicle/chemistry.py"),
        *("vehicle/packs.py", "lake/packs.py", "assess/packs.py", "row_order.py"),
    ],
    "judging": [
        *("health/*.py", "health/cause_tests/*.py", "health/pack/*.py", "health/rules/_*.py"),
        "vehicle/roles.py",
    ],
}
# No verdict rests on these: records for rules' own cases, the form of a rule, counts of how often a rule was right.
NO_RESULT = {"examples.py", "rule_form.py", "_example_brakings.py", "judged.py"}
CASES = "_cases"  # the function in which a rule makes its own cases


def tree_digest(path: Path) -> str:
    """Of what a module does: its syntax tree without docstrings and imports."""
    return hashlib.sha256("\n".join(_words(ast.parse(path.read_text("utf-8")))).encode()).hexdigest()


def _words(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import | ast.ImportFrom) or getattr(node, "name", "") == CASES:
        return
    yield type(node).__name__
    for name, value in ast.iter_fields(node):
        if name in ("ctx", "kind", "type_comment", "type_params") or value is None or value == []:
            continue
        yield name
        for part in value if isinstance(value, list) else [value]:
            if not isinstance(part, ast.AST):
                yield repr(part)
            elif not _is_docstring(part):
                yield from _words(part)


def _is_docstring(node: ast.AST) -> bool:
    """Any text that stands as a statement of its own."""
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)


def _together(paths: list[Path]) -> str:
    return hashlib.sha256("".join(sorted(tree_digest(p) for p in paths)).encode()).hexdigest()[:16]


def files_of(room: str, pipeline: Path = PIPELINE) -> list[Path]:
    """What the version of a room stands for."""
    return sorted(p for glob in FILES[room] for p in pipeline.glob(glob) if p.name not in NO_RESULT)


def now(pipeline: Path = PIPELINE) -> dict[str, tuple[int, str]]:
    """Version (of the running code) and digest (of the files in that folder) of everything that has a version."""
    found = {f"room {name}": (version, _together(files_of(name, pipeline))) for name, version in ROOMS.items()}
    for s in all_sets().values():
        found[f"metric set {s.id}"] = (s.version, _together([_file(s.compute.__module__, pipeline)]))
    for r in all_rules().values():
        found[f"rule {r.id}"] = (r.version, _together([pipeline / "health" / "rules" / f"{r.id}.py"]))
    for path in (pipeline / "vehicle" / "chemistries").glob("*.toml"):
        values = tomllib.loads(path.read_text("utf-8"))
        version = values.pop("version")
        digest = hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:16]
        found[f"chemistry {path.stem}"] = (version, digest)
    return found


def _file(module: str, pipeline: Path) -> Path:
    return pipeline.joinpath(*module.removeprefix("herdbook.pipeline.").split(".")).with_suffix(".py")


def recorded() -> dict[str, tuple[int, str]]:
    said = json.loads(RECORD.read_text("utf-8")) if RECORD.exists() else {}
    return {name: (version, digest) for name, (version, digest) in said.items()}


def unversioned(before: dict[str, tuple[int, str]], after: dict[str, tuple[int, str]]) -> list[str]:
    """Names of what changed under the same version."""
    return [n for n, (v, d) in after.items() if n in before and before[n][0] == v and before[n][1] != d]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--same-results", action="store_true", help="the changed code gives the same numbers and words")
    same = parser.parse_args().same_results
    found = now()
    if (changed := unversioned(recorded(), found)) and not same:
        sys.exit(f"Raise the version of {', '.join(changed)}; or, if results stay the same, say --same-results.")
    lines = [f"  {json.dumps(n)}: [{v}, {json.dumps(d)}]" for n, (v, d) in sorted(found.items())]
    RECORD.write_text("{\n" + ",\n".join(lines) + "\n}\n", "utf-8")


if __name__ == "__main__":
    main()
