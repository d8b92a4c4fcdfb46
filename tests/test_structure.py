"""Promises about structure, held by tests: import direction, module size, no stray names."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT: dict[str, set[str]] = {"decoders": set(), "pipeline": {"decoders"}, "flows": {"decoders", "pipeline"}}
OURS = set(MAY_IMPORT) | {"demo_logs", "dbc_demo", "tests"}
MODULES = sorted(p for layer in MAY_IMPORT for p in (ROOT / layer).rglob("*.py"))
ALL_CODE = MODULES + sorted(p for k in ("demo_logs", "tests") for p in (ROOT / k).rglob("*.py"))


def relative(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def imported_roots(path: Path) -> set[str]:
    roots = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            roots |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            roots.add(node.module.split(".")[0])
    return roots


@pytest.mark.parametrize("path", MODULES, ids=relative)
def test_imports_point_downwards_only(path: Path) -> None:
    layer = path.relative_to(ROOT).parts[0]
    assert (imported_roots(path) & OURS) <= MAY_IMPORT[layer] | {layer}


@pytest.mark.parametrize("path", MODULES, ids=relative)
def test_prefect_lives_in_flows_alone(path: Path) -> None:
    if path.relative_to(ROOT).parts[0] != "flows":
        assert not {r for r in imported_roots(path) if r.startswith("prefect")}


@pytest.mark.parametrize("path", ALL_CODE, ids=relative)
def test_no_module_is_over_400_lines(path: Path) -> None:
    assert len(path.read_text("utf-8").splitlines()) <= 400


def test_only_the_evaluation_reads_the_truth() -> None:
    """The rules, metrics and reports never name the simulator's truth file."""
    assert not [relative(p) for p in MODULES if "truth.json" in p.read_text("utf-8")]
