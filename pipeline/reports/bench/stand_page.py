"""A page of the stand: the frame that coast-down, drive map and pack test share, and their tables as files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import floor, log10
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf
from herdbook.pipeline.reports.page.worth import worth_drawing
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.reports.words.cautions import Caution
from herdbook.pipeline.reports.words.csv_cells import write_frame
from herdbook.pipeline.store.whole_file import whole
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import polars as pl

SPINNING = Caution(
    "Parts that turn take hold of sleeves and hair, and throw what is loose. Guard them, wear eye protection, stay out "
    "of their plane, and have a switch in reach that takes the power away.",
    "common practice",
)
HELD = Caution(
    "A motor on a stand may start without being asked to, and a brake that lets go lets it run away. Fix both before "
    "power is on; never hold a shaft by hand.",
    "common practice",
)
ROAD = Caution(
    "Coast on a closed, level stretch with room to stop, and wear what the speed asks for.",
    "common practice",
)
CHARGED = Caution(
    "Charge and discharge a pack on a surface that does not burn, attended, within its maker's limits, with its "
    "protection in place.",
    "common practice",
)
NO_PROOF = Caution(
    "A measurement on the stand is no proof that a unit is safe, and says nothing about what was not measured.",
    "engineering choice",
)
OF_ROAD = (ROAD, NO_PROOF)
OF_DRIVE = (SPINNING, HELD, cautions.TOUCH, cautions.PACK[1], NO_PROOF)
OF_PACK = (cautions.PACK[0], cautions.PACK[1], CHARGED, cautions.HEAT, NO_PROOF)


@dataclass(frozen=True, slots=True)
class Figured:
    """One figure of a result. half_width: of its 95 % interval; NaN where none can be said."""

    name: str
    value: float
    half_width: float
    unit: str
    remark: str = ""

    @property
    def row(self) -> tuple[str, str, str, str, str]:
        """As a table of the page or the terminal shows it: the value to two digits of its half width."""
        value, half = shown(self.value, self.half_width)
        return self.name, value, half, numbers.unit(self.unit), self.remark


def shown(value: float, half_width: float) -> tuple[str, str]:
    """A value and the half width of its interval as text: both to two digits of the half width."""
    if value != value:
        return "not known", ""
    if half_width != half_width:
        return numbers.number(value, 4), "not known"
    if half_width <= 0:
        return numbers.number(value, 4), ""
    places = max(0, 1 - floor(log10(half_width)))
    if places > 8:
        return numbers.number(value, 4), numbers.number(half_width, 2)
    text = [f"{v:,.{places}f}".replace(",", "\u202f") for v in (value, half_width)]
    return text[0], text[1]


@dataclass(frozen=True, slots=True)
class StandPage:
    """What the template shows. kind: of test, in words; first, second: the result in sentences; source: what it was
    made from."""

    kind: str
    name: str
    about: Sequence[tuple[str, str]]
    first: str
    second: str
    figures: Sequence[tuple[str, ...]]
    told: Sequence[str]
    cautions: Sequence[Caution]
    leaves: Sequence[Leaf]
    source: str


def write_page(page: StandPage, out: Path | str, stem: str) -> Path:
    """The page; the file written. out: the file, or a folder for <stem>.html. Raises: StoreError."""
    leaves = [
        Leaf(leaf.id, leaf.title, leaf.lead, [b for block in leaf.blocks for b in worth_drawing(block)])
        for leaf in page.leaves
    ]
    drawn = [b.figure for leaf in leaves for b in leaf.blocks if isinstance(b, Drawn)]
    text = html.render(
        "stand.html.j2",
        html.FIGURES,
        figures=drawn,
        page=replace(page, leaves=leaves),
        law=cautions.LAW,
        made=numbers.moment(utc_now(), None),
        version=html.program_version(),
    )
    return html.write(html.target(out, f"{stem}.html"), text)


def write_tables(frames: Mapping[str, pl.DataFrame], folder: Path | str, stem: str) -> list[Path]:
    """Each table as <stem>-<name>.csv and .parquet; the files written. Raises: StoreError."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for name, frame in frames.items():
        for ending in (".csv", ".parquet"):
            path = folder / f"{stem}-{name}{ending}"
            with whole(path) as draft:
                if ending == ".csv":
                    write_frame(draft, frame)
                else:
                    frame.write_parquet(draft)
            out.append(path)
    return out
