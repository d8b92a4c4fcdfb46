"""Binary logs of the container kind: python-can is the writer and the reader that ours is held against."""

import re

from tests.decoders.trial import Trial, python_cans

TRIAL = Trial(
    suffix="blf",
    shape="stream",
    peer=python_cans(first_channel=1),  # it counts channels one lower than the file
    plain={"compression_level": 0},
    marks=re.compile(rb"LOBJ|LOGG"),
    pieces={"herdbook.decoders.formats.blf.BATCH_BYTES": (1, 200, 1 << 20)},
)
