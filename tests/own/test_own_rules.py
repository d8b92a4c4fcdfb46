"""Rules and metrics of somebody's own, as the manual shows them: judged, named as own, harmless when broken."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import herdbook
import tests.toy.logs as toy
from herdbook.pipeline.assess.assess import assess
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.profile_limits import wrong_limits
from herdbook.pipeline.health.rule import NotAssessed
from herdbook.pipeline.manual import text
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.reports import write_dossier, write_history
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import load_profile
from tests.toy.bench import DATA, Bench

TITLE = "Fuse beyond its rating (own rule, version 1)"
METRIC, RULE = re.findall(r"```python\n(.*?)```", text("own"), re.DOTALL)


def own_folder(folder: Path, rule: str = RULE, metric: str = METRIC) -> Path:
    for kind, name, code in (("rules", "own_fuse_overloaded", rule), ("metrics", "own_fuse", metric)):
        (folder / kind).mkdir(parents=True, exist_ok=True)
        (folder / kind / f"{name}.py").write_text(code, "utf-8")
    return folder


@pytest.fixture
def used(bench: Bench) -> Bench:
    """A store whose settings name the manual's two files, with two days on record; the limit fits the toy."""
    for k in range(2):
        toy.write(bench.inbox / f"{k}.log", toy.day(start=toy.T0 + k * 86_400_000_000))
    own_folder(bench.store.folder / "own", RULE.replace('Limit("rated", 40.0', 'Limit("rated", 4.0'))
    name_it(bench)
    return bench


def name_it(bench: Bench, table: str = '[own]\nfolder = "own"\n') -> None:
    with (bench.store.folder / "herdbook.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n{table}")
    bench.store = Store.open(bench.store.folder)


def change(bench: Bench, code: str, name: str = "rules/own_fuse_overloaded.py") -> None:
    (bench.store.folder / "own" / name).write_text(code, "utf-8")


def test_it_is_judged_and_named_as_own_on_every_page_and_in_history(used: Bench, tmp_path: Path) -> None:
    used.scan()
    found = used.ask("SELECT rule, title, meaning, statement FROM findings WHERE rule LIKE 'own%'")
    assert [row[:2] for row in found] == [("own_fuse_overloaded", TITLE)]
    assert "not a rule of Herdbook" in found[0][2]
    assert "In 2 of 2 rides" in found[0][3]
    assert used.ask("SELECT count(*) FROM metrics WHERE name = 'own_fuse_current_a'") == [(2,)]
    dossier = write_dossier(used.store, "TOY-007", tmp_path / "d.html").read_text("utf-8")
    history = write_history(used.store, "TOY-007", tmp_path / "h.html")
    assert TITLE in dossier
    assert "own fuse current a" in dossier.lower().replace("_", " ")
    said = [history] if isinstance(history, Path) else list(history)
    assert any(TITLE in p.read_text("utf-8") for p in said)
    table = CliRunner().invoke(build(), ["fleet", "TOY-007", "--store", str(used.store.folder)])
    assert table.exit_code in (0, 2)
    rules = json.loads(used.ask("SELECT rules FROM rule_sets ORDER BY made_t DESC LIMIT 1")[0][0])
    assert TITLE in [rule["title"] for rule in rules]


def test_nothing_of_it_is_used_where_the_settings_name_none(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    own_folder(bench.store.folder / "own", RULE + "\nraise SystemExit(3)\n")
    bench.scan()
    assert bench.ask("SELECT 1 FROM not_assessed WHERE rule LIKE 'own%'") == []


def test_pages_and_queries_run_none_of_it(used: Bench, tmp_path: Path) -> None:
    used.scan()
    change(used, f"open({str(tmp_path / 'ran')!r}, 'w')\n")
    code = (
        "import herdbook, sys; f = herdbook.open(sys.argv[1]); f.findings(); f.dossier('TOY-007', sys.argv[2]);"
        "from herdbook.pipeline.reports import write_fleet; write_fleet(f.store, sys.argv[2])"
    )
    subprocess.run([sys.executable, "-c", code, used.store.folder, tmp_path], check=True, capture_output=True)
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("def judge(:\n", "line 1 is no Python"),
        ("import no_such_library\n", "cannot be imported: ModuleNotFoundError"),
        ("raise SystemExit(7)\n", "cannot be imported: SystemExit"),
        ("RULE = 3\n", "ends in no RULE"),
        (RULE.replace('id="own_fuse_overloaded"', 'id="own_other"'), "calls itself 'own_other'"),
        (RULE.replace('needs=("own_fuse_current_a",)', 'needs=("own_nothing",)'), "no metric set gives own_nothing"),
        (RULE.replace('source="definition: ours"', 'source=""'), "source"),
        (RULE.replace("limits=(Limit(", "limits=3, version=(Limit("), "version"),
        (RULE.replace("limits=(Limit(", "limits=3, habit=(Limit("), "has not the form that it must have"),
    ],
)
def test_a_broken_file_is_told_by_name(used: Bench, code: str, word: str) -> None:
    change(used, code)
    (broken,) = own_of(used.store).broken
    assert "own rule own_fuse_overloaded (own/rules/own_fuse_overloaded.py) is not used" in broken.words
    assert word in broken.words


