"""A window on the wires: names understood, tables exact, other tools read what we write, the terminal plot is right."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.reports import gather, plot_lines, write_signals
from herdbook.pipeline.reports.signals.page import figure_page, shown
from herdbook.pipeline.reports.signals.terminal import dots
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0, signals_of, us

START = us(T0)
END = START + 60_000_000


def test_roles_items_and_order(store: Store) -> None:
    names = [w.name for w in gather(store, "VX-014", ["motor_temp[left]", "cell_voltage", "pack_current"], START, END)]
    assert names == ["motor_temp[left]", *(f"cell_voltage[{n}]" for n in range(1, 13)), "pack_current"]


@pytest.mark.parametrize(("name", "said"), [("pack_curent", "pack_current"), ("pack_current[", "neither a role")])
def test_a_wrong_name_gets_near_ones(store: Store, name: str, said: str) -> None:
    with pytest.raises(NotKnownError, match=said):
        gather(store, "VX-014", [name], START, END)


def test_parquet_and_csv_hold_every_sample(store: Store, out: Path) -> None:
    expected = signals_of("VX-014", START, END).series("pack_current")
    parquet = pl.read_parquet(write_signals(store, "VX-014", ["pack_current"], START, END, out / "x.parquet"))
    assert parquet["pack_current [A]"].to_list() == expected.v.tolist()
    assert parquet["t"].dt.epoch("us").to_list() == expected.t.tolist()
    table = pl.read_csv(write_signals(store, "VX-014", ["pack_current"], START, END, out / "x.csv"))
    assert table["pack_current [A]"].to_list() == pytest.approx(expected.v.tolist())


def test_a_grid_holds_the_last_value(store: Store, out: Path) -> None:
    path = write_signals(store, "VX-014", ["brake_demand", "regen_state"], START, END, out / "g.parquet", every_s=0.5)
    grid = pl.read_parquet(path)
    assert grid.height == 120
    assert set(grid["brake_demand [%]"].unique()) == {0.0, 60.0}
    assert set(grid["regen_state"].unique()) == {"idle", "refused"}


def test_thinned_tables_keep_the_extremes(store: Store, out: Path) -> None:
    path = write_signals(store, "VX-014", ["pack_current"], START, END, out / "t.parquet", points=50)
    thin, full = pl.read_parquet(path), signals_of("VX-014", START, END).series("pack_current").v
    assert thin.height <= 52
    assert thin["pack_current [A]"].max() == full.max()
    assert thin["pack_current [A]"].min() == full.min()


def test_mf4_reads_back_in_asammdf(store: Store, out: Path) -> None:
    """asammdf is the outside reader; the absolute start is in the file's header."""
    asammdf = pytest.importorskip("asammdf")
    path = write_signals(store, "VX-014", ["pack_current", "cell_voltage[7]"], START, END, out / "x.mf4")
    expected = signals_of("VX-014", START, END).series("cell_voltage", 7)
    with asammdf.MDF(path) as mdf:
        read = mdf.get("cell_voltage[7]")
        begin = mdf.header.start_time.timestamp()
    assert read.samples.tolist() == expected.v.tolist()
    assert read.unit == "V"
    assert np.allclose(read.timestamps + begin, expected.t / 1e6, atol=1e-6)


def test_unknown_endings_are_refused(store: Store, out: Path) -> None:
    with pytest.raises(SettingsError, match=r"End it in \.html"):
        write_signals(store, "VX-014", ["pack_current"], START, END, out / "x.xlsx")


def test_the_terminal_plot_fills_lowest_to_highest() -> None:
    t = np.arange(8, dtype=np.int64)
    v = np.array([0.0, 3, 0, 3, 1, 1, 2, np.nan])
    grid = dots(t, v, start=0, end=8, across=4, down=4, low=0.0, high=3.0)
    assert grid.astype(int).tolist() == [[1, 1, 0, 0], [1, 1, 0, 1], [1, 1, 1, 0], [1, 1, 0, 0]]


def test_the_terminal_lines_fit_and_say_n(store: Store) -> None:
    wires = gather(store, "VX-014", ["pack_current", "regen_state"], START, END)
    for width in (40, 80, 200):
        lines = plot_lines(wires, width, None)
        assert max(len(line) for line in lines) <= max(width, 78)
        assert "n = 1200" in lines[0]
        assert any("refused" in line for line in lines)
    assert all(ord(c) < 128 for line in plot_lines(wires[:1], 80, None, ascii_only=True) for c in line)


def test_a_page_says_what_has_no_sample(store: Store) -> None:
    (current,) = gather(store, "VX-014", ["pack_current"], START, END)
    empty = replace(current, name="BMS_Pack.Volt", t=current.t[:0], v=current.v[:0])
    assert "No sample in this time: BMS_Pack.Volt." in figure_page("VX-014", [current, empty], None, 100)
    assert "No sample" not in figure_page("VX-014", [current], None, 100)
    page = figure_page("VX-014", [*[empty] * 5, *[current] * 41], None, 100)
    assert "1 further signal is not drawn" in page


def test_a_page_names_roles_in_words_and_signals_as_their_dbc_does() -> None:
    assert shown("pack_current") == "Pack current"
    assert shown("motor_current[left]") == "Motor current left"
    assert shown("pack_2_cell_voltage[7]") == "Pack 2 cell voltage 7"
    assert shown("BMS_Cells.Group01_V") == "BMS_Cells.Group01_V"


def test_a_role_that_was_never_recorded_is_told_beside_others(store: Store, out: Path) -> None:
    wires = gather(store, "VX-014", ["pack_current", "insulation_resistance"], START, END)
    assert [(w.name, len(w.t)) for w in wires] == [("pack_current", 1200), ("insulation_resistance", 0)]
    assert plot_lines(wires, 80, None)[-1] == "nothing recorded then of insulation_resistance"
    assert "nothing" not in plot_lines(wires[:1], 80, None)[-1]
    assert "No sample in this time: Insulation resistance." in figure_page("VX-014", wires, None, 100)
    names = ["pack_current", "insulation_resistance", "regen_state"]
    for file, every in (("n.parquet", None), ("e.parquet", 0.5)):
        frame = pl.read_parquet(write_signals(store, "VX-014", names, START, END, out / file, every_s=every))
        [column] = [c for c in frame.columns if c.startswith("insulation_resistance")]
        assert frame[column].null_count() == frame.height > 0
    with pytest.raises(NotKnownError, match="nothing of insulation_resistance"):
        gather(store, "VX-014", ["insulation_resistance"], START, END)
