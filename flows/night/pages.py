"""What Prefect's pages show of a night: one table of what is new, one page in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from prefect.artifacts import create_markdown_artifact, create_table_artifact

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.night.changes import COLUMNS

MOST_ROWS = 500  # engineering choice: a page, not an export; the whole list is in the store
SPECIAL = "\\`*_{}[]()#+-.!|<>&~"


def show_changes(result: Mapping[str, Any]) -> None:
    """Two artifacts, `what-is-new` and `night`; each night adds a version to them."""
    rows = [dict(zip(COLUMNS, row, strict=True)) for row in result["rows"][:MOST_ROWS]]
    create_table_artifact(table=rows, key="what-is-new", description=inert(result["headline"]))
    create_markdown_artifact(markdown=in_words(result), key="night", description=inert(result["headline"]))


def in_words(result: Mapping[str, Any]) -> str:
    """The night as Markdown; names and texts from logs stay text."""
    lines = [f"# {inert(result['headline'])}", ""]
    if result["stop_use"]:
        lines += [
            "## Stop use",
            order_of(Severity.STOP_USE),
            "",
        ]
        lines += [
            f"- **{inert(s['vehicle'])}**: {inert(s['title'])} {inert(s['item'])}. {inert(s['statement'])}"
            for s in result["stop_use"]
        ]
    for title, rows in (
        ("In quarantine", [(q["log"], q["reason"]) for q in result["quarantined"]]),
        ("Not assessed tonight", [(n["vehicle"], n["reason"]) for n in result["not_assessed"]]),
        ("Waiting, not taken in yet", [(w["path"], w["reason"]) for w in result["waiting"]]),
        ("Messages", [(m["target"], f"{m['state']} {m['detail']}") for m in result["messages"]]),
    ):
        if rows:
            lines += ["", f"## {title}", "", *(f"- {inert(a)}: {inert(b)}" for a, b in rows[:MOST_ROWS])]
    lines += [
        "",
        "## Numbers",
        "",
        "| | |",
        "|---|---|",
        *(f"| {inert(k)} | {inert(v)} |" for k, v in result["numbers"].items()),
    ]
    return "\n".join(lines) + "\n"


def inert(text: object) -> str:
    """Text on one line with Markdown's and HTML's special characters escaped."""
    line = " ".join(str(text).split())
    return "".join(f"&#{ord(c)};" if c in "<>&" else f"\\{c}" if c in SPECIAL else c for c in line)
