"""Pages of the line: repeatability of its tests, control charts, capability; and their tables as files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.bench.study.in_control import LineChart
from herdbook.pipeline.bench.study.keeps_limits import LimitStudy
from herdbook.pipeline.bench.study.repeats import RepeatStudy
from herdbook.pipeline.reports.bench import line_words as words
from herdbook.pipeline.reports.bench.line_figures import chart_figures, limit_figure, repeat_figure
from herdbook.pipeline.reports.bench.stand_page import NO_PROOF, SPINNING, StandPage, write_page, write_tables
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.words import cautions

if TYPE_CHECKING:
    import polars as pl

OF_LINE = (SPINNING, cautions.TOUCH, cautions.PACK[1], NO_PROOF)
DRAWN = 6  # items with a figure of their own; the table has all


def write_repeats(figure: str, said: str, studies: Sequence[RepeatStudy], out: Path, source: str) -> list[Path]:
    """Page and tables; the files written, the page first. said: the figure in words. Raises: StoreError."""
    import polars as pl

    first, second = words.repeat_sentences(studies)
    known = [s for s in studies if s.gauge is not None]
    worst = sorted(known, key=lambda s: -_share(s))[:DRAWN]
    body = [words.repeat_row(s) for s in studies]
    table = PageTable("Each item; standard deviations in the unit of the values", words.REPEAT_HEAD, body)
    ranges = [
        (s.item, *(words.number(v) for v in (r.repeatability, r.reproducibility, r.gauge)), f"{100 * r.share:.1f} %")
        for s in known
        if (r := s.ranges) is not None
    ]
    check = PageTable(
        "The same by ranges, as a check", ("item", "the same again", "persons", "in all", "of what is measured"), ranges
    )
    tested = [
        (s.item, s.units[u], s.persons[p], float(v), s.unit)
        for s in known
        for u, p, v in zip(s.of_unit, s.of_person, s.values, strict=True)
    ]
    names = ["item", "vehicle", "who", "value", "unit"]
    frames = {
        "tests": pl.DataFrame(tested, schema=names, orient="row"),
        "summary": pl.DataFrame(body, schema=list(words.REPEAT_HEAD), orient="row"),
    }
    drawn = [Drawn(repeat_figure(s)) for s in worst]
    leaves = [
        Leaf("items", "Every item", "", [table, *([check] if ranges else [])]),
        Leaf("values", "What was measured", drawn_words(len(worst), len(known)), [*drawn]),
        Leaf("method", "How it was found", "", [Note(REPEAT_METHOD)]),
    ]
    page = study_page("repeatability", said, first, second, [t for s in studies for t in s.told], leaves, source)
    return written(page, frames, out, f"line-repeatability-{figure}")


REPEAT_METHOD = (
    "Analysis of variance of two crossed random factors, units and persons (or lines); the interaction is left out "
    "where it is no larger than chance may give (p over 0.25). The intervals are generalized confidence intervals. "
    "Where not every unit was tested as often by everybody the sums of squares are those of units after persons, "
    "of persons after units, of the interaction after both, and of repeats, each set equal to its mean (Henderson's "
    "method 3); with equal numbers that is the same. The check divides ranges and ranges of averages by their "
    "constants; the two agree where persons judge all units alike."
)


def write_charts(figure: str, said: str, charts: Sequence[LineChart], out: Path, source: str) -> list[Path]:
    """As write_repeats()."""
    import polars as pl

    first, second = words.chart_sentences(charts)
    known = [c for c in charts if c.found is not None]
    shown = sorted(known, key=lambda c: c.p)[:DRAWN]
    body = words.chart_rows(charts)
    rows = [
        (c.item, c.line, name, t, float(v), float(f.z[i]), float(f.ewma[i]), float(f.up[i]), float(f.down[i]), c.unit)
        for c in known
        if (f := c.found) is not None
        for i, (name, t, v) in enumerate(zip(c.names, c.t, c.values, strict=True))
    ]
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        **dict.fromkeys(("item", "line", "name"), pl.String),
        "t": pl.Datetime("us"),
        **dict.fromkeys(("value", "z", "ewma", "sum_up", "sum_down"), pl.Float64),
        "unit": pl.String,
    }
    frames = {
        "values": pl.DataFrame(rows, schema=schema, orient="row"),
        "summary": pl.DataFrame(body, schema=list(words.CHART_HEAD), orient="row"),
    }
    drawn = [Drawn(one) for k, c in enumerate(shown) for one in chart_figures(c, k)]
    leaves = [
        Leaf("items", "Every series", "", [PageTable("Each item on each line", words.CHART_HEAD, body)]),
        Leaf("charts", "The charts", drawn_words(len(shown), len(known)), [*drawn]),
        Leaf("method", "How it was found", "", [Note(CHART_METHOD)]),
    ]
    page = study_page("control charts", said, first, second, [t for c in charts for t in c.told], leaves, source)
    return written(page, frames, out, f"line-charts-{figure}")


CHART_METHOD = (
    "Values are counted in standard deviations of the baseline, the first values of each series, by their moving "
    "range. Single values signal beyond 3; the weighted mean (weight 0.2) beyond 2.962 of its own standard deviations; "
    "the sums of what goes beyond 0.5 signal at 5. Mean and sd of a short baseline are themselves uncertain: of steady "
    "lines with a baseline of 30 and 100 values behind it, half show a signal on one chart or another. So a line is "
    "called not steady only when steady lines, simulated with the same baseline, show as much in less than 5 % (after "
    "Holm, among all series looked at)."
)


def write_limits(
    figure: str,
    said: str,
    studies: Sequence[LimitStudy],
    limits: tuple[float | None, float | None],
    out: Path,
    source: str,
) -> list[Path]:
    """As write_repeats()."""
    import polars as pl

    first, second = words.limit_sentences(studies)
    known = [s for s in studies if s.found is not None]
    worst = sorted(known, key=lambda s: s.found.cpk if s.found else 0.0)[:DRAWN]
    body = [words.limit_row(s) for s in studies]
    rows = [(s.item, v, float(x), s.unit) for s in studies for v, x in zip(s.vehicles, s.values, strict=True)]
    frames = {
        "values": pl.DataFrame(rows, schema=["item", "vehicle", "value", "unit"], orient="row"),
        "summary": pl.DataFrame(body, schema=list(words.LIMIT_HEAD), orient="row"),
    }
    leaves = [
        Leaf("items", "Every item", "", [PageTable("Each item, over all lines", words.LIMIT_HEAD, body)]),
        Leaf(
            *("values", "Where the units lie", drawn_words(len(worst), len(known))),
            [Drawn(limit_figure(s, *limits)) for s in worst],
        ),
        Leaf("method", "How it was found", "", [Note(LIMIT_METHOD)]),
    ]
    page = study_page("capability", said, first, second, [t for s in studies for t in s.told], leaves, source)
    return written(page, frames, out, f"line-capability-{figure}")


LIMIT_METHOD = (
    "One value a unit, its first test. Mean and standard deviation over all units, so that the error of the test is in "
    "it. Cp: width of the limits over six standard deviations, interval by the chi-square law; Cpk: distance of the "
    "mean from the nearer limit over three, interval after Bissell, with one limit exactly by the noncentral t. Both "
    "take the values for normal; whether they look so is tested after Anderson and Darling."
)


def _share(s: RepeatStudy) -> float:
    value = s.gauge.share.value if s.gauge else 0.0
    return value if value == value else 0.0


def drawn_words(count: int, of: int) -> str:
    if not of:
        return "Nothing can be drawn: there is not enough."
    return "" if count == of else f"Drawn are the {count} that need a look most, of {of}; the files have all."


def study_page(
    kind: str, name: str, first: str, second: str, told: Sequence[str], leaves: Sequence[Leaf], source: str
) -> StandPage:
    return StandPage(
        kind=kind,
        name=name,
        about=[("Made from", source)],
        first=first,
        second=second,
        figures=[],
        told=list(dict.fromkeys(told)),
        cautions=OF_LINE,
        leaves=leaves,
        source=source,
    )


def written(page: StandPage, frames: dict[str, pl.DataFrame], out: Path, stem: str) -> list[Path]:
    safe = "".join(c if c.isalnum() or c in "-_." else "_" for c in stem)
    return [write_page(page, out / f"{safe}.html", safe), *write_tables(frames, out, safe)]
