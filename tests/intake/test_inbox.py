"""Everything in an inbox ends somewhere: taken, known, waiting with the reason, or in quarantine; and each alone."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.decoders import open_log
from herdbook.pipeline.intake.account import InboxAccount
from herdbook.pipeline.intake.inbox import Found, find_logs, look, new_logs, text_of
from herdbook.pipeline.intake.outcome import LogFile, TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night.scan import run_scan
from tests.toy.bench import NOW, Bench

LATIN = b"caf\xe9.log"
MINUTE = 60_000_000


def ride(path: Path, minute: int, age_s: float = 60.0) -> Path:
    """A short log of its own: no two of them have the same bytes."""
    return toy.write(path, toy.stretch(toy.T0 + minute * MINUTE, 10), age_s)


def named(folder: Path, name: bytes, minute: int = 0) -> Path:
    """A log or a folder under a name that is no text."""
    path = Path(os.fsdecode(bytes(folder) + b"/" + name))
    return ride(path, minute)


def test_a_name_that_is_no_text_stops_nobody_else(bench: Bench) -> None:
    good = ride(bench.inbox / "good.log", 0)
    named(bench.inbox, LATIN, 1)
    named(bench.inbox, b"\xe9t\xe9/inside.log", 2)
    done = bench.scan()
    assert (done.logs_new, done.quarantined) == (1, 2)
    assert find_logs(bench.inbox) == [good]
    said = bench.reasons()
    assert set(said) == {"caf\\xe9.log", "\\xe9t\\xe9"}
    assert all("name is no text" in why for why in said.values())
    again = bench.scan()
    assert (again.logs_new, again.quarantined) == (0, 0)  # told once, and still there
    assert again.inbox.held == 2


def test_once_renamed_it_comes_in_and_leaves_the_quarantine(bench: Bench) -> None:
    odd = named(bench.inbox, LATIN)
    bench.scan()
    odd.rename(bench.inbox / "cafe.log")
    done = bench.scan()
    assert (done.logs_new, done.inbox.removed) == (1, 1)
    assert bench.reasons() == {}


def test_links_in_a_circle_to_nowhere_and_outside_stop_nobody_else(bench: Bench) -> None:
    good = ride(bench.inbox / "good.log", 0)
    outside = bench.folder / "outside"
    ride(outside / "x.log", 1)
    (bench.inbox / "a.log").symlink_to(bench.inbox / "b.log")
    (bench.inbox / "b.log").symlink_to(bench.inbox / "a.log")
    (bench.inbox / "self.log").symlink_to(bench.inbox / "self.log")
    (bench.inbox / "nowhere.log").symlink_to(bench.inbox / "gone.log")
    (bench.inbox / "out").symlink_to(outside)
    (bench.inbox / "in").symlink_to(bench.inbox)
    done = bench.scan()
    assert (done.logs_new, done.quarantined, done.inbox.unaccounted) == (1, 5, 0)
    assert find_logs(bench.inbox) == [good]
    said = bench.reasons()
    assert "leads out of the inbox" in said.pop("out")
    assert set(said) == {"a.log", "b.log", "self.log", "nowhere.log"}
    assert all("nowhere, or in a circle" in why for why in said.values())


def test_a_name_as_long_as_a_file_system_allows_is_taken_in(bench: Bench) -> None:
    for length in (250, 251, 255):
        ride(bench.inbox / ("x" * (length - 4) + ".log"), length)
    assert bench.scan().logs_new == 3
    assert bench.scan().inbox.before == 3


@pytest.fixture
def as_nobody() -> Iterator[Path]:
    """A folder of somebody without special rights, who we are for the test."""
    folder = Path(tempfile.mkdtemp(prefix="herdbook-inbox-"))
    before = os.geteuid()
    if before == 0:
        os.chown(folder, 65534, 65534)
        os.seteuid(65534)
    yield folder
    os.seteuid(before)
    for path in folder.rglob("*"):
        path.chmod(0o700)
    shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.parametrize("rights", [0o000, 0o300, 0o600])
def test_a_folder_without_rights_is_told(as_nobody: Path, rights: int) -> None:
    """Neither read nor execute, no read, no execute: what is in it is never passed over without a word."""
    ride(as_nobody / "shut" / "a.log", 0)
    good = ride(as_nobody / "open" / "b.log", 1)
    (as_nobody / "shut").chmod(rights)
    seen = look(as_nobody)
    assert seen.logs == [good]
    (refused,) = seen.refused
    assert refused.reason == "cannot be opened"
    assert "Permission denied" in refused.detail
    assert "the right to read it" in refused.advice


def test_a_folder_whose_rights_were_mended_leaves_the_quarantine(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    ride(bench.inbox / "shut" / "a.log", 0)
    scandir = os.scandir

    def refusing(folder: Path) -> object:
        if Path(folder).name == "shut":
            raise PermissionError(13, "Permission denied", str(folder))
        return scandir(folder)

    monkeypatch.setattr(os, "scandir", refusing)
    done = bench.scan()
    assert (done.logs_new, done.quarantined) == (0, 1)
    assert "the folder cannot be read (Permission denied)" in bench.reasons()["shut"]
    monkeypatch.undo()
    done = bench.scan()
    assert (done.logs_new, done.inbox.removed) == (1, 1)
    assert bench.reasons() == {}


def test_what_is_growing_or_half_copied_waits_and_says_until_when(bench: Bench) -> None:
    ride(bench.inbox / "fresh.log", 0, age_s=0)
    ride(bench.inbox / "half.log.part", 1)
    done = run_scan(bench.inbox, bench.store, jobs=0, now=NOW)
    assert (done.inbox.items, done.inbox.taken, done.inbox.unaccounted) == (2, 0, 0)
    fresh, half = sorted(done.inbox.waiting, key=lambda w: w.path)
    assert "changed just now" in fresh.why
    assert fresh.until is not None
    assert "until 20" in fresh.in_words
    assert "still being copied" in half.why
    assert "rename it" in half.in_words
    assert "2 waiting" in done.inbox.in_words()


def test_a_removed_file_does_not_stay_in_quarantine(bench: Bench) -> None:
    junk = toy.write(bench.inbox / "junk.log", ["nothing of use"] * 9)
    kept = toy.write(bench.inbox / "kept.log", ["nothing of use either"] * 9)
    bench.scan()
    assert set(bench.reasons()) == {"junk.log", "kept.log"}
    junk.unlink()
    done = bench.scan()
    assert set(bench.reasons()) == {"kept.log"}
    assert done.inbox.removed == 1
    junk.write_bytes(kept.read_bytes() + b"and more\n")  # should it come back, it is looked at again
    os.utime(junk, (1_700_000_000, 1_700_000_000))
    assert bench.scan().quarantined == 1


def test_a_file_that_cannot_be_opened_is_tried_again_by_itself(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    log = ride(bench.inbox / "a.log", 0)
    read = Path.read_bytes

    def refusing(path: Path) -> bytes:
        if path == log:
            raise PermissionError(13, "Permission denied", str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refusing)
    assert bench.scan().quarantined == 1
    monkeypatch.undo()
    assert bench.scan().logs_new == 1
    assert bench.reasons() == {}


def test_a_large_log_replaced_while_it_is_read_is_not_stored_under_the_other_ones_name(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hashed as A, replaced by B with the same size and time, decoded as B: nothing is kept, and B comes next."""
    monkeypatch.setattr("herdbook.pipeline.intake.take_log.WHOLE", 10)
    log = ride(bench.inbox / "a.log", 0)
    other = ride(bench.folder / "b.log", 5)
    assert log.stat().st_size == other.stat().st_size
    then = (log.stat().st_atime_ns, log.stat().st_mtime_ns)

    def replaced(path: Path, data: bytes | None, **more: Path) -> object:
        if other.exists():
            other.replace(log)
            os.utime(log, ns=then)
        return open_log(path, data, **more)

    monkeypatch.setattr("herdbook.pipeline.intake.take_log.open_log", replaced)
    done = bench.scan()
    assert (done.logs_new, done.quarantined, done.inbox.unaccounted) == (0, 0, 0)
    assert "changed while it was read" in done.inbox.waiting[0].why
    assert list(bench.store.lake.root.rglob("*.parquet")) == []
    assert bench.scan().logs_new == 1
    assert bench.ask("SELECT start_t::VARCHAR FROM logs") == [("2026-03-01 08:05:00",)]


