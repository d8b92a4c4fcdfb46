"""Text logs of the .asc kind: python-can is the writer and the reader that ours is held against."""

from tests.decoders.trial import Trial, python_cans

HEX = b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n"
DEC = b"base dec  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n"
TRIAL = Trial(
    suffix="asc",
    shape="text",
    peer=python_cans(first_channel=1),  # it counts channels one lower than the file
    last_lines=(
        (HEX, b"   0.2 1  64 Rx   d 2 64 00", True),
        (HEX, b"   0.2 1  64 Rx   d 2 64 0", False),
        (DEC, b"   0.2 1  64 Rx   d 2 64 10", False),
        (HEX, b"   0.2 1  ErrorFrame", True),
        (HEX, b"   0.2 1  64 Rx   r 8", True),
        (HEX, b"   0.2 C", False),
    ),
)