def test_a_broken_file_stops_nothing_and_is_told_by_night_and_vehicle(used: Bench) -> None:
    word = "line 1 is no Python"
    change(used, "def judge(:\n")
    done = used.scan()
    (note,) = [note for note in done.notes if "own" in note]
    assert word in note
    assert "everything else is judged" in note
    ((reason,),) = used.ask("SELECT reason FROM not_assessed WHERE rule = 'own_fuse_overloaded'")
    assert word in reason
    assert used.ask("SELECT count(*) FROM scores") == [(8,)]


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("    worst = ", "    1 / 0\n    worst = ", "ZeroDivisionError: division by zero (line"),
        ("    return [\n", "    return 5, [\n", "tuple in place of a list"),
        ("measured=worst", 'measured=float("nan")', "a number that is none"),
        (
            "severity=Severity.NOTE,\n            item",
            "severity=Severity.STOP_USE,\n            item",
            "stop-use where",
        ),
        ('signals=("pack_current",)', 'signals=("nothing",)', "no roles: nothing"),
    ],
)
def test_a_rule_that_slips_is_alone_in_it(used: Bench, old: str, new: str, word: str) -> None:
    assert old in RULE
    change(used, RULE.replace(old, new, 1))
    own = own_of(used.store)
    (record,) = own.as_written["own_fuse_overloaded"].cases().fires_on
    said = apply(own.rules["own_fuse_overloaded"], record)
    assert isinstance(said, NotAssessed)
    assert word in said.reason
    assert "the other rules stand" in said.reason


@pytest.mark.parametrize(
    ("new", "word"),
    [
        ("raise KeyError('x')", "KeyError"),
        ('return Outcome((Metric("distance_km", 1.0, "km"),))', "'distance_km', which it does not state"),
        ('return Outcome((Metric("own_fuse_current_a", 1.0, "V"),))', "in 'V' and states 'A'"),
    ],
)
def test_a_metric_set_that_fails_or_gives_what_is_not_its_own_harms_nothing(used: Bench, new: str, word: str) -> None:
    change(used, METRIC.replace("    known = ", f"    {new}\n    known = "), "metrics/own_fuse.py")
    used.scan()
    ((reason,),) = used.ask("SELECT reason FROM not_assessed WHERE rule = 'own_fuse_overloaded'")
    assert "an own metric set failed in 2 sessions, last: own_fuse" in reason
    assert word in reason
    assert used.ask("SELECT count(*) FROM metrics WHERE name = 'distance_km'")[0][0] > 0


def test_a_changed_file_judges_again_and_only_a_metric_set_measures_again(used: Bench) -> None:
    used.scan()
    assert assess(used.store, "TOY-007").stretches == ()
    change(used, RULE.replace('Limit("rated", 40.0', 'Limit("rated", 400.0'))
    assert assess(used.store, "TOY-007").stretches == ()
    done = used.scan()
    assert any("the rules changed: 1 vehicle was judged by older ones" in note for note in done.notes)
    assert used.ask("SELECT 1 FROM findings WHERE rule LIKE 'own%'") == []
    change(used, METRIC + "\n", "metrics/own_fuse.py")
    assert assess(used.store, "TOY-007").stretches != ()


def test_a_score_waits_for_no_own_rule_and_a_finding_takes_from_it(used: Bench) -> None:
    used.scan()
    with_it = dict(used.ask("SELECT subsystem, score FROM scores"))
    rules = own_of(used.store).judging_rules()
    assert rules["own_fuse_overloaded"].matters is False
    change(used, "RULE = 3\n")
    used.scan()
    without = dict(used.ask("SELECT subsystem, score FROM scores"))
    assert {name: score for name, score in without.items() if name != "pack"} == {
        name: score for name, score in with_it.items() if name != "pack"
    }
    assert without["pack"] is None or with_it["pack"] < without["pack"]


@pytest.mark.skipif(os.name == "nt", reason="rights are looked at where there are such")
def test_a_file_that_everybody_may_write_is_not_run(used: Bench) -> None:
    path = used.store.folder / "own" / "rules" / "own_fuse_overloaded.py"
    path.chmod(0o666)
    assert "everybody on this machine may write" in own_of(used.store).broken[0].why
    assert not own_of(used.store).rules


