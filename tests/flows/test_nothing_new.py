"""A night without news starts neither server nor flow, and ends as every other; one with news goes the usual way."""

from __future__ import annotations

import os
from typing import Any

import pytest

import tests.toy.logs as toy
from herdbook.flows import supervise
from herdbook.flows.nothing_new import nothing_new
from herdbook.flows.request import Request
from herdbook.flows.supervise import run_once
from herdbook.pipeline.night.again import mark
from herdbook.pipeline.settings import NightSettings
from tests.toy.bench import Bench


def request(bench: Bench, **settings: Any) -> Request:
    return Request("night", str(bench.inbox), str(bench.store.folder), NightSettings(workers=1, **settings))


@pytest.fixture
def quiet(bench: Bench) -> Bench:
    """A store whose inbox has nothing that it does not know."""
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    return bench


def test_prefect_is_not_started(quiet: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def started(*_: object) -> None:
        raise AssertionError("Prefect was started")

    monkeypatch.setattr(supervise, "_with_prefect", started)
    before = quiet.store.fleet.stat().st_mtime_ns
    ended = run_once(request(quiet))
    assert (ended.exit_code, ended.note, ended.result["changes"]) == (0, "", [])
    assert ended.result["numbers"]["logs_new"] == 0
    assert quiet.store.fleet.stat().st_mtime_ns > before, "it is published like every night"
    assert quiet.ask("SELECT count(*), any_value(state) FROM scans WHERE state = 'complete'") == [(2, "complete")]


def test_whatever_is_to_be_done_goes_the_usual_way(quiet: Bench) -> None:
    asked = request(quiet)
    assert nothing_new(asked)
    assert not nothing_new(request(quiet, server="http://127.0.0.1:4200/api")), "somebody looks there"
    mark(quiet.store)
    assert not nothing_new(asked), "a vehicle is to be judged"
    quiet.scan()
    assert nothing_new(asked)
    path = toy.write(quiet.inbox / "b.log", toy.stretch(toy.T0 + 60_000_000, 20))
    assert not nothing_new(asked), "a log is new"
    path.unlink()
    os.symlink(quiet.inbox / "nowhere", quiet.inbox / "c.log")
    assert not nothing_new(asked), "something is to be refused"


def test_what_is_wrong_is_left_for_the_night_to_say(quiet: Bench) -> None:
    (quiet.store.folder / "catalogue.duckdb").write_bytes(b"no catalogue" * 1000)
    assert not nothing_new(request(quiet))
