"""Network: which message a frame belongs to, and what is said about DBC files that are not sound."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.decoders import Frames, Network, NetworkError, decode
from herdbook.decoders.dbc.j1939 import parameter_group
from herdbook.decoders.decoding.decode import Decoder
from herdbook.decoders.frames import ERROR, REMOTE, join_frames
from tests.decoders.peers import frames_of

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\n'
J1939 = (
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
)


def dbc(folder: Path, name: str, *blocks: str) -> Path:
    path = folder / name
    path.write_text(HEAD + "\n".join(blocks) + "\n")
    return path


def message(number: int, name: str, signal: str = "S", bits: str = "0|8@1+", length: int = 8) -> str:
    return f'BO_ {number} {name}: {length} X\n SG_ {signal} : {bits} (1,0) [0|0] "" X\n'


def test_the_same_number_in_11_and_29_bits_is_two_messages(tmp_path: Path) -> None:
    network = Network.load(dbc(tmp_path, "a.dbc", message(5, "Short"), message(0x8000_0005, "Long")))
    assert list(decode(frames_of(5, [b"\1"]), network)) == ["Short"]
    assert list(decode(frames_of(5, [b"\1"], extended=True), network)) == ["Long"]


def test_error_and_remote_frames_are_counted_not_decoded(tmp_path: Path) -> None:
    network = Network.load(dbc(tmp_path, "a.dbc", message(5, "M", length=1)))
    f = frames_of(5, [b"\1"] * 4)
    odd = Frames(
        t=f.t,
        channel=f.channel,
        can_id=f.can_id,
        flags=np.array([0, ERROR, REMOTE, ERROR | REMOTE], np.uint8),
        length=f.length,
        payload=f.payload,
        channels=f.channels,
    )
    decoder = Decoder(network)
    decoder.add(join_frames([odd, frames_of(6, [b"\2"] * 3)]))
    tally = decoder.tally
    assert (tally.frames, tally.known, tally.error, tally.remote) == (7, 1, 2, 1)
    assert dict(tally.unknown) == {("can0", 6, False): 3}
    assert decoder.tables()["M"].height == 1


def test_short_frames_and_odd_selectors_are_counted(tmp_path: Path) -> None:
    block = 'BO_ 5 M: 2 X\n SG_ Sel M : 0|8@1+ (1,0) [0|0] "" X\n SG_ A m1 : 8|8@1+ (1,0) [0|0] "" X\n'
    decoder = Decoder(Network.load(dbc(tmp_path, "a.dbc", block)))
    decoder.add(frames_of(5, [b"\1\2", b"\1", b"\7\2", b""]))
    table = decoder.tables()["M"]
    assert table["Sel"].to_list() == [1, 1, 7, None]
    assert table["A"].to_list() == [2, None, None, None]
    assert dict(decoder.tally.short) == {"M": 2}
    assert dict(decoder.tally.odd_selector) == {"M": 1}


def test_buses_have_their_own_messages(tmp_path: Path) -> None:
    a = dbc(tmp_path, "a.dbc", message(5, "Left"), message(9, "Shared"))
    b = dbc(tmp_path, "b.dbc", message(5, "Right"), message(9, "Shared"))
    network = Network.load([("can0|1", a), ("can1|2", b)])
    both = join_frames([frames_of(n, [b"\1"], channel=c) for c in ("can0", "CAN1", "2", "can9") for n in (5, 9)])
    tables = decode(both, network)
    assert {k: v["channel"].to_list() for k, v in tables.items()} == {
        "Left": ["can0"],
        "Right": ["CAN1", "2"],
        "Shared": ["can0", "CAN1", "2"],
    }
    assert "channel" not in decode(both, Network.load(a))["Left"].columns


def test_one_name_with_two_layouts_becomes_two_tables(tmp_path: Path) -> None:
    a = dbc(tmp_path, "a.dbc", message(5, "M", "Volts"))
    b = dbc(tmp_path, "b.dbc", message(5, "M", "Amps"))
    network = Network.load([("can0", a), ("can1", b)])
    assert [m.name for m in network.messages] == ["M", "M@can1"]


def test_a_signal_named_like_one_of_our_columns_gets_an_underscore(tmp_path: Path) -> None:
    network = Network.load(dbc(tmp_path, "a.dbc", message(5, "M", "t")))
    assert decode(frames_of(5, [b"\7" + bytes(7)]), network)["M"].columns == ["t", "t_"]


@pytest.mark.parametrize(
    ("can_id", "group"),
    [
        (0x0CF00400, 0xF004),
        (0x18FEEE00, 0xFEEE),
        (0x18FEF117, 0xFEF1),
        (0x18EAFF21, 0xEA00),
        (0x00EF2301, 0xEF00),
        (0x1DFF0A03, 0x1FF0A),
    ],
)
def test_parameter_groups(can_id: int, group: int) -> None:
    """SAE J1939-21: a destination address is no part of the group below format 240, a group extension is from there."""
    assert parameter_group(np.array([can_id], np.uint32)).tolist() == [group]


def test_j1939_masks_source_and_priority_and_keeps_the_source(tmp_path: Path) -> None:
    network = Network.load(dbc(tmp_path, "a.dbc", message(0x80000000 | 0x18FEEEFE, "ET1"), J1939))
    f = join_frames([frames_of(i, [b"\x7b"], extended=True) for i in (0x18FEEE00, 0x0CFEEE21, 0x18FEEFFE)])
    table = decode(f, network)["ET1"]
    assert table["source"].to_list() == [0x00, 0x21]
    assert not len(decode(frames_of(0x6EE, [b"\1"]), network))


@pytest.mark.parametrize(
    ("blocks", "said"),
    [
        ([message(5, "M", bits="60|8@1+")], "message M, signal S: needs 68 bits, but the message has 8 bytes"),
        (
            ['BO_ 5 M: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n SG_ B : 7|8@0+ (1,0) [0|0] "" X\n'],
            "message M: signals (A and B|B and A) overlap",
        ),
        ([message(5, "M", bits="0|20@1+"), "SIG_VALTYPE_ 5 S : 1;"], "message M, signal S: 20 bits wide, but a float"),
        (
            ['BO_ 5 M: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n SG_ A : 8|8@1+ (1,0) [0|0] "" X\n'],
            "message M, signal A: a second signal of that name",
        ),
        (["BO_ 5 M 8 X"], "not a DBC file"),
    ],
)
def test_unsound_files_are_refused_by_name(tmp_path: Path, blocks: list[str], said: str) -> None:
    path = dbc(tmp_path, "bad.dbc", *blocks)
    with pytest.raises(NetworkError, match=said) as e:
        Network.load(path)
    assert str(e.value).startswith("bad.dbc")


def test_lenient_leaves_out_what_cannot_be_decoded_and_says_so(tmp_path: Path) -> None:
    block = 'BO_ 5 M: 8 X\n SG_ A : 60|8@1+ (1,0) [0|0] "" X\n SG_ B : 0|8@1+ (1,0) [0|0] "" X\n'
    network = Network.load(dbc(tmp_path, "bad.dbc", block), lenient=True)
    assert decode(frames_of(5, [b"\7" * 8]), network)["M"].columns == ["t", "B"]
    assert network.notes == (
        "bad.dbc: line 6: message M, signal A: needs 68 bits, but the message has 8 bytes (64 bits)",
    )


def test_a_message_longer_than_any_frame_gives_what_a_frame_holds(tmp_path: Path) -> None:
    block = (
        'BO_ 5 M: 200 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n SG_ B : 512|8@1+ (1,0) [0|0] "" X\n'
        ' SG_ C : 1590|10@1- (0.5,0) [0|0] "" X\n'
    )
    table = decode(frames_of(5, [b"\7" * 8, b"\7" * 64]), Network.load(dbc(tmp_path, "long.dbc", block)))["M"]
    assert table.select("A", "B", "C").rows() == [(7, None, None)] * 2


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(NetworkError, match=r"absent\.dbc"):
        Network.load(tmp_path / "absent.dbc")


def test_the_hash_follows_content_and_label(tmp_path: Path) -> None:
    a = dbc(tmp_path, "a.dbc", message(5, "M"))
    same = dbc(tmp_path, "b.dbc", message(5, "M"))
    assert Network.load(a).hash == Network.load(same).hash
    assert len({Network.load(p).hash for p in (("x", a), ("y", a), a)}) == 3


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_a_degree_sign_is_one_in_either_encoding(tmp_path: Path, encoding: str) -> None:
    text = 'VERSION ""\n\nBU_: X\n\nBO_ 5 Heat: 1 X\n SG_ T : 0|8@1- (1,0) [-40|85] "°C" X\n\nVAL_ 5 T 0 "für" ;\n'
    path = tmp_path / "heat.dbc"
    path.write_text(text, encoding)
    (signal,) = Network.load(path).messages[0].signals
    assert signal.unit == "°C"
    assert signal.states == {0: "für"}
