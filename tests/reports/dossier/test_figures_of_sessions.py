"""Tables of session figures: nothing that was measured is missing from the dossier, and extremes name their item."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.reports.dossier.leaves import all_figures, coverage, drive, pack
from herdbook.pipeline.reports.drawing.session_figures import figures_table
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.reports.page.blocks import Block, Note, PageTable
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0

METRICS: dict[str, Any] = {
    "start_t": pl.Datetime("us"),
    "kind": pl.String,
    "name": pl.String,
    "item": pl.String,
    "value": pl.Float64,
    "unit": pl.String,
    "se": pl.Float64,
    "n": pl.Int64,
    "coverage": pl.Float64,
}


@pytest.fixture
def facts(store: Store) -> Facts:
    with store.read() as con:
        return one_vehicle(con, "VX-014", "UTC")


def with_figures(facts: Facts, *rows: tuple[int, str, str, float, str, float | None]) -> Facts:
    """rows: day, name, item, value, unit, standard error."""
    table = [(T0 + timedelta(days=d), "ride", name, item, v, unit, se, 9, 0.9) for d, name, item, v, unit, se in rows]
    return replace(facts, metrics=pl.DataFrame(table, schema=METRICS, orient="row"))


def tables(blocks: list[Block]) -> dict[str, list[tuple[str, ...]]]:
    return {b.caption: list(b.body) for b in blocks if isinstance(b, PageTable)}


def notes(blocks: list[Block]) -> str:
    return " ".join(b.text for b in blocks if isinstance(b, Note))


def test_every_metric_that_a_set_may_give_has_its_place() -> None:
    shown = {name for chosen in all_figures.tables().values() for name, _ in chosen}
    given = {name for metric_set in all_sets().values() for name in metric_set.gives}
    assert not given - shown, f"shown on no page: {sorted(given - shown)}; all_figures.tables() must name them"
    assert shown == given


@pytest.mark.parametrize("leaf", [drive.TABLES, (("", pack.AGREEMENT),), (("", coverage.WHOLE),)])
def test_pages_ask_for_figures_that_exist(leaf: Any) -> None:
    given = {name for metric_set in all_sets().values() for name in metric_set.gives}
    assert {name for _, chosen in leaf for name, _ in chosen} <= given


def test_a_row_by_hand(facts: Facts) -> None:
    """Three sessions of 10, 12 and 11, each known to 1: their mean is 11, they scatter by 1, and the error of the mean
    is 1 / sqrt(3) with Student's 4.303 over 1.96, which is 1.27."""
    rows = ((day, "consumption_wh_km", "", value, "Wh/km", 1.0) for day, value in ((0, 10.0), (1, 12.0), (2, 11.0)))
    chosen = (("consumption_wh_km", "Energy"), ("coast_rolling", "none"))
    [[row]] = tables(figures_table(with_figures(facts, *rows), "Cost", chosen)).values()
    assert row[0] == "Energy"
    assert row[1].startswith("11.0 ± 1.0")
    assert row[2].startswith("11.0 ± 1.3")
    assert [cell.split("\u00a0")[0] for cell in row[3:5]] == ["10.0", "12.0"]
    assert row[5:] == ("3", "90%")


def test_many_items_are_one_row_that_names_the_extremes(facts: Facts) -> None:
    given = with_figures(facts, *((0, "cell_r_ratio", str(k), 1 + k / 100, "1", 0.01) for k in range(1, 13)))
    [[row]] = tables(figures_table(given, "Groups", (("cell_r_ratio", "Resistance"),))).values()
    assert row[0] == "Resistance (medians over 12 items)"
    assert row[3] == "1.01 (1)"
    assert row[4] == "1.12 (12)"


def test_a_record_without_figures_gives_no_table(facts: Facts) -> None:
    assert figures_table(with_figures(facts), "Cost", drive.TABLES[1][1]) == []


def margin(day: int, item: str, share: float, **data: float) -> dict[str, Any]:
    t = T0 + timedelta(days=day)
    data |= {"margin_share": share}
    return {
        "session_start_t": t,
        "kind": "least_margin",
        "item": item,
        "start_t": t,
        "end_t": t,
        "keys": list(data),
        "numbers": list(data.values()),
    }


def test_the_nearest_margin_of_each_limit_comes_first(store: Store, facts: Facts) -> None:
    events = pl.DataFrame(
        [
            margin(0, "cell highest", 0.20, margin_v=0.23, value=3.42, limit=3.65, group=3.0),
            margin(1, "cell highest", -0.02, margin_v=-0.02, value=3.67, limit=3.65, group=7.0),
            margin(2, "fet left", 0.5, margin_k=35.0, value=60.0, limit=95.0),
            margin(3, "charge", 0.1, margin_a=3.0, value=27.0, limit=30.0),
        ]
    )
    given = replace(facts, events=events, metrics=facts.metrics.clear(), installs=[])
    with store.read() as con:
        leaf = pack.leaf(store, con, given)
    body = tables(leaf.blocks)["Least margins to the limits on record"]
    assert [row[0] for row in body] == ["cell highest, group 7", "current into the pack", "fet left"]
    assert body[0][1:5] == ("3.67 V", "3.65 V", "-0.0200\u00a0V", "-2%")
    assert body[2][3] == "35.0\u00a0K"
    assert "n = 4" in notes(leaf.blocks)


def test_a_pack_page_without_a_profile_says_what_is_missing(store: Store, facts: Facts) -> None:
    with store.read() as con:
        leaf = pack.leaf(store, con, facts)
    assert "No capacity: no profile at hand states the rated charge" in notes(leaf.blocks)
    assert "never seen at a full pack" in notes(leaf.blocks)
    assert "No limits of the profile" in notes(leaf.blocks)


def test_of_two_packs_only_the_last_is_held_against_itself(store: Store, facts: Facts) -> None:
    installs = [
        {"component": "pack", "serial": s, "from_t": T0 + timedelta(days=a), "to_t": T0 + timedelta(days=b)}
        for s, a, b in (("P1", 0, 9), ("P2", 10, 20))
    ]
    rows = ((d, "pack_sum_gap_v", "", v, "V", 0.01) for d, v in ((0, 1.0), (11, 0.1), (12, 0.1)))
    given = replace(with_figures(facts, *rows), installs=installs)
    with store.read() as con:
        leaf = pack.leaf(store, con, given)
    [row] = tables(leaf.blocks)["The pack's own figures"]
    assert row[4].startswith("0.100")
    assert row[5] == "2"
    assert "of the pack seen last" in notes(leaf.blocks)


def test_the_clock_is_told(store: Store, facts: Facts) -> None:
    rows = ((d, "clock_rate_ppm", "", 20.0, "ppm", 1.0) for d in (0, 1))
    with store.read() as con:
        blocks = coverage.leaf(store, con, with_figures(facts, *rows)).blocks
    [row] = tables(blocks)["How whole each session is, and how good its clock"]
    assert row[0] == "Log's clock faster than the controller's"
    assert row[1].startswith("20.0 ± 1.0")
    assert "What the times rest on" in notes(blocks)
