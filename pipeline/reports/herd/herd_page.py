"""herd.html: what all vehicles together say, on one page that opens offline and needs no script."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.facts import rule_titles
from herdbook.pipeline.reports.herd import birth_leaf, courses_leaf, factors_leaf, returns_leaf, rules_leaf
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.reports.words.cautions import GENERAL, LAW
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

NAME = "herd.html"


def write_herd(store: Store, out: Path | str, *, until: datetime | None = None) -> Path:
    """Write the page; the file written. out: a file, or a folder to put it in. Raises: StoreError."""
    path = html.target(out, NAME)
    with store.read() as con:
        text = page_text(store, con, until or utc_now(), beside=(path.parent / "index.html").exists())
    return html.write(path, text)


def page_text(store: Store, con: duckdb.DuckDBPyConnection, until: datetime, *, beside: bool) -> str:
    """beside: the fleet's page lies beside it."""
    titles = rule_titles(con)
    [about] = ask(con, __name__, "herd_about")
    leaves = [
        returns_leaf.leaf(con, until),
        factors_leaf.leaf(con, titles),
        courses_leaf.leaf(con, until, _limits(store)),
        birth_leaf.leaf(con),
        rules_leaf.months_leaf(con, titles),
        rules_leaf.outcomes_leaf(con, titles),
    ]
    return html.render(
        "herd.html.j2",
        leaves=leaves,
        beside=beside,
        vehicles=numbers.count(about["vehicles"]),
        first=numbers.day(about["first_t"]),
        last=numbers.day(about["last_t"]),
        entries=numbers.count(about["entries"]),
        general=GENERAL.text,
        law=LAW,
        made=numbers.moment(utc_now(), None),
    )


def _limits(store: Store) -> Mapping[str, Mapping[str, float]]:
    """Limits that profiles set; none where the profiles cannot be read, which a scan would have said."""
    try:
        return {p.name: p.limits for p in store.profiles()}
    except HerdbookError:
        return {}
