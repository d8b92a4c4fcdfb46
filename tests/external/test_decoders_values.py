"""Published values: checksums, J1939 and OBD-II scaling, and the log files of python-can's source archive.

Checksums: catalogue check values for "123456789", the samples of the AUTOSAR CRC routines specification as public
test code copies them, and the end-to-end vectors of a public profile library (profile 1 in all four modes: data ID
0x123; profile 2).
J1939: the values of pretty-j1939 0.0.6's documentation; OBD-II: the decoder tests of obd 0.7.3.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_logs.encode import seal
from herdbook.decoders import Network, decode, open_log, read_frames
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.integrity.checksum import H2F, J1850, Protection, crc8, expected_checksum, protection_of, wrong
from tests.decoders.peers import frames_of, ours, unequal
from tests.decoders.trial import trial_of
from tests.external.fetch import folder_of

ROOT = folder_of("python-can")
LOGS = ROOT / "python_can-4.6.1" / "test" / "data" if ROOT else None
needs_logs = pytest.mark.skipif(LOGS is None, reason="python-can's archive is absent: run `make sources` first")
CRC, COUNT, NIBBLE = Signal("Crc", 0, 8), Signal("Count", 8, 4), Signal("Nibble", 12, 4)


def row(data: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(data, np.uint8)[None]


@pytest.mark.parametrize(
    ("data", "sae", "autosar"),
    [
        (b"123456789", 0x4B, 0xDF),
        (bytes(4), 0x59, 0x12),
        (bytes.fromhex("F20183"), 0x37, 0xC2),
        (bytes.fromhex("0FAA0055"), 0x79, 0xC6),
        (bytes.fromhex("00FF5511"), 0xB8, 0x77),
        (bytes.fromhex("332255AABBCCDDEEFF"), 0xCB, 0x11),
        (bytes.fromhex("926B55"), 0x8C, 0x33),
        (b"\xff" * 4, 0x74, 0x6C),
    ],
)
def test_crc_samples(data: bytes, sae: int, autosar: int) -> None:
    assert crc8(row(data), J1850).tolist() == [sae]
    assert crc8(row(data), H2F).tolist() == [autosar]


def test_crc_field_example() -> None:
    assert crc8(row(bytes.fromhex("00C0DFACAA0740")), J1850).tolist() == [0x6C]


def guarded(mode: str, data_id: int) -> Message:
    return Message(
        "M",
        1,
        False,
        8,
        (CRC, COUNT, NIBBLE),
        attributes={
            "E2EForm": "e2e_p1",
            "E2ECounter": "Count",
            "E2EChecksum": "Crc",
            "E2EDataID": data_id,
            "E2EDataIDMode": mode,
            "E2EDataIDNibble": "Nibble",
        },
    )


@pytest.mark.parametrize(
    ("mode", "first", "second"),
    [
        ("both", "cc00000000000000", "9101000000000000"),
        ("alternate", "ce00000000000000", "0201000000000000"),
        ("low", "ce00000000000000", "9301000000000000"),
        ("nibble", "2a10000000000000", "7711000000000000"),
    ],
)
def test_profile_1_vectors(mode: str, first: str, second: str) -> None:
    """Data ID 0x123, eight bytes, counter in bits 8 to 11, in mode "nibble" four bits of the data ID in 12 to 15."""
    message = guarded(mode, 0x123)
    assert [r.tobytes().hex() for r in seal(message, np.zeros((2, 8), np.uint8))] == [first, second]
    guard = protection_of(message)
    assert guard is not None
    rows = np.array([bytearray.fromhex(first), bytearray.fromhex(second)], np.uint8)
    assert not wrong(guard, rows, 8).any()
    for byte, bit in ((0, 1), (1, 0x40), (7, 0x80)):
        damaged = rows.copy()
        damaged[:, byte] ^= bit
        assert wrong(guard, damaged, 8).all()


@pytest.mark.parametrize(("mode", "seen"), [("both", 2), ("alternate", 1), ("low", 0), ("nibble", 2)])
def test_modes_differ_in_the_part_of_the_data_id_they_guard(mode: str, seen: int) -> None:
    """Of two frames with the next data ID (same low byte), "low" sees none, "alternate" the one with an odd count."""
    guard = protection_of(guarded(mode, 0x223))
    assert guard is not None
    assert int(wrong(guard, seal(guarded(mode, 0x123), np.zeros((2, 8), np.uint8)), 8).sum()) == seen


def test_profile_2_vectors() -> None:
    message = Message(
        "M",
        1,
        False,
        8,
        (CRC, COUNT),
        attributes={"E2EForm": "e2e_p2", "E2ECounter": "Count", "E2EChecksum": "Crc", "E2EDataIDList": "00" * 16},
    )
    assert seal(message, np.zeros((1, 8), np.uint8), 1)[0].tobytes().hex() == "4501000000000000"
    guard = Protection("e2e_p2", COUNT, CRC, data_ids=tuple(range(16)))
    assert expected_checksum(guard, row(bytes.fromhex("0002020304050607")), 8).tolist() == [0xBC]


J1939 = """VERSION ""
NS_ :
BS_:
BU_: X
BO_ 2364540158 EEC1: 8 X
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" X
 SG_ ActualTorque : 16|8@1+ (1,-125) [-125|125] "%" X
