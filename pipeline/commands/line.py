"""herdbook line: what tests of many units say of the line itself: do they repeat, is it steady, does it keep limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from collections.abc import Sequence

    from herdbook.pipeline.bench.study.measured import Measured

ORDER = 9
DAY = "day"
Figure = Annotated[str, typer.Argument(help="A birth figure, like resistance_10s.", show_default=False)]
Table = Annotated[Path | None, typer.Option("--csv", help="A table of tests instead of the store's.")]
Item = Annotated[str, typer.Option(help="One group, side or sensor; else each of them.")]
Low = Annotated[float | None, typer.Option(help="Lower limit, in the figure's unit.")]
High = Annotated[float | None, typer.Option(help="Upper limit, in the figure's unit.")]
ByPlan = Annotated[Path | None, typer.Option("--plan", help="Test plan whose limits of the figure are taken.")]
Out = Annotated[Path | None, typer.Option(help="Folder for a page, and for tables as CSV and Parquet.")]
HELP = "Ask of many tested units: do the tests repeat, is the line steady, does it keep its limits."


def register(app: typer.Typer) -> None:
    group = typer.Typer(cls=VerbList, help=HELP, no_args_is_help=True)
    group.command(epilog="Example: herdbook line repeatability resistance_10s --by who")(repeatability)
    group.command(epilog="Example: herdbook line charts resistance_10s --out pages")(charts)
    group.command(epilog="Example: herdbook line capability resistance_10s --high 3.0")(capability)
    app.add_typer(group, name="line", epilog="Example: herdbook line charts resistance_10s --out pages")


def repeatability(
    figure: Figure,
    csv: Table = None,
    item: Item = "",
    by: Annotated[str, typer.Option(help="Who measures: who (the person) or line.")] = "who",
    low: Low = None,
    high: High = None,
    plan: ByPlan = None,
    store: StoreFolder = DEFAULT_STORE,
    out: Out = None,
    json: Json = False,
) -> None:
    """Gauge repeatability and reproducibility: how much of what a test measures is the test itself.

    Units are tested again by the same and by other persons (or lines). With both limits the test is also held against
    their width. The interval is 95 %; "not enough to say" where no two units were tested twice by one person.

    JSON: figure, studies (item, unit, units, persons, tests, balanced, repeats: null where not balanced; variances
    repeatability, reproducibility, gauge, between_units, and share, to_tolerance: value, low, high; categories,
    interaction_p, lacking, told), files.
    """
    from herdbook.pipeline.bench.study.measured import by_item, words
    from herdbook.pipeline.bench.study.repeats import repeat_study
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.reports.bench import line_words
    from herdbook.pipeline.reports.bench.line_pages import write_repeats

    if by not in ("who", "line"):
        raise SettingsError(f"tests cannot be told apart by {by!r}", do="Say --by who or --by line")
    rows, source = _rows(figure, csv, store)
    low, high, by_plan = _limits(figure, rows, item, (low, high), plan)
    width = high - low if low is not None and high is not None else None
    items = by_item(rows, item)
    studies = [repeat_study(name, some, "who" if by == "who" else "line", width) for name, some in items.items()]
    said = words(figure, item)
    files = write_repeats(figure, said, studies, out, source + by_plan) if out is not None else []
    if json:
        from dataclasses import asdict

        told = [
            {"item": s.item, "unit": s.unit, "units": s.units, "persons": s.persons}
            | {"tests": s.values.size, "balanced": s.balanced, "repeats": s.gauge.repeats or None if s.gauge else None}
            | (
                {k: v for k, v in asdict(s.gauge).items() if k not in ("units", "persons", "repeats")}
                if s.gauge
                else {}
            )
            | {"lacking": s.lacking, "told": s.told}
            for s in studies
        ]
        screen.as_json({"figure": figure, "studies": told, "files": [str(p) for p in files]})
        return
    _show(
        f"Repeatability of {said}{_unit(rows)}{by_plan}",
        line_words.REPEAT_HEAD,
        [line_words.repeat_row(s) for s in studies if s.gauge or any(one.gauge for one in studies)],
        said=line_words.repeat_sentences(studies),
        told=[t for s in studies for t in s.told],
        files=files,
    )


def charts(
    figure: Figure,
    csv: Table = None,
    item: Item = "",
    by_day: Annotated[bool, typer.Option("--by-day", help="Means of days instead of single units.")] = False,
    subgroups: Annotated[
        str, typer.Option(help="Charts of subgroups, X-bar and R or S: day, or a column of the table.")
    ] = "",
    first: Annotated[
        int | None, typer.Option(min=2, help="So many values (or groups) are the baseline; else 30 (25).")
    ] = None,
    store: StoreFolder = DEFAULT_STORE,
    out: Out = None,
    json: Json = False,
) -> None:
    """Control charts of each line: single values (Shewhart), weighted mean (EWMA), sums (CUSUM).

    Each unit counts with its first test. The first values are the baseline; under 20 nothing is said. With --subgroups
    units of a day, or of what a column names, are taken together: their means, and their ranges (R) up to ten units a
    group, else standard deviations (S), with limits by what varies within groups.

    JSON: figure, series (with --subgroups: item, line, unit, by, groups, mean, within, spread: R or S, signals,
    by_chance, lacking, told), files; else series (item, line, unit, values, mean, sd, baseline, signals: name at the
    first signal of each chart, began, by_chance: p among all series, lacking, told), run_lengths (by chart:
    without a shift, at 1 sd), files.
    """
    from herdbook.pipeline.bench.study.in_control import RUN_LENGTHS, USUAL, among_all, line_charts
    from herdbook.pipeline.bench.study.measured import by_item, words
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.reports.bench import line_words
    from herdbook.pipeline.reports.bench.line_pages import write_charts

    if subgroups:
        if by_day:
            raise SettingsError(
                "--by-day and --subgroups", do="Leave one out: single means of days, or groups with limits"
            )
        rows, source = _rows(figure, csv, store, "" if subgroups == DAY else subgroups)
        _subgroups(figure, rows, source, item=item, by=subgroups, first=first, out=out, json=json)
        return
    rows, source = _rows(figure, csv, store)
    first = USUAL if first is None else first
    series = [c for name, some in by_item(rows, item).items() for c in line_charts(name, some, by_day, first)]
    said = words(figure, item)
    files = write_charts(figure, said, series, out, source) if out is not None else []
    if json:
        told = [
            {
                "item": c.item,
                "line": c.line,
                "unit": c.unit,
                "values": len(c.values),
                "mean": c.about.mean if c.about else None,
                "sd": c.about.sd if c.about else None,
                "baseline": c.about.n if c.about else 0,
                "signals": c.signals,
                "began": c.began,
                "by_chance": p,
                "lacking": c.lacking,
                "told": c.told,
            }
            for c, p in zip(series, among_all(series), strict=True)
        ]
        lengths = {name: (of(0.0), of(1.0)) for name, of in RUN_LENGTHS.items()}
        files_said = [str(p) for p in files]
        screen.as_json({"figure": figure, "series": told, "run_lengths": lengths, "files": files_said})
        return
    _show(
        f"Control charts of {said}{_unit(rows)}",
        line_words.CHART_HEAD,
        line_words.chart_rows(series) if any(c.found for c in series) else [],
        said=line_words.chart_sentences(series),
        told=[t for c in series for t in c.told],
        files=files,
    )


def _subgroups(
    figure: str,
    rows: list[Measured],
    source: str,
    *,
    item: str,
    by: str,
    first: int | None,
    out: Path | None,
    json: bool,
) -> None:
    from herdbook.pipeline.bench.study.in_control import among_all
    from herdbook.pipeline.bench.study.in_subgroups import USUAL, group_charts
    from herdbook.pipeline.bench.study.measured import by_days, by_item, words
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.bench import line_words
    from herdbook.pipeline.reports.bench.subgroup_page import write_groups

    rows, first = by_days(rows) if by == DAY else rows, USUAL if first is None else first
    series = [c for name, some in by_item(rows, item).items() for c in group_charts(name, some, by, first)]
    said = words(figure, item)
    files = write_groups(figure, said, series, out, source) if out is not None else []
    if json:
        told = [
            {"item": c.item, "line": c.line, "unit": c.unit, "by": c.by, "groups": len(c.groups)}
            | ({"mean": c.found.mean, "within": c.found.within, "spread": c.found.spread} if c.found else {})
            | {"signals": c.signals, "by_chance": p, "lacking": c.lacking, "told": c.told}
            for c, p in zip(series, among_all(series), strict=True)
        ]
        screen.as_json({"figure": figure, "series": told, "files": [str(p) for p in files]})
        return
    _show(
        f"Charts of subgroups of {said}{_unit(rows)}",
        line_words.GROUP_HEAD,
        line_words.group_rows(series) if any(c.found for c in series) else [],
        said=line_words.group_sentences(series),
        told=[t for c in series for t in c.told],
        files=files,
    )


def capability(
    figure: Figure,
    csv: Table = None,
    item: Item = "",
    low: Low = None,
    high: High = None,
    plan: ByPlan = None,
    store: StoreFolder = DEFAULT_STORE,
    out: Out = None,
    json: Json = False,
) -> None:
    """Capability of the line: Cp and Cpk with their 95 % intervals, against limits that you give.

    Each unit counts with its first test; under ten units nothing is said.

    JSON: figure, low, high, studies (item, unit, n, mean, sd, cp, cpk and their ends, beyond: share of a normal
    quantity, outside: units, normal_p, lacking, told), files.
    """
    from dataclasses import asdict

    from herdbook.pipeline.bench.study.keeps_limits import limit_study
    from herdbook.pipeline.bench.study.measured import by_item, words
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.reports.bench import line_words
    from herdbook.pipeline.reports.bench.line_pages import write_limits

    if low is None and high is None and plan is None:
        do = "Give --low, --high, or both, in the figure's unit, or --plan"
        raise SettingsError("a capability needs a limit", do=do)
    rows, source = _rows(figure, csv, store)
    low, high, by_plan = _limits(figure, rows, item, (low, high), plan)
    studies = [limit_study(name, some, low, high) for name, some in by_item(rows, item).items()]
    said = words(figure, item)
    files = write_limits(figure, said, studies, (low, high), out, source + by_plan) if out is not None else []
    if json:
        told = [
            {"item": s.item, "unit": s.unit, "n": len(s.values)}
            | (asdict(s.found) if s.found else {})
            | {"outside": s.outside, "normal_p": s.normal_p, "lacking": s.lacking, "told": s.told}
            for s in studies
        ]
        files_said = [str(p) for p in files]
        screen.as_json({"figure": figure, "low": low, "high": high, "studies": told, "files": files_said})
        return
    _show(
        f"Capability of {said}{_unit(rows)}{by_plan}",
        line_words.LIMIT_HEAD,
        [line_words.limit_row(s) for s in studies if s.found or any(one.found for one in studies)],
        said=line_words.limit_sentences(studies),
        told=[t for s in studies for t in s.told],
        files=files,
    )


def _limits(
    figure: str,
    rows: Sequence[Measured],
    item: str,
    given: tuple[float | None, float | None],
    plan: Path | None,
) -> tuple[float | None, float | None, str]:
    """Limits as typed or as the plan has them; of a plan its name, to be said behind what they are held against.
    Raises: SettingsError for both, or for limits the wrong way round."""
    from herdbook.pipeline.bench.study.plan_limits import limits_of
    from herdbook.pipeline.errors import SettingsError

    low, high = given
    if plan is not None:
        if low is not None or high is not None:
            raise SettingsError("--plan and --low or --high", do="Leave one of them out")
        found, words = limits_of(plan, figure, rows[0].unit, {item} if item else {m.item for m in rows})
        return found.low, found.high, f", limits of plan {words}"
    if low is not None and high is not None and low >= high:
        raise SettingsError(f"--low {low:g} is not below --high {high:g}", do="Give them the other way round")
    return low, high, ""


def _rows(figure: str, csv: Path | None, store: Path, group: str = "") -> tuple[list[Measured], str]:
    """Tests of the figure, and where they are from. group: column of the table that names their subgroups."""
    from herdbook.pipeline.bench.study.measured import from_csv, from_store
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.store.store import Store

    if csv is not None:
        return from_csv(csv, figure, group), csv.name
    if group:
        raise SettingsError(f"the store's tests have no column {group!r}", do="Say --subgroups day, or give --csv")
    opened = Store.open(store)
    with opened.read() as con:
        return from_store(con, figure), f"the tests of {store.name}"


def _unit(rows: Sequence[Measured]) -> str:
    from herdbook.pipeline.reports.words.numbers import unit

    said = unit(rows[0].unit)
    return f" [{said}]" if said else ""


def _show(
    title: str,
    head: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    *,
    said: tuple[str, str],
    told: Sequence[str],
    files: Sequence[Path],
) -> None:
    from herdbook.pipeline.commands.terminal import screen

    if rows:
        screen.table(title, head, rows)
    else:
        screen.say(title, style="bold")  # nothing is known of any item: one sentence is enough
    for line in said:
        screen.say(line)
    for line in dict.fromkeys(told):
        screen.point(line)
    if files:
        tables = ", ".join(path.name for path in files[1:])
        screen.say(f"Page: {screen.place(files[0])}; tables beside it: {tables}")
