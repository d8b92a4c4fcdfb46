"""A night that dies tells so, whatever killed it; one item that is wrong kills none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.flows import supervise
from herdbook.flows.cli import ALL_VERBS
from herdbook.flows.request import Request
from herdbook.flows.supervise import FlowDied, run_once
from herdbook.flows.without_prefect import run_plain
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.night.progress import silent
from herdbook.pipeline.settings import NightSettings
from tests.toy.bench import DATA, Bench

HOOK = "http://127.0.0.1:9/hook"


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the addresses of a night hear of its death."""
    heard: list[str] = []

    def hear(reason: str, targets: tuple[str, ...]) -> None:
        heard.extend(f"{target}: {reason}" for target in targets)

    monkeypatch.setattr(supervise, "alarm", hear)
    return heard


def request(bench: Bench) -> Request:
    """Of a night that has something to do."""
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    return Request("night", str(bench.inbox), str(bench.store.folder), NightSettings(workers=1, notify=(HOOK,)))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (RuntimeError("what nobody thought of"), "a fault of Herdbook itself (RuntimeError: what nobody thought of)"),
        (OSError(5, "Input/output error"), "Input/output error"),
        (StoreError("the disk is full"), "the disk is full"),
    ],
)
def test_whatever_kills_it_the_webhook_hears(
    bench: Bench, told: list[str], monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def die(*_: object) -> None:
        raise error

    monkeypatch.setattr(supervise, "_with_prefect", die)
    with pytest.raises(type(error)):
        run_once(request(bench))
    (heard,) = told
    assert heard.startswith(HOOK)
    assert said in heard


def test_one_that_dies_without_prefect_too_is_told(
    bench: Bench, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_flow(*_: object) -> None:
        raise FlowDied("the flow's process ended early")

    def no_room(*_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(supervise, "_with_prefect", no_flow)
    monkeypatch.setattr(supervise, "run_plain", no_room)
    with pytest.raises(StoreError):
        run_once(request(bench))
    assert [h.split(": ", 1)[1] for h in told] == ["the disk is full."]


def test_a_night_whose_store_cannot_be_opened_is_told(bench: Bench, told: list[str]) -> None:
    folder = bench.store.folder
    (folder / "herdbook.toml").write_text(f'profiles = "{DATA}"\n[night]\nnotify = ["{HOOK}"]\n')
    (folder / "catalogue.duckdb").write_bytes(b"no catalogue" * 1000)
    done = CliRunner().invoke(build(ALL_VERBS), ["night", str(bench.inbox), "--store", str(folder)])
    assert isinstance(done.exception, StoreError)
    assert len(told) == 1
    assert "the catalogue cannot be opened" in told[0]


def test_a_name_that_is_no_text_does_not_stop_the_night(bench: Bench) -> None:
    toy.write(bench.inbox / "good.log", toy.stretch(toy.T0, 20))
    toy.write(Path(os.fsdecode(bytes(bench.inbox) + b"/caf\xe9.log")), toy.stretch(toy.T0 + 60_000_000, 20))
    (bench.inbox / "circle.log").symlink_to(bench.inbox / "circle.log")
    asked = Request("night", str(bench.inbox), str(bench.store.folder), NightSettings(workers=1))
    result = run_plain(asked, silent)
    assert result["logs_new"] == 1
    assert {q["log"] for q in result["quarantined"]} == {"caf\\xe9.log", "circle.log"}
    assert result["inbox"]["unaccounted"] == 0
