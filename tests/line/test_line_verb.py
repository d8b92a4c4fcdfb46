"""herdbook line as a person meets it: from a store and from a table, terminal, JSON, page and tables."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from herdbook.pipeline.bench.study.measured import from_store
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import HerdbookError
from tests.acceptance.plans import check, step, written

HEAD = "vehicle,figure,item,value,unit,time,line,who\n"


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty units with two groups; eight of them tested twice more by each of two persons."""
    rng = np.random.default_rng(11)
    lines = []
    for k in range(40):
        for item in (1, 2):
            true = 2.0 + rng.normal(0, 0.05)
            names = [("mara", 0)] if k >= 8 else [(who, r) for who in ("mara", "jon") for r in range(2)]
            for who, r in names:
                value = true + rng.normal(0, 0.01)
                time = f"2026-03-{2 + k // 4:02d} {8 + k % 4:02d}:{10 * r + (who == 'jon'):02d}"
                lines.append(f"ZB-{k:03d},resistance_10s,{item},{value:.4f},mOhm,{time},A,{who}\n")
    path = tmp_path_factory.mktemp("table") / "tests.csv"
    path.write_text(HEAD + "".join(lines))
    return path


def run(*args: str) -> Any:
    return CliRunner().invoke(build(), ["line", *args])


@pytest.mark.parametrize(
    ("verb", "more", "words"),
    [
        ("repeatability", ("--low", "1.7", "--high", "2.3"), "8×2×2"),
        ("charts", (), "steady"),
        ("capability", ("--low", "1.7", "--high", "2.3"), "Cpk"),
    ],
)
def test_each_says_it_on_the_terminal_and_writes_page_and_tables(
    verb: str, more: tuple[str, ...], words: str, table: Path, tmp_path: Path
) -> None:
    done = run(verb, "resistance_10s", "--csv", str(table), *more, "--out", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert words in done.output
    assert "resistance of each group" in " ".join(done.output.split())
    page = (tmp_path / f"line-{verb}-resistance_10s.html").read_text("utf-8")
    for said in ("Parts that turn", "cannot be switched off", "no proof that a unit is safe", "tests.csv", "<svg"):
        assert said in page
    one = tmp_path / f"line-{verb}-resistance_10s-summary.parquet"
    assert pl.read_parquet(one).height == 2
    assert pl.read_csv(one.with_suffix(".csv")).height == 2


def test_json_has_the_figures(table: Path) -> None:
    args = ("resistance_10s", "--csv", str(table), "--json")
    said = json.loads(run("repeatability", *args).output)
    one = said["studies"][0]
    assert (one["persons"], one["repeats"], len(one["units"])) == (["jon", "mara"], 2, 8)
    assert one["gauge"]["low"] < one["gauge"]["value"] < one["gauge"]["high"]
    assert one["repeatability"]["value"] ** 0.5 == pytest.approx(0.01, rel=0.5)
    said = json.loads(run("charts", *args).output)
    assert said["series"][0]["baseline"] == 30
    assert said["run_lengths"]["cusum"][0] == pytest.approx(465.44, abs=0.01)
    said = json.loads(run("capability", *args, "--high", "2.2").output)
    assert said["studies"][1]["cp"] is None
    assert said["studies"][1]["cpk_low"] < said["studies"][1]["cpk"] < said["studies"][1]["cpk_high"]


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("capability", "resistance_10s"), 2, "needs a limit"),
        (("capability", "resistance_10s", "--low", "3", "--high", "2"), 2, "is not below"),
        (("repeatability", "resistance_10s", "--by", "moon"), 2, "--by who or --by line"),
        (("charts", "resistance_9s"), 7, "Did you mean resistance_10s"),
        (("charts", "resistance_10s", "--item", "77"), 7, "no test measured item '77'"),
    ],
)
def test_what_makes_no_sense_is_refused(args: tuple[str, ...], code: int, words: str, table: Path) -> None:
    done = run(*args, "--csv", str(table))
    assert isinstance(done.exception, HerdbookError), done.output
    assert done.exception.exit_code == code
    assert words in str(done.exception)


def test_hostile_names_are_inert(tmp_path: Path) -> None:
    name = "<script>alert(1)</script>\x1b[31m"
    rows = [f'"{name}{k // 2}",{name},,{k * k % 7},,,"{name}",{name}\n' for k in range(60)]
    path = tmp_path / "t.csv"
    path.write_text(HEAD + "".join(rows))
    done = run("repeatability", name, "--csv", str(path), "--out", str(tmp_path / "pages"))
    assert done.exit_code == 0, done.output
    assert "\x1b" not in done.output
    (page,) = (tmp_path / "pages").glob("*.html")
    assert "<script>alert" not in page.read_text("utf-8")


def test_not_enough_is_said(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEAD + "ZB-1,weight,,7.1,kg,,,\nZB-2,weight,,7.2,kg,,,\n")
    for verb, more in (("repeatability", ()), ("charts", ()), ("capability", ("--high", "8"))):
        done = run(verb, "weight", "--csv", str(path), "--out", str(tmp_path / verb), *more)
        assert done.exit_code == 0, done.output
        assert "not enough to say" in " ".join(done.output.lower().split())