def test_a_sum_that_is_not_right_is_told() -> None:
    found = Found((Path("a"), Path("b")))
    account = InboxAccount.of(found)
    account.taken = 1
    assert account.unaccounted == 1
    assert "1 ended nowhere: please report" in account.in_words()


def test_every_item_is_counted_once(bench: Bench) -> None:
    ride(bench.inbox / "a.log", 0)
    shutil.copy2(bench.inbox / "a.log", bench.inbox / "same.log")
    toy.write(bench.inbox / "junk.log", ["nothing of use"] * 9)
    ride(bench.inbox / "fresh.log", 2, age_s=0)
    toy.write(bench.inbox / "notes.md", ["x"])
    named(bench.inbox, LATIN, 3)
    account = bench.scan().inbox
    assert (account.items, account.taken, account.known, account.quarantined) == (5, 1, 1, 2)
    assert (len(account.waiting), account.others, account.unaccounted) == (1, 1, 0)
    account = bench.scan().inbox
    assert (account.items, account.before, account.held) == (5, 4, 2)


def test_names_are_shown_as_text_whatever_their_bytes() -> None:
    assert text_of(os.fsdecode(LATIN)) == "caf\\xe9.log"
    assert text_of("Ü-ß 車.log") == "Ü-ß 車.log"


def test_a_single_log_is_its_own_inbox(bench: Bench) -> None:
    log = ride(bench.folder / "one.log", 0, age_s=0)
    assert new_logs(bench.store, log, NOW).logs == (log,)
    assert isinstance(take_log(log, bench.store, now=NOW), TakenLog)
    assert LogFile(str(log), log.name).log == ""
