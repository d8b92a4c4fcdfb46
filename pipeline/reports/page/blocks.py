"""What a page is made of: leaves (sections) holding notes, tables and figures. Templates render them all alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from herdbook.pipeline.reports.page.figure import PageFigure


@dataclass(frozen=True, slots=True)
class Note:
    """A paragraph. tone: "plain", "caution" or "absent" (something that could not be shown, and why)."""

    text: str
    tone: str = "plain"
    kind: str = "note"


@dataclass(frozen=True, slots=True)
class PageTable:
    """numeric: positions of the columns that are set flush right. folded: opened by the reader."""

    caption: str
    head: tuple[str, ...]
    body: Sequence[tuple[str, ...]]
    numeric: frozenset[int] = frozenset()
    folded: bool = False
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class Drawn:
    figure: PageFigure
    kind: str = "figure"


Block = Note | PageTable | Drawn


@dataclass(frozen=True, slots=True)
class Leaf:
    """One section. id: the anchor."""

    id: str
    title: str
    lead: str = ""
    blocks: list[Block] = field(default_factory=list)
