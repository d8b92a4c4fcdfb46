"""Cycle times, counters and checksums, over batches and over sleep. Expected figures are counted by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_logs.encode import seal
from herdbook.decoders import Frames, Network, NetworkError
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.integrity.checks import IntegrityCheck, MessageReport
from herdbook.decoders.integrity.checksum import protection_of

Array = NDArray[Any]
DBC = """VERSION ""
NS_ :
BS_:
BU_: X
BO_ 100 Guarded: 8 X
 SG_ Crc : 0|8@1+ (1,0) [0|0] "" X
 SG_ Count : 8|4@1+ (1,0) [0|0] "" X
BO_ 200 Plain: 8 X
 SG_ S : 0|8@1+ (1,0) [0|0] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "E2EForm" ENUM "none","counter","sae_j1850","e2e_p1","e2e_p2";
BA_DEF_ BO_ "E2ECounter" STRING;
BA_DEF_ BO_ "E2EChecksum" STRING;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "E2EForm" "none";
BA_DEF_DEF_ "E2ECounter" "";
BA_DEF_DEF_ "E2EChecksum" "";
BA_ "GenMsgCycleTime" BO_ 100 10;
BA_ "E2EForm" BO_ 100 2;
BA_ "E2ECounter" BO_ 100 "Count";
BA_ "E2EChecksum" BO_ 100 "Crc";
"""


@pytest.fixture
def network(tmp_path: Path) -> Network:
    (tmp_path / "made.dbc").write_text(DBC)
    return Network.load(tmp_path / "made.dbc")


def batch(t: Array, payload: Array, can_id: int = 100) -> Frames:
    n = len(t)
    return Frames(
        t=t.astype(np.int64),
        channel=np.zeros(n, np.uint8),
        can_id=np.full(n, can_id, np.uint32),
        flags=np.zeros(n, np.uint8),
        length=np.full(n, 8, np.uint8),
        payload=payload,
        channels=("can0",),
    )


def sent(network: Network, n: int) -> Array:
    return seal(network.by_name["Guarded"], np.zeros((n, 8), np.uint8))


def report(network: Network, t: Array, payload: Array, pieces: int) -> MessageReport:
    check = IntegrityCheck(network)
    for part_t, part in zip(np.array_split(t, pieces), np.array_split(payload, pieces), strict=True):
        check.add(batch(part_t, part))
    (found,) = check.report()
    return found


@pytest.mark.parametrize("pieces", [1, 2, 7, 100])
def test_a_sound_stream_has_no_faults_however_it_is_cut(network: Network, pieces: int) -> None:
    found = report(network, np.arange(100) * 10_000, sent(network, 100), pieces)
    assert found == MessageReport(
        message="Guarded",
        channel="can0",
        frames=100,
        start_t=0,
        end_t=990_000,
        cycle_ms=10.0,
        median_ms=10.0,
        p99_ms=10.0,
        missed=0,
        counter_gaps=0,
        counter_repeats=0,
        checksum_failures=0,
    )


@pytest.mark.parametrize("pieces", [1, 3, 95])
def test_missed_repeated_and_damaged_frames_are_counted(network: Network, pieces: int) -> None:
    t, payload = np.arange(100) * 10_000, sent(network, 100)
    payload[20, 5] ^= 4  # one flipped bit
    payload[50] = payload[49]  # sent twice
    keep = np.r_[0:70, 75:100]  # five lost in a row
    found = report(network, t[keep], payload[keep], pieces)
    assert (found.frames, found.missed, found.checksum_failures) == (95, 5, 1)
    assert (found.counter_repeats, found.counter_gaps) == (1, 2)  # the repeat skips its own count, then the loss


def test_frames_with_a_wrong_checksum_are_marked(network: Network) -> None:
    t, payload = np.arange(100) * 10_000, sent(network, 100)
    payload[[20, 70], 5] ^= 4
    marks = IntegrityCheck(network).add_grouped(grouped(batch(t, payload), network))
    (guarded,) = marks.values()
    assert np.flatnonzero(guarded).tolist() == [20, 70]


def test_a_sleep_of_the_whole_bus_is_no_loss(network: Network) -> None:
    t, payload = np.arange(100) * 10_000, sent(network, 100)
    t[40:] += 3_600_000_000
    found = report(network, t, np.concatenate((payload[:40], payload[3:63])), 4)
    assert (found.missed, found.counter_gaps, found.median_ms, found.p99_ms) == (0, 0, 10.0, 10.0)


def test_other_traffic_keeps_the_bus_awake(network: Network) -> None:
    """One message silent for three seconds on a bus that speaks on: 299 frames are missing."""
    t = np.concatenate((np.arange(50) * 10_000, 3_490_000 + np.arange(50) * 10_000))
    check = IntegrityCheck(network)
    other = np.arange(0, 4_000_000, 100_000)
    times = np.concatenate((t, other))
    ids = np.concatenate((np.full(100, 100), np.full(len(other), 200)))
    order = np.argsort(times, kind="stable")
    f = batch(times[order], np.zeros((len(order), 8), np.uint8))
    check.add(
        Frames(
            t=f.t,
            channel=f.channel,
            can_id=ids[order].astype(np.uint32),
            flags=f.flags,
            length=f.length,
            payload=f.payload,
            channels=f.channels,
        )
    )
    guarded, plain = check.report()
    assert guarded.missed == 299
    assert (plain.missed, plain.cycle_ms, plain.checksum_failures) == (None, None, None)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('"Count";', '"Nobody";'), "E2ECounter names 'Nobody'"),
        (('"E2EForm" BO_ 100 2', '"E2EForm" BO_ 100 4'), "also needs E2EDataIDList"),
        (("Crc : 0|8@1", "Crc : 0|7@1"), "a checksum is one whole byte"),
    ],
)
def test_a_declaration_that_cannot_be_followed_is_refused(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    (tmp_path / "bad.dbc").write_text(DBC.replace(*change))
    network = Network.load(tmp_path / "bad.dbc")
    with pytest.raises(NetworkError, match=said):
        IntegrityCheck(network)
    assert protection_of(network.by_name["Plain"]) is None
