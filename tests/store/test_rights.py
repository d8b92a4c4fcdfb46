"""Who may read what a store holds, and where secrets are: with every right given away by the process's own mask."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.night.addresses_kept import AddressMissingError, address_of
from herdbook.pipeline.night.message_log import MessageLog
from herdbook.pipeline.night.messages import alarm, notify
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.reports import write_history
from herdbook.pipeline.settings import night_settings, read_settings
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from tests.lake.far import herdbook
from tests.toy.bench import NOW, Bench

SECRET = "https://hook.invalid/T0K3N"
FOR_ALL = {"signing.pub"}


@pytest.fixture
def no_mask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def open_to_others(store: Path) -> set[str]:
    """What others may read, write or list, seen from the store's folder, which they may enter."""
    found = set()
    folders = [store]
    while folders:
        for path in folders.pop().iterdir():
            if stat.S_IMODE(path.lstat().st_mode) & 0o007 and not path.is_symlink():
                found.add(path.relative_to(store).as_posix())
                folders += [path] if path.is_dir() else []
    return found


def test_others_read_nothing_but_the_public_key(tmp_path: Path, no_mask: None) -> None:
    """A folder that somebody made for everybody, a scan, upkeep, a history, a query, a settings file of theirs."""
    (tmp_path / "store").mkdir(mode=0o777)
    bench = Bench(tmp_path)
    for name, start in (("a", toy.T0), ("b", toy.T0 + 10**9)):
        toy.write(bench.inbox / f"{name}.log", toy.stretch(start, 60))
    with (bench.store.folder / "herdbook.toml").open("a") as file:
        file.write(f'[night]\nnotify = ["{SECRET}"]\n')
    (bench.store.folder / "herdbook.toml").chmod(0o666)
    bench.scan()
    write_history(bench.store, "TOY-007", bench.store.pages)
    upkeep(bench.store, NOW)
    assert herdbook("query", "SELECT count(*) FROM toy.pack", "--store", str(bench.store.folder)).returncode == 0
    assert open_to_others(bench.store.folder) == FOR_ALL


def test_a_new_store_keeps_its_settings_to_itself(tmp_path: Path, no_mask: None) -> None:
    bench = Bench(tmp_path)
    assert stat.S_IMODE((bench.store.folder / "herdbook.toml").stat().st_mode) & 0o007 == 0
    assert open_to_others(bench.store.folder) == set()


def test_an_address_is_where_the_settings_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "hook").write_text(SECRET + "\n")
    (tmp_path / "hook").chmod(0o600)
    monkeypatch.setenv("A_HOOK", SECRET)
    assert address_of("env:A_HOOK") == address_of(f"file:{tmp_path}/hook") == address_of(SECRET) == SECRET
    (tmp_path / "hook").chmod(0o644)
    with pytest.raises(AddressMissingError, match="everybody may read"):
        address_of(f"file:{tmp_path}/hook")
    for bad in ("env:NO_SUCH", f"file:{tmp_path}/none"):
        with pytest.raises(AddressMissingError):
            address_of(bad)


def test_a_missing_secret_costs_its_message_and_no_secret_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody answers at .invalid (RFC 2606): what is said of it names the host at most."""
    bench = Bench(tmp_path)
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    monkeypatch.setenv("A_HOOK", SECRET)
    changes = last_night(bench.store)
    assert changes is not None
    told = notify(changes, ["env:NO_SUCH", "env:A_HOOK"], MessageLog(bench.store), 0)
    told += alarm("x", ["env:NO_SUCH", "env:A_HOOK"])
    assert [d.state for d in told] == ["failed"] * 4
    assert "no NO_SUCH" in told[0].detail
    assert "T0K3N" not in repr(told)
    assert not [p for p in bench.store.folder.rglob("*") if p.is_file() and b"T0K3N" in p.read_bytes()]


def test_an_inbox_with_a_password_is_refused_without_saying_it(tmp_path: Path) -> None:
    (tmp_path / "herdbook.toml").write_text('[night]\ninbox = "s3://me:T0K3N@host/inbox"\n')
    with pytest.raises(SettingsError, match="holds a user and a password") as told:
        night_settings(read_settings(tmp_path), tmp_path)
    assert "T0K3N" not in str(told.value)
