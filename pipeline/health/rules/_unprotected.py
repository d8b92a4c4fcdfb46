"""A pack of which no cell sensor gives a temperature: nothing would notice heat."""

from __future__ import annotations

from dataclasses import replace

from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.severity import Severity


def unprotected(found: list[Finding], cells: list[str]) -> list[Finding]:
    """Where no sensor of the cells gives a temperature any more, nothing would notice heat: not to be used or charged.
    By what is certain alone: one that stands still or apart may be right."""
    blind = {f.item for f in found if f.blind}
    if not cells or not blind.issuperset(cells):
        return found
    every = "the only one" if len(cells) == 1 else f"as all {len(cells)} of them"
    text = f" It is {every} that the pack reports: nothing would notice a cell that heats."
    return [
        replace(f, severity=Severity.STOP_USE, statement=f.statement + text) if f.item in cells else f for f in found
    ]