def test_settings_that_make_no_sense_are_told(bench: Bench) -> None:
    for table, word in (
        ('[own]\nfolder = "none"\n', "there is no folder"),
        ("[own]\npackages = 3\n", "not a list of names"),
    ):
        (bench.store.folder / "herdbook.toml").write_text('profiles = "x"\n', "utf-8")
        name_it(bench, table)
        with pytest.raises(SettingsError, match=word):
            own_of(bench.store)
    (bench.store.folder / "herdbook.toml").write_text('[own]\nfolders = "own"\n', "utf-8")
    with pytest.raises(SettingsError, match="Known there: folder, packages"):
        own_of(Store.open(bench.store.folder))


def test_an_installed_package_brings_rules_by_its_entry_points(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    site = bench.folder / "site"
    (site / "acme_herd").mkdir(parents=True)
    (site / "acme_herd" / "__init__.py").touch()
    (site / "acme_herd" / "fuse.py").write_text(f"{METRIC}\n{RULE}", "utf-8")
    info = site / "acme_herd-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: acme-herd\nVersion: 1.2\n", "utf-8")
    (info / "entry_points.txt").write_text("[herdbook]\nfuse = acme_herd.fuse\nlost = acme_herd.lost\n", "utf-8")
    monkeypatch.syspath_prepend(site)
    name_it(bench, '[own]\npackages = ["acme-herd", "not-there"]\n')
    own = own_of(bench.store)
    assert own.rules["own_fuse_overloaded"].title.endswith("(rule of the package acme-herd 1.2, version 1)")
    assert sorted(b.name for b in own.broken) == ["lost", "not-there"]
    assert own.judging != own_of(Bench(bench.folder / "b").store).judging


def test_a_profile_moves_its_limit_and_a_wrong_name_is_refused(used: Bench, tmp_path: Path) -> None:
    for path in DATA.iterdir():
        if path.is_file():
            (tmp_path / path.name).write_bytes(path.read_bytes())
    rules = own_of(used.store).rules
    base = (DATA / "toy.toml").read_text("utf-8")
    assert "[limits]" not in base
    for key, good in (("own_fuse_overloaded.rated", True), ("own_fuse_overloaded.rating", False), ("own_x.y", False)):
        (tmp_path / "toy.toml").write_text(f'{base}\n[limits]\n"{key}" = 90.0\n', "utf-8")
        profile = load_profile(tmp_path / "toy.toml")
        assert (wrong_limits(profile, rules) is None) is good
        assert wrong_limits(profile) is None  # no store at hand: nothing can be said


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(build(), [str(w) for w in words])
    return done.exit_code, done.output + str(done.exception or "")


def test_rules_are_listed_and_tried(used: Bench, tmp_path: Path) -> None:
    store = str(used.store.folder)
    code, said = run("rules", "--store", store)
    assert code == 0
    assert "own_fuse_overloaded" in said
    assert "own_fuse_current_a" in said
    code, said = run("rules", "test", "--own", str(own_folder(tmp_path / "own")))
    assert code == 0, said
    assert "test_a_second_counts_and_a_spike_does_not" in " ".join(said.split())
    own_folder(tmp_path / "own", RULE.replace("ride(30.0)", "ride(50.0)"), METRIC.replace("== 70.0", "== 71.0"))
    code, said = run("rules", "test", "--own", str(tmp_path / "own"), "--json")
    assert code == 8
    wrong = {row["what"]: row["wrong"] for row in json.loads(said.removesuffix("8")) if row["wrong"]}
    assert wrong.keys() == {"quiet_on 1", "test_a_second_counts_and_a_spike_does_not"}
    assert "it finds: In 3 of 3" in wrong["quiet_on 1"]
    assert not list((tmp_path / "own").rglob("__pycache__"))
    code, said = run("rules", "test", "--store", str(tmp_path / "none"))
    assert "no rules of your own" in said
    rows = json.loads(run("rules", "--json", "--store", store)[1])
    assert {row["origin"] for row in rows} == {"Herdbook", "own rule, version 1"}


def test_a_look_judges_by_own_rules_that_are_named(tmp_path: Path) -> None:
    logs = [toy.write(tmp_path / f"{k}.log", toy.day(start=toy.T0 + k * 86_400_000_000)) for k in range(2)]
    folder = own_folder(tmp_path / "own", RULE.replace('Limit("rated", 40.0', 'Limit("rated", 4.0'))
    said = herdbook.judge(logs, profile=DATA / "toy.toml", own=folder)
    assert TITLE in said.findings["title"].to_list()
    _, output = run("look", logs[0], "--profile", DATA / "toy.toml", "--no-page", "--own", tmp_path / "none")
    assert "there is no folder" in output
