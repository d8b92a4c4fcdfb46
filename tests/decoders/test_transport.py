"""Messages in several frames (SAE J1939-21). Sessions recorded from the library can-j1939 2.0.12 on a virtual bus: it
sent 39 bytes to everybody, then 20 bytes to one address; its receiver got the payloads that stand here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.decoders import Decoder, Frames, Network, join_frames
from herdbook.decoders.frames import part
from tests.decoders.peers import frames_of

BROADCAST = bytes(range(1, 40))
TO_ONE = bytes((7 * i + 3) & 255 for i in range(20))
RECORDED = [
    (0x18EEFF21, "e903405309010251"),
    (0x18ECFF21, "20270006ffe3fe00"),
    (0x1CEBFF21, "0101020304050607"),
    (0x1CEBFF21, "0208090a0b0c0d0e"),
    (0x1CEBFF21, "030f101112131415"),
    (0x1CEBFF21, "04161718191a1b1c"),
    (0x1CEBFF21, "051d1e1f20212223"),
    (0x1CEBFF21, "0624252627ffffff"),
    (0x18EC3221, "101400030100d000"),
    (0x1CEC2132, "110101ffff00d000"),
    (0x1CEB3221, "01030a11181f262d"),
    (0x1CEC2132, "110102ffff00d000"),
    (0x1CEB3221, "02343b424950575e"),
    (0x1CEC2132, "110103ffff00d000"),
    (0x1CEB3221, "03656c737a8188ff"),
    (0x1CEC2132, "13140003ff00d000"),
]


def frames(recorded: list[tuple[int, str]]) -> Frames:
    many = join_frames([frames_of(i, [bytes.fromhex(data)], extended=True) for i, data in recorded])
    return Frames(np.arange(len(many), dtype=np.int64) * 1000, *[getattr(many, f) for f in many.__slots__[1:]])


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """One signal a byte, so that a payload can be read back; the second message's file has another receiver."""

    def message(can_id: int, name: str, length: int) -> str:
        signals = "".join(f' SG_ {name}{i} : {8 * i}|8@1+ (1,0) [0|0] "" X\n' for i in range(length))
        return f"BO_ {0x80000000 | can_id} {name}: {length} X\n{signals}\n"

    text = (
        'VERSION ""\nNS_ :\nBS_:\nBU_: X\n'
        + message(0x18FEE3FE, "All", 39)
        + message(0x18D0FFFE, "One", 20)
        + 'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        + 'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
    )
    path = tmp_path_factory.mktemp("dbc") / "long.dbc"
    path.write_text(text)
    return Network.load(path)


def decoded(network: Network, pieces: list[Frames]) -> tuple[Decoder, dict[str, list[tuple[int, bytes]]]]:
    """The decoder, and by message: source, payload."""
    decoder = Decoder(network)
    for piece in pieces:
        decoder.add(piece)
    decoder.close()
    found = {}
    for name, table in decoder.tables().items():
        rows = zip(table["source"], table.drop("t", "source").rows(), strict=True)
        found[name] = [(source, bytes(v for v in row if v is not None)) for source, row in rows]
    return decoder, found


@pytest.mark.parametrize("pieces", [1, 2, 5, 16])
def test_recorded_sessions_give_what_the_receiver_got(network: Network, pieces: int) -> None:
    """However the log is cut into batches."""
    whole = frames(RECORDED)
    batches = [part(whole, rows) for rows in np.array_split(np.arange(len(whole)), pieces)]
    decoder, found = decoded(network, batches)
    assert found == {"All": [(0x21, BROADCAST)], "One": [(0x21, TO_ONE)]}
    assert (decoder.tally.carried, dict(decoder.tally.broken)) == (2, {})
    assert decoder.tally.known == len(RECORDED) - 1  # the claim of an address is no transport frame
    assert sum(decoder.tally.unknown.values()) == 1
    assert int(network.knows(whole).sum()) == decoder.tally.known


def test_the_time_is_that_of_the_last_packet(network: Network) -> None:
    decoder = Decoder(network)
    decoder.add(frames(RECORDED))
    assert decoder.tables()["All"]["t"].dt.timestamp("us").to_list() == [7000]


@pytest.mark.parametrize("lost", [2, 4, 7])
def test_a_session_without_one_of_its_packets_is_counted(network: Network, lost: int) -> None:
    decoder, found = decoded(network, [frames([f for i, f in enumerate(RECORDED) if i != lost])])
    assert list(found) == ["One"]
    assert dict(decoder.tally.broken) == {0xFEE3: 1}


def test_a_log_that_begins_inside_a_session(network: Network) -> None:
    decoder, found = decoded(network, [frames(RECORDED[3:])])
    assert list(found) == ["One"]
    assert dict(decoder.tally.broken) == {None: 1}


def test_a_packet_sent_again_and_out_of_order(network: Network) -> None:
    order = [0, 1, 3, 2, 5, 4, 3, 7, 6]
    _, found = decoded(network, [frames([RECORDED[i] for i in order])])
    assert found == {"All": [(0x21, BROADCAST)]}


def test_a_session_that_is_never_finished_is_not_kept_for_ever(network: Network) -> None:
    begun, later = frames(RECORDED[:4]), frames([(0x18FEE3AA, "0000000000000000")] * 3)
    decoder = Decoder(network)
    decoder.add(begun)
    assert not decoder.tally.broken
    decoder.add(Frames(later.t + 60_000_000, *[getattr(later, f) for f in later.__slots__[1:]]))
    assert dict(decoder.tally.broken) == {0xFEE3: 1}


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 250), st.binary(min_size=9, max_size=39)), min_size=1, max_size=12),
    st.randoms(use_true_random=False),
    st.integers(1, 9),
)
def test_sessions_of_many_senders_interleaved(
    network: Network, sent: list[tuple[int, bytes]], random: st.DataObject, pieces: int
) -> None:
    """Each sender sends its messages one after the other; the wire mixes senders at will."""
    queues: dict[int, list[tuple[int, str]]] = {}
    for source, data in sent:
        packets = -(-len(data) // 7)
        padded = data.ljust(7 * packets, b"\xff")
        queue = queues.setdefault(source, [])
        queue.append((0x18ECFF00 | source, f"20{len(data) & 255:02x}{len(data) >> 8:02x}{packets:02x}ffe3fe00"))
        queue += [(0x1CEBFF00 | source, f"{i + 1:02x}{padded[7 * i : 7 * i + 7].hex()}") for i in range(packets)]
    mixed = []
    while queues:
        source = random.choice(sorted(queues))  # type: ignore[attr-defined]
        mixed.append(queues[source].pop(0))
        if not queues[source]:
            del queues[source]
    whole = frames(mixed)
    batches = [part(whole, rows) for rows in np.array_split(np.arange(len(whole)), pieces) if len(rows)]
    decoder, found = decoded(network, batches)
    assert sorted(found["All"]) == sorted(sent)
    assert not decoder.tally.broken


def test_without_long_messages_transport_frames_stay_unknown(tmp_path: Path) -> None:
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 5 M: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'
    (tmp_path / "short.dbc").write_text(text)
    decoder = Decoder(Network.load(tmp_path / "short.dbc"))
    decoder.add(frames(RECORDED))
    assert decoder.tally.known == 0