BO_ 2566844158 ET1: 8 X
 SG_ Coolant : 0|8@1+ (1,-40) [-40|210] "degC" X
BO_ 2566844926 CCVS: 8 X
 SG_ Speed : 8|16@1+ (0.00390625,0) [0|250] "km/h" X
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "J1939PG";
"""


@pytest.mark.parametrize(
    ("can_id", "data", "message", "values"),
    [
        (0x0CF00400, "FFFF960019FFFFFF", "EEC1", {"EngineSpeed": 800.0, "ActualTorque": 25}),
        (0x18FEEE00, "7BFFFFFFFFFFFFFF", "ET1", {"Coolant": 83}),
        (0x18FEF100, "FF0032FFFFFFFFFF", "CCVS", {"Speed": 50.0}),
    ],
)
def test_j1939(tmp_path: Path, can_id: int, data: str, message: str, values: dict[str, float]) -> None:
    path = tmp_path / "j1939.dbc"
    path.write_text(J1939)
    tables = decode(frames_of(can_id, [bytes.fromhex(data)], extended=True), Network.load(path))
    found = tables[message].row(0, named=True)
    assert {k: found[k] for k in values} == values
    assert found["source"] == 0


OBD = """VERSION ""
NS_ :
BS_:
BU_: X
BO_ 2024 OBD: 8 X
 SG_ Mode M : 8|8@1+ (1,0) [0|0] "" X
 SG_ Pid m65M : 16|8@1+ (1,0) [0|0] "" X
 SG_ Rpm m12 : 31|16@0+ (0.25,0) [0|0] "rpm" X
 SG_ Coolant m5 : 24|8@1+ (1,-40) [0|0] "degC" X
 SG_ Speed m13 : 24|8@1+ (1,0) [0|0] "km/h" X
 SG_ Volts m66 : 31|16@0+ (0.001,0) [0|0] "V" X
SG_MUL_VAL_ 2024 Pid Mode 65-65;
SG_MUL_VAL_ 2024 Rpm Pid 12-12;
SG_MUL_VAL_ 2024 Coolant Pid 5-5;
SG_MUL_VAL_ 2024 Speed Pid 13-13;
SG_MUL_VAL_ 2024 Volts Pid 66-66;
"""


@pytest.mark.parametrize(
    ("answer", "signal", "value"),
    [("410C1AF8", "Rpm", 1726.0), ("41057B", "Coolant", 83), ("410D32", "Speed", 50), ("41423614", "Volts", 13.844)],
)
def test_obd(tmp_path: Path, answer: str, signal: str, value: float) -> None:
    """Mode and parameter are two selectors, one inside the other."""
    path = tmp_path / "obd.dbc"
    path.write_text(OBD)
    data = bytes([len(answer) // 2]) + bytes.fromhex(answer)
    found = decode(frames_of(0x7E8, [data.ljust(8, b"\0")]), Network.load(path))["OBD"].row(0, named=True)
    assert found[signal] == pytest.approx(value, abs=1e-12)
    assert [k for k in ("Rpm", "Coolant", "Speed", "Volts") if found[k] is not None] == [signal]


@needs_logs
@pytest.mark.parametrize(
    "name", sorted(p.name for p in LOGS.iterdir() if p.suffix in (".asc", ".blf", ".trc", ".gz")) if LOGS else []
)
def test_python_cans_own_log_files(name: str) -> None:
    assert LOGS is not None
    assert unequal(ours(LOGS / name), trial_of(LOGS / name).peer(LOGS / name)) == []


@needs_logs
def test_the_long_asc_example() -> None:
    """1457 frames; the counts by identifier were read from the file itself."""
    assert LOGS is not None
    frames = read_frames(LOGS / "issue_1256.asc")
    ids, counts = np.unique(frames.can_id, return_counts=True)
    assert dict(zip(ids.tolist(), counts.tolist(), strict=True)) == {
        0x64: 795,
        0x11: 265,
        0x12: 159,
        0x66: 80,
        0x65: 79,
        0x10: 79,
    }
    assert (int(frames.t[0]), int(frames.t[-1])) == (19_968, 7_960_498)
    assert frames.payload[0, :4].tobytes() == bytes.fromhex("64000000")
    assert open_log(LOGS / "issue_1256.asc").wall == "2014-05-27T16:09:35"
