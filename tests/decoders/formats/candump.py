"""Candump logs: python-can is the writer and the reader that ours is held against."""

from tests.decoders.trial import Trial, python_cans

BEFORE = b"(1700000000.000000) can0 100#0102\n"
TRIAL = Trial(
    suffix="log",
    shape="text",
    peer=python_cans(),
    last_lines=(
        (BEFORE, b"(1700000000.001000) can0 100#0304", True),  # as long as the identifier's frames before it
        (BEFORE, b"(1700000000.001000) can0 100#03", False),
        (BEFORE, b"(1700000000.001000) can0 101#0304", False),  # nobody knows
        (BEFORE, b"(1700000000.001000) can0 101#0102030405060708", True),
        (BEFORE, b"(1700000000.001000) can0 101#R4", True),
        (BEFORE, b"(1700000000.001000) can0 101##1" + b"00" * 64, True),
        (BEFORE, b"(1700000000.001000) can0 101##1" + b"00" * 48, False),
    ),
)
