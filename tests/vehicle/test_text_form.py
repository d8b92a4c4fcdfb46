"""Serials and versions as the maker writes them, from frames that cantools encodes."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.decoders import Decoder
from herdbook.pipeline.intake.identity import vehicle_name
from herdbook.pipeline.intake.identity_signals import Serials
from herdbook.pipeline.lake.layout import layout_of_profile
from herdbook.pipeline.vehicle.profile import Profile
from tests.vehicle.mapped import Sent, encoded, profile_of

DBC = """VERSION ""
NS_ :
BS_:
BU_: BMS LOG

BO_ 400 Ident: 8 BMS
 SG_ Major : 0|8@1+ (1,0) [0|0] "" LOG
 SG_ Minor : 8|8@1+ (1,0) [0|0] "" LOG
 SG_ Serial : 16|32@1+ (1,0) [0|0] "" LOG
 SG_ Build : 48|16@1+ (1,0) [0|0] "" LOG

BO_ 401 Text: 8 BMS
 SG_ Plate : 0|64@1+ (1,0) [0|0] "" LOG

BO_ 402 TextBig: 8 BMS
 SG_ Plate : 7|64@0+ (1,0) [0|0] "" LOG
"""
IDENT = {"Major": 3, "Minor": 7, "Serial": 0x00AB12CD, "Build": 0x0412}


def seen(profile: Profile, sent: list[Sent]) -> list[tuple[str, str, int]]:
    frames, _ = encoded(profile, sent)
    decoder = Decoder(profile.network())
    decoder.add(frames)
    serials = Serials(profile, layout_of_profile(profile))
    for name, table in decoder.arrays(counts=True).items():
        serials.add_counts(name, table)
    return [(s.component, s.serial, s.samples) for s in serials.found()]


@pytest.mark.parametrize(
    ("role", "said"),
    [
        ('pack_firmware = { format = "{Ident.Major}.{Ident.Minor:02d}" }', ("pack_firmware", "3.07")),
        ('pack_firmware = { signal = "Ident.Build", format = "v{[8..15]}.{[0..7]}" }', ("pack_firmware", "v4.18")),
        ('pack_serial = { format = "BP-{Ident.Serial:08X}" }', ("pack", "BP-00AB12CD")),
        ('pack_serial = { signal = "Ident.Serial", format = "{:x}/{Ident.Build:d}" }', ("pack", "ab12cd/1042")),
        ('pack_serial = "Ident.Serial"', ("pack", str(0xAB12CD))),
        ('vehicle_serial = { format = "{Text.Plate:ascii}" }', ("vehicle", "ZB-0042")),
        ('vehicle_serial = { format = "{TextBig.Plate:ascii}" }', ("vehicle", "ZB-0042")),
    ],
)
def test_as_it_is_written(tmp_path: Path, role: str, said: tuple[str, str]) -> None:
    profile = profile_of(tmp_path, role, DBC)
    plate = b"ZB-0042\0"
    sent = [Sent("Ident", IDENT, 0), Sent("Ident", IDENT, 1)]
    sent += [Sent("Text", {"Plate": int.from_bytes(plate, "little")}, i) for i in (2, 3)]
    sent += [Sent("TextBig", {"Plate": int.from_bytes(plate, "big")}, i) for i in (4, 5)]
    assert seen(profile, sent) == [(*said, 2)]


def test_what_stands_in_one_frame_belongs_together(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, 'pack_firmware = { format = "{Ident.Major}.{Ident.Minor}" }', DBC)
    versions = [(3, 7), (3, 7), (4, 0), (3, 7), (0, 4)]
    sent = [Sent("Ident", {**IDENT, "Major": a, "Minor": b}, i) for i, (a, b) in enumerate(versions)]
    assert seen(profile, sent) == [
        ("pack_firmware", "0.4", 1),
        ("pack_firmware", "3.7", 3),
        ("pack_firmware", "4.0", 1),
    ]


def test_unset_memory_is_no_serial_however_it_is_written(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, 'pack_serial = { format = "BP-{Ident.Serial:08X}-{Ident.Build}" }', DBC)
    sent = [
        Sent("Ident", {**IDENT, "Serial": s, "Build": b}, i) for i, (s, b) in enumerate([(0, 0), (2**32 - 1, 0xFFFF)])
    ]
    assert seen(profile, sent) == []


def test_a_written_serial_names_the_vehicle(tmp_path: Path) -> None:
    more = '[identity]\nvehicle = "fleet {serial}"'
    profile = profile_of(tmp_path, 'vehicle_serial = { format = "{Text.Plate:ascii}" }', DBC, more=more)
    assert vehicle_name("ZB-0042", profile) == "fleet ZB-0042"
    assert vehicle_name("42", profile) == "fleet 42"


@pytest.mark.parametrize(
    ("role", "said"),
    [
        ('pack_serial = { format = "plain" }', "is not like"),
        ('pack_serial = { format = "{Ident.Serial.x}" }', "is not like"),
        ('pack_serial = { format = "{Ident.Serial!r}" }', "has no signal Serial!r"),
        ('pack_serial = { format = "{Ident.Serial:99999d}" }', "is not like"),
        ('pack_serial = { format = "{Ident.Serial[9..2]}" }', "the lower one first"),
        ('pack_serial = { format = "{Ident.Major}{Text.Plate}" }', "must be of one message"),
        ('pack_serial = { format = "{Ident.Nobody}" }', "message Ident has no signal Nobody"),
        ('pack_serial = { format = "{0}" }', "is not like"),
        ('pack_current = { signal = "Ident.Serial", unit = "A", format = "{:d}" }', "a format is for serials"),
    ],
)
def test_a_format_that_cannot_be_is_refused(tmp_path: Path, role: str, said: str) -> None:
    with pytest.raises(Exception, match=said):
        profile_of(tmp_path, role, DBC)


@pytest.mark.parametrize(
    ("comment", "written"),
    [
        ("Firmware of the BMS: major times 256 plus minor.", "4.18"),  # 0x0412
        ("major * 256 + minor", "4.18"),
        ("Major x 256 + minor version", "4.18"),
        ("major in the high byte", "1042"),  # of how many bits is not said
        ("minor times 256 plus major", "1042"),
        ("", "1042"),
    ],
)
def test_a_version_is_written_as_the_comment_of_its_signal_says(tmp_path: Path, comment: str, written: str) -> None:
    dbc = DBC + f'\nCM_ SG_ 400 Build "{comment}";\nCM_ SG_ 400 Serial "major times 256 plus minor";\n'
    profile = profile_of(tmp_path, 'pack_firmware = "Ident.Build"\npack_serial = "Ident.Serial"', dbc)
    assert seen(profile, [Sent("Ident", IDENT, 0)]) == [("pack_firmware", written, 1), ("pack", str(0xAB12CD), 1)]
    own = profile_of(tmp_path / "own", 'pack_firmware = { signal = "Ident.Build", format = "{:X}" }', dbc)
    assert seen(own, [Sent("Ident", IDENT, 0)]) == [("pack_firmware", "412", 1)]  # the profile's word stands first
