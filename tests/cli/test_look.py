"""herdbook look: a person with a returned unit, its log and its profile, and no store."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import herdbook
import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.commands.look import lacking
from tests.toy.bench import DATA


def look(*args: object) -> Result:
    return CliRunner().invoke(build(), ["look", *map(str, args), "--profile", str(DATA / "toy.toml")])


def test_a_log_gives_a_verdict_a_page_and_an_exit_code(tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", toy.day())
    result = look(log, "--out", tmp_path / "pages")
    words = " ".join(result.output.split())
    assert "TOY-007 needs service" in words
    assert result.exit_code == 10
    assert "TOY-007" in (tmp_path / "pages" / "dossier-TOY-007.html").read_text("utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.log", "pages"]


def test_nothing_is_said_of_a_service_book_that_nobody_keeps(tmp_path: Path) -> None:
    """Without a store nobody could have acknowledged a finding, and nobody knows who did elsewhere."""
    root = Path(__file__).parents[2]
    log, profile = root / "demo_logs" / "fleet" / "ZB-0105_2026-03-20_ride.blf", root / "dbc_demo" / "zirbel.toml"
    asked = ["look", str(log), "--profile", str(profile), "--out", str(tmp_path / "cli")]
    assert CliRunner().invoke(build(), asked).exit_code == 20
    herdbook.judge(log, profile=profile, page=tmp_path / "python.html")
    for file in (tmp_path / "cli" / "dossier-ZB-0105.html", tmp_path / "python.html"):
        page = file.read_text("utf-8")
        assert "ZB-0105 must not be used" in page
        assert "acknowledged" not in page


def test_json_says_the_same_and_why_a_log_was_refused(tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", toy.day())
    bad = tmp_path / "b.log"
    bad.write_text("no log at all\n")
    result = look(log, bad, "--no-page", "--json")
    told = json.loads(result.stdout)
    assert [v["vehicle"] for v in told["vehicles"]] == ["TOY-007"]
    assert told["vehicles"][0]["findings"][0]["severity"] == "service"
    assert told["vehicles"][0]["page"] == ""
    assert [(r["log"], bool(r["why"]), bool(r["do"])) for r in told["refused"]] == [("b.log", True, True)]


def test_a_log_that_names_nobody_is_looked_at_under_the_name_given(tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", [line for line in toy.day() if " 103#" not in line])
    profile = tmp_path / "p" / "toy.toml"
    profile.parent.mkdir()
    text = (DATA / "toy.toml").read_text("utf-8")
    head, rest = text.split("[identity]")
    profile.write_text(head + "[roles]" + rest.split("[roles]")[1], "utf-8")
    (profile.parent / "toy.dbc").write_bytes((DATA / "toy.dbc").read_bytes())
    runner = CliRunner()
    args = ["look", str(log), "--profile", str(profile), "--no-page", "--json"]
    unnamed = json.loads(runner.invoke(build(), args).stdout)
    named = json.loads(runner.invoke(build(), [*args, "--vehicle", "BENCH-1"]).stdout)
    assert [v["vehicle"] for v in unnamed["vehicles"] + named["vehicles"]] == ["a", "BENCH-1"]


def test_the_figure_that_most_questions_wait_for_is_named() -> None:
    for_want = [{"reason": f"not in the record: m{k} (the profile toy gives no [pack] rated_ah)"} for k in range(6)]
    other = [{"reason": "the profile toy gives no [drive] gear, [drive] wheel_m"}, {"reason": "too few rides"}]
    assert lacking(for_want + other) == " 6 of them need [pack] rated_ah, which the profile does not give."
    assert lacking(for_want[:4] + other) == ""
    assert lacking([]) == ""


def test_without_a_page_nobody_is_sent_to_one(tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", toy.day())
    said = " ".join(look(log, "--no-page").output.split())
    assert "Which questions could not be judged, and why: see --json." in said
    assert len(re.findall(r"\d+ questions", said)) == 1  # the verdict counts them, and nothing after it
    assert "the page" not in said


def test_no_log_and_a_wrong_profile_are_told(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for args in ((tmp_path / "empty",), (tmp_path / "none.log",)):
        result = look(*args)
        assert result.exception is not None
        assert "log" in str(result.exception) or "file or folder" in str(result.exception)
    log = toy.write(tmp_path / "a.log", toy.day())
    wrong = CliRunner().invoke(build(), ["look", str(log), "--profile", str(tmp_path / "none.toml")])
    assert "none.toml: is not there. Check the path" in str(wrong.exception)


@pytest.mark.parametrize("folder", [True, False])
def test_a_folder_is_its_logs(tmp_path: Path, folder: bool) -> None:
    log = toy.write(tmp_path / "logs" / "a.log", toy.day())
    told = json.loads(look(log.parent if folder else log, "--no-page", "--json").stdout)
    assert len(told["vehicles"]) == 1