def test_the_stores_tests_are_read(tmp_path: Path) -> None:
    """Rows as acceptance enters them, in a catalogue of its own schema step."""
    import duckdb

    step = Path(__file__).parents[2] / "pipeline" / "store" / "schema" / "0015_acceptance.sql"
    con = duckdb.connect()
    con.execute(step.read_text("utf-8"))
    for k in range(3):
        con.execute(
            "INSERT INTO acceptances BY NAME SELECT $a AS acceptance, 'ZB-1' AS vehicle, 'passed' AS verdict, "
            "'p' AS plan, '1' AS plan_version, 'h' AS plan_hash, 'zirbel' AS profile, 'h' AS profile_hash, "
            "'' AS pack, '' AS controller, 'A' AS line, 'mara' AS who, DATE '2026-03-02' AS day, $t AS from_t, "
            "$t AS to_t, [$a] AS logs, $t AS entered_t, '' AS seal, '' AS document",
            {"a": f"t{k}", "t": f"2026-03-02 08:0{k}:00"},
        )
        con.execute(
            "INSERT INTO birth_figures VALUES ($a, 'resistance_10s', '7', 2.1, 'mOhm', 0.02, 9, 's', $t, $t)",
            {"a": f"t{k}", "t": f"2026-03-02 08:0{k}:00"},
        )
    found = from_store(con, "resistance_10s")
    assert [(m.vehicle, m.item, m.value, m.unit, m.line, m.who) for m in found] == [
        ("ZB-1", "7", 2.1, "mOhm", "A", "mara")
    ] * 3
    with pytest.raises(HerdbookError, match="Did you mean resistance_10s"):
        from_store(con, "resistance_1s")


@pytest.fixture(scope="module")
def batches(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty days of four units each, with their batch; the batch of day 28 is off by three sd of a unit."""
    rng = np.random.default_rng(8)
    lines = [
        f"ZB-{4 * d + k:03d},zero,{rng.normal(0, 50) + (150 if d == 27 else 0):.2f},mA,"
        f"2026-{3 + d // 28:02d}-{1 + d % 28:02d} 0{6 + k}:00,A,B{d:02d}\n"
        for d in range(30)
        for k in range(4)
    ]
    path = tmp_path_factory.mktemp("batches") / "batches.csv"
    path.write_text("vehicle,figure,value,unit,time,line,batch\n" + "".join(lines))
    return path


@pytest.mark.parametrize(("by", "name"), [("day", "2026-03-28"), ("batch", "B27")])
def test_subgroups_of_a_day_or_of_a_column(batches: Path, tmp_path: Path, by: str, name: str) -> None:
    args = ("charts", "zero", "--csv", str(batches), "--subgroups", by)
    said = json.loads(run(*args, "--json").output)["series"][0]
    assert (said["groups"], said["spread"], said["signals"]["X-bar"]) == (30, "R", f"{name} (4)")
    assert said["within"] == pytest.approx(50, rel=0.2)
    assert said["by_chance"] < 0.01
    done = run(*args, "--out", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert "Not steady: 1 of 1 series" in done.output
    assert "Means of groups (X-bar)" in (tmp_path / "line-subgroups-zero.html").read_text("utf-8")
    assert pl.read_parquet(tmp_path / "line-subgroups-zero-groups.parquet").height == 30


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--subgroups", "bach"), "Did you mean batch?"),
        (("--subgroups", "day", "--by-day"), "--by-day and --subgroups"),
    ],
)
def test_subgroups_that_cannot_be_are_told(batches: Path, more: tuple[str, ...], said: str) -> None:
    with pytest.raises(HerdbookError) as told:
        CliRunner().invoke(build(), ["line", "charts", "zero", "--csv", str(batches), *more], catch_exceptions=False)
    assert said in str(told.value)


REST = "\n".join([step("rest"), check("pack_current_zero_a", "A", low="-0.2", high="0.2")])


def test_limits_are_read_from_the_plan_in_the_figures_own_unit(batches: Path, tmp_path: Path) -> None:
    plan, table = written(tmp_path, REST), tmp_path / "t.csv"
    table.write_text(batches.read_text("utf-8").replace(",zero,", ",zero_current,"), "utf-8")
    said = json.loads(run("capability", "zero_current", "--csv", str(table), "--plan", str(plan), "--json").output)
    assert (said["low"], said["high"]) == pytest.approx((-200.0, 200.0))
    done = run("capability", "zero_current", "--csv", str(table), "--plan", str(plan))
    assert "limits of plan “test plan”, version 1" in " ".join(done.output.split())
    repeated = json.loads(
        run("repeatability", "zero_current", "--csv", str(table), "--plan", str(plan), "--json").output
    )
    assert repeated["studies"][0]["lacking"]
    again = "\n".join([step("rest", name='"again"'), check("pack_current_zero_a", "A", low="-0.3", high="0.3")])
    for text, figure, more, problem in (
        (REST, "zero_current", ("--low", "0"), "--plan and --low or --high"),
        (REST, "zero", (), "sets no limit for 'zero'"),
        (REST + "\n" + again, "zero_current", (), "sets several limits for zero_current"),
        (REST.replace('"A"', '"V"'), "zero_current", (), "does not fit pack_current_zero_a"),
    ):
        written(tmp_path, text)
        source = batches if figure == "zero" else table
        words = ["line", "capability", figure, "--csv", str(source), "--plan", str(plan), *more]
        with pytest.raises(HerdbookError) as told:
            CliRunner().invoke(build(), words, catch_exceptions=False)
        assert problem in str(told.value)
