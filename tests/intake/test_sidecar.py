"""What a person says beside a log: read whole or refused with the word that is wrong."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.sidecar import MOST_SIDECAR_BYTES, Sidecar, read_sidecar, sidecar_path
from herdbook.pipeline.times import in_words
from tests.toy.bench import Bench


def said(folder: Path, text: str | bytes, zone: str = "Europe/Vienna") -> Sidecar:
    log = folder / "day.log"
    sidecar_path(log).write_bytes(text.encode() if isinstance(text, str) else text)
    return read_sidecar(log, zone)


def test_none_says_nothing(tmp_path: Path) -> None:
    assert read_sidecar(tmp_path / "day.log", "UTC") == Sidecar()
    assert said(tmp_path, "") == Sidecar()


def test_all_of_it(tmp_path: Path) -> None:
    found = said(
        tmp_path,
        """vehicle = " V-7 "
           profile = "board"
           start = 2026-03-01T08:00:00Z
           zone = "Europe/Lisbon"
           built = 2024-05-01
           in_service = "2024-06-01"
           batch = "B2"
           bench = true""",
    )
    assert (found.vehicle, found.profile, found.zone, found.bench) == ("V-7", "board", "Europe/Lisbon", True)
    assert found.start is not None
    assert in_words(found.start) == "2026-03-01 08:00:00 UTC"
    assert found.facts == {
        "built": "2024-05-01",
        "in_service": "2024-06-01",
        "batch": "B2",
        "zone": "Europe/Lisbon",
    }


def test_a_start_without_a_zone_is_meant_in_the_logs_zone(tmp_path: Path) -> None:
    """Vienna is an hour ahead of UTC in winter and Lisbon is not; the hour that happens twice is told."""
    vienna = said(tmp_path, "start = 2026-03-01T08:00:00")
    lisbon = said(tmp_path, 'start = 2026-03-01T08:00:00\nzone = "Europe/Lisbon"')
    assert vienna.start is not None
    assert lisbon.start is not None
    assert lisbon.start - vienna.start == 3_600_000_000
    assert vienna.zone == ""  # what nobody said is not handed on
    (note,) = said(tmp_path, "start = 2026-10-25T02:30:00").notes
    assert "happens twice or never in Europe/Vienna" in note


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("vehicle = ", "not TOML"),
        (b"vehicle = '\xff'", "not TOML"),
        ('color = "red"', "'color' is not known"),
        ('start = "2026-03-01"', "start must be a date and time"),
        ("start = 2026-03-01", "start must be a date and time"),
        ('bench = "yes"', "bench must be true or false"),
        ('built = "soon"', "the sidecar is wrong"),
        ('zone = "Mars/Base"', "the sidecar is wrong"),
        ('vehicle = "a\\u001bb"', "cannot be printed"),
        ('batch = ""', "batch must have 1 to 64 characters"),
        ("#" * (MOST_SIDECAR_BYTES + 1), "larger than 64 kB"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str | bytes, what: str) -> None:
    with pytest.raises(InputError, match=what) as caught:
        said(tmp_path, text)
    assert caught.value.where == "day.log.toml"
    assert caught.value.do


def test_only_a_plain_file_beside_the_log_is_read(tmp_path: Path) -> None:
    """Who may put files into the inbox must not have us read another file, or wait for a pipe for ever."""
    log, side = tmp_path / "in" / "day.log", tmp_path / "in" / "day.log.toml"
    log.parent.mkdir()
    secret = tmp_path / "herdbook.toml"
    secret.write_text('token = "T0K3N"')
    beside = log.parent / "all.toml"
    beside.write_text('vehicle = "V-1"')
    for target, what in (
        (secret, "a link to another folder"),
        (Path("/dev/zero"), "a link to another folder"),
        (side, "leads nowhere, or in a circle"),
        (tmp_path / "nothing", "leads nowhere, or in a circle"),
    ):
        side.symlink_to(target)
        with pytest.raises(InputError, match=what) as caught:
            read_sidecar(log, "UTC")
        assert "T0K3N" not in str(caught.value)
        assert "token" not in str(caught.value)
        side.unlink()
    side.symlink_to(beside.name)
    assert read_sidecar(log, "UTC").vehicle == "V-1"
    side.unlink()
    os.mkfifo(side)
    with pytest.raises(InputError, match="no file, but a pipe"):
        read_sidecar(log, "UTC")


def test_a_pipe_beside_a_log_holds_up_no_scan(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 5))
    os.mkfifo(bench.inbox / "a.log.toml")
    toy.write(bench.inbox / "b.log", toy.stretch(toy.T0, 5, serial=2))
    bench.scan()
    assert "no file, but a pipe" in bench.reasons()["a.log"]
    assert bench.ask("SELECT name FROM logs") == [("b.log",)]
