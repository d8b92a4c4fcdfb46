"""What a page is made of: leaves (sections) holding notes, tables and figures. Templates render them all alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

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


@dataclass(frozen=True, slots=True)
class Strip:
    """A picture of our own that needs no script and is no figure with numbers. svg: markup. id: the anchor."""

    id: str
    title: str
    note: str
    svg: Markup
    kind: str = "strip"


Block = Note | PageTable | Drawn | Strip


@dataclass(frozen=True, slots=True)
class Leaf:
    """One section. id: the anchor."""

    id: str
    title: str
    lead: str = ""
    blocks: list[Block] = field(default_factory=list)
