"""Serials on the bus: when each was seen, and what is unset memory; the same on the way into a part and out of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tests.toy.logs as toy
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.intake.identity_signals import Serials, SerialSeen, serials_in
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.lake.layout import layout_of_profile
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from tests.toy.bench import DATA, NOW, Bench


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(DATA / "toy.toml")


def column(*values: int, valid: list[bool] | None = None) -> Column:
    return Column(np.array(values, np.int64), None if valid is None else np.array(valid))


def times(*t: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(t, np.int64)


def test_first_and_last_time_by_value_over_all_pieces(profile: Profile) -> None:
    serials = Serials(profile, layout_of_profile(profile))
    serials.add("Ident", times(10, 20, 30), {"Serial": column(7, 8, 7), "PackSerial": column(5, 5, 5)})
    serials.add("Ident", times(40, 50), {"Serial": column(8, 8)})
    serials.add("Ident", times(1, 2), {"PackSerial": column(5, 6, valid=[True, False])})
    serials.add("Pack", times(99), {"Serial": column(1)})  # another message's signal of the same name
    assert set(serials.found()) == {
        SerialSeen("vehicle", "7", 10, 30, 2),
        SerialSeen("vehicle", "8", 20, 50, 3),
        SerialSeen("pack", "5", 1, 30, 4),
    }


@pytest.mark.parametrize("unset", [0, 0xFF, 0xFFFF, 0xFFFFFFFF])
def test_unset_memory_is_no_serial(profile: Profile, unset: int) -> None:
    serials = Serials(profile, layout_of_profile(profile))
    serials.add("Ident", times(1, 2), {"Serial": column(unset, 7)})
    assert serials.found() == (SerialSeen("vehicle", "7", 2, 2, 1),)


def test_a_part_says_the_same_as_its_log(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    lines = [*toy.stretch(toy.T0, 5), *toy.stretch(toy.T0 + 5_000_000, 5, pack_serial=777)]
    taken = take_log(toy.write(bench.inbox / "a.log", lines), bench.store, now=NOW)
    assert isinstance(taken, TakenLog)
    ident = 30_000  # the ident frame comes 30 ms after the second begins
    assert set(taken.serials) == {
        SerialSeen("vehicle", "7", toy.T0 + ident, toy.T0 + 9_000_000 + ident, 10),
        SerialSeen("pack", "501", toy.T0 + ident, toy.T0 + 4_000_000 + ident, 5),
        SerialSeen("pack", "777", toy.T0 + 5_000_000 + ident, toy.T0 + 9_000_000 + ident, 5),
    }
    (profile,) = bench.store.profiles()
    assert serials_in(bench.store.lake.open(taken.part), taken.file.log, profile) == taken.serials
