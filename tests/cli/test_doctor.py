"""herdbook doctor names what will not work and what to do, and changes nothing."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.extras import EXTRAS
from herdbook.pipeline.store.known_newest import KNOWN
from herdbook.pipeline.times import EPOCH
from herdbook.pipeline.upkeep import conditions
from herdbook.pipeline.upkeep.conditions import FOR_EXTRA
from tests.toy.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    toy.write(made.inbox / "a.log", toy.day())
    made.scan()
    return made


def told(*args: str) -> tuple[int, dict[str, dict[str, Any]]]:
    result = CliRunner().invoke(build(), ["doctor", "--json", *args])
    return result.exit_code, {c["what"]: c for c in json.loads(result.stdout)}


def when_written(bench: Bench) -> dict[Path, int]:
    """By file; but for the note that says of which version the catalogue was found to be, which says nothing new."""
    return {p: p.stat().st_mtime_ns for p in bench.store.folder.rglob("*") if p.name != KNOWN}


def test_a_sound_store_is_good_and_untouched(bench: Bench) -> None:
    before = when_written(bench)
    code, found = told("--store", str(bench.store.folder))
    assert code == 0
    assert {found[w]["state"] for w in ("Python", "polars", "store", "profiles", "published", "clock")} == {"good"}
    assert when_written(bench) == before


def test_no_store_and_a_wrong_profile_are_bad_and_say_what_to_do(bench: Bench, tmp_path: Path) -> None:
    code, found = told("--store", str(tmp_path / "none"))
    assert (code, found["store"]["state"]) == (8, "bad")
    assert "herdbook scan" in found["store"]["do"]
    (bench.store.folder / "herdbook.toml").write_text(f'profiles = "{tmp_path / "gone"}"\n')
    code, found = told("--store", str(bench.store.folder))
    assert (code, found["profiles"]["state"]) == (8, "bad")
    assert found["profiles"]["do"]


def test_a_clock_behind_the_record_is_bad(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conditions, "utc_now", lambda: EPOCH)
    code, found = told("--store", str(bench.store.folder))
    assert (code, found["clock"]["state"]) == (8, "bad")


def test_settings_that_everybody_can_read_and_little_room_are_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.chmod(bench.store.folder / "herdbook.toml", 0o644)
    monkeypatch.setattr(conditions, "LEAST_FREE_GB", 1e9)
    code, found = told("--store", str(bench.store.folder))
    assert (code, found["settings"]["state"], found["room"]["state"]) == (0, "told", "told")
    os.chmod(bench.store.folder / "herdbook.toml", 0o600)
    assert "settings" not in told("--store", str(bench.store.folder))[1]


def test_a_missing_library_is_bad_and_a_missing_extra_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conditions, "requires", lambda _: ["no-such-library>=3", 'other; extra == "test"'])
    monkeypatch.setattr(conditions, "find_spec", lambda _: None)
    code, found = told()
    assert (code, found["no-such-library"]["state"]) == (8, "bad")
    assert "other" not in found
    assert found["extra night"]["state"] == "told"
    assert "herdbook[night]" in found["extra night"]["do"]


def test_every_extra_says_what_it_is_for() -> None:
    assert set(FOR_EXTRA) == set(EXTRAS)


def test_a_missing_chromium_is_told_with_what_it_is_for(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HERDBOOK_CHROMIUM", str(tmp_path / "gone"))
    code, found = told()
    assert (code, found["Chromium"]["state"]) == (0, "told")
    assert "HERDBOOK_CHROMIUM names, is not there" in found["Chromium"]["found"]
    monkeypatch.setenv("HERDBOOK_CHROMIUM", "")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert told()[1]["Chromium"]["found"] == "none on this machine"
    (tmp_path / "chromium").write_text("#!/bin/sh\n")
    (tmp_path / "chromium").chmod(0o755)
    assert told()[1]["Chromium"] == {"what": "Chromium", "state": "good", "found": str(tmp_path / "chromium"), "do": ""}
