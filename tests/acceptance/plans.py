"""Plans written for tests: a whole one to be changed in one place."""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.bench.acceptance.plan import Check
from herdbook.pipeline.science.conformity import Limits

HEAD = """[plan]
name = "test plan"
version = "1"
profile = "zirbel"
set_by = "nobody in particular"
set_on = 2026-02-20
why = "to be tried"
"""
UP_TO_TEN = Check(
    source="metric",
    name="path",
    take="",
    item="",
    limits=Limits(None, 10.0),
    unit="mOhm",
    scale=1.0,
    why="to be tried",
    set_by="nobody",
    error=None,
    error_why="",
    risk=0.05,
    least_coverage=None,
    line=1,
)


def written(folder: Path, *tables: str, head: str = HEAD) -> Path:
    """A plan of these [[step]] and [[step.check]] tables."""
    path = folder / "test.plan.toml"
    path.write_text("\n".join([head, *tables]), "utf-8")
    return path


def step(kind: str = "ride", **keys: str) -> str:
    return "\n".join(["[[step]]", f'kind = "{kind}"', *(f"{k} = {v}" for k, v in keys.items())])


def check(metric: str = "distance_km", unit: str = "km", **keys: str) -> str:
    """keys: TOML values; low = 0 and a reason where nothing else is said. metric "": none."""
    usual = {"low": "0", "why": '"to be tried"'} if "high" not in keys else {"why": '"to be tried"'}
    named = {"metric": f'"{metric}"'} if metric else {}
    given = {**named, "unit": f'"{unit}"', **usual, **keys}
    return "\n".join(["[[step.check]]", *(f"{k} = {v}" for k, v in given.items() if v)])
