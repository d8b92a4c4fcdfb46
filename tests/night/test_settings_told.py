"""A scan tells which settings are others than those of the scan before; a valid slip is refused by nobody."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.store.settings_used import settings_as_text, settings_changed
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.upkeep.conditions import of_store
from tests.toy.bench import DATA, Bench

SECRET = "https://hooks.example/T0K3N"
FIRST = f'''profiles = "{DATA}"
zone = "Europe/Vienna"
[judge]
judge_days = 400
[night]
limit_h = 6
notify = ["{SECRET}"]
'''


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = Bench(tmp_path)
    rewrite(bench, FIRST)
    bench.scan()
    return bench


def rewrite(bench: Bench, text: str) -> None:
    (bench.store.folder / "herdbook.toml").write_text(text)
    bench.store = Store.open(bench.store.folder)


def told(bench: Bench) -> tuple[str, ...]:
    """What the list of the next scan says, which is what the result of the scan says too."""
    notes = bench.scan().notes
    night = last_night(bench.store)
    assert night is not None
    assert night.notes == notes
    return notes


def test_nothing_is_told_of_settings_that_stay(bench: Bench) -> None:
    assert told(bench) == ()
    rewrite(bench, FIRST.replace("400", "400.0") + "# a remark\n")
    assert settings_changed(bench.store) == []
    assert told(bench) == ()


@pytest.mark.parametrize(
    ("was", "is_now", "sentence"),
    [
        (
            "judge_days = 400",
            "judge_days = 500",
            "setting [judge] judge_days changed from 400 to 500 since the last scan",
        ),
        ("judge_days = 400", "", "nothing, for 400 is what it is anyway"),
        ("limit_h = 6", "limit_h = 2", "setting [night] limit_h changed from 6 to 2 since the last scan"),
        ("limit_h = 6", "", "setting [night] limit_h changed from 6 to not set since the last scan"),
        ("Vienna", "Berlin", "setting zone changed from Europe/Vienna to Europe/Berlin since the last scan"),
        (SECRET, "https://hooks.example/0TH3R", "setting [night] notify changed since the last scan"),
    ],
)
def test_a_setting_that_changed_is_told_once(bench: Bench, was: str, is_now: str, sentence: str) -> None:
    rewrite(bench, FIRST.replace(was, is_now))
    expected = (sentence,) if sentence.startswith("setting") else ()
    assert tuple(settings_changed(bench.store)) == expected
    assert told(bench) == expected
    assert told(bench) == ()


def test_a_table_that_nobody_reads_is_told(bench: Bench) -> None:
    rewrite(bench, FIRST.replace("[judge]", "[jutge]"))
    changed = "setting [jutge] judge_days changed since the last scan"
    unknown = (
        "the table [jutge] is not known in herdbook.toml, so nothing in it has an effect"
        " (known: [judge], [keep], [night], [own], [sessions], [sign], [take])"
    )
    assert settings_changed(bench.store) == [changed]
    assert told(bench) == (changed, unknown)
    assert told(bench) == ()
    assert unknown in [c.found for c in of_store(bench.store.folder)]


def test_a_table_that_nobody_reads_is_told_by_the_first_scan(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    rewrite(bench, FIRST.replace("[night]", "[nigth]"))
    (note,) = told(bench)
    assert note.startswith("the table [nigth] is not known in herdbook.toml")


def test_a_setting_is_told_by_the_scan_after_one_that_was_killed(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    rewrite(bench, FIRST.replace("400", "500"))
    with monkeypatch.context() as patched:
        patched.setattr("herdbook.pipeline.night.steps.ScanSteps._take_all", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            bench.scan()
    bench.scan()
    night = last_night(bench.store)
    assert night is not None
    assert night.notes == ("setting [judge] judge_days changed from 400 to 500 since the last scan",)


def test_what_may_be_secret_is_not_kept(bench: Bench) -> None:
    rewrite(bench, FIRST + '[mine]\ntoken = "T0K3N"\n')
    bench.scan()
    kept = settings_as_text(bench.store.settings) | dict(bench.ask("SELECT setting, value FROM settings_used"))
    assert kept["zone"] == "Europe/Vienna"
    assert not [name for name, value in kept.items() if "T0K3N" in value]
    assert b"T0K3N" not in bench.store.fleet.read_bytes()


def test_the_doctor_tells_it_before_the_scan_does(bench: Bench) -> None:
    rewrite(bench, FIRST.replace("400", "500"))
    found = [c for c in of_store(bench.store.folder) if c.what == "settings" and "judge_days" in c.found]
    assert [c.found for c in found] == ["setting [judge] judge_days changed from 400 to 500 since the last scan"]
