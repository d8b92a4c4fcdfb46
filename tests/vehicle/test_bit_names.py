"""What bits mean, out of comments as people write them into DBC files."""

from __future__ import annotations

import pytest

from herdbook.decoders import Network
from herdbook.pipeline.vehicle.bit_names import names_of_bits

DBC = """VERSION ""
NS_ :
BS_:
BU_: X
BO_ 256 Drive: 8 X
 SG_ Fault : 0|8@1+ (1,0) [0|0] "" X
CM_ SG_ 256 Fault "{comment}";
"""


@pytest.mark.parametrize(
    ("comment", "names"),
    [
        (
            "Bit 0 encoder, bit 1 over-current, bit 2 over-voltage.",
            {0: "encoder", 1: "over-current", 2: "over-voltage"},
        ),
        ("bit 0: over voltage; bit 1: under voltage", {0: "over voltage", 1: "under voltage"}),
        ("Bit 0 over-voltage, 1 under-voltage, 2 wire.", {0: "over-voltage", 1: "under-voltage", 2: "wire"}),
        ("Bits: 0 = hot, 1 = cold", {0: "hot", 1: "cold"}),
        ("bit 9: outside the word, bit 1: inside", {1: "inside"}),
        ("Fault word, 8 bit, 0 means none", {}),
        ("Set after 3 frames, 2 lost", {}),
        ("Mirrors bit 3 of the other word", {}),
        ("", {}),
    ],
)
def test_comments_name_bits(comment: str, names: dict[int, str], tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("bits") / "a.dbc"
    path.write_text(DBC.replace("{comment}", comment))
    (signal,) = Network.load(path).by_name["Drive"].signals
    assert names_of_bits(signal) == names
