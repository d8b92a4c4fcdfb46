"""Measurement files: python-can is the writer and the reader that ours is held against. It writes one layout; files of
others are made by tests.decoders.mdf_made and tried in test_mf4."""

from __future__ import annotations

import re
from pathlib import Path

from tests.decoders.mdf_made import DATA, mixed_file, variable_file
from tests.decoders.peers import Seen, can, theirs
from tests.decoders.trial import Trial, shifted


def peer(path: Path) -> list[Seen]:
    """It adds the start of the file, which has no zone, to the stamps, as if it were local time."""
    with can.MF4Reader(path) as reader:
        return shifted(theirs(reader), round(reader._start_timestamp * 1e6))


def others(folder: Path) -> list[bytes]:
    path = folder / "other.mf4"
    made = [variable_file(path, DATA[:40], packed).read_bytes() for packed in (True, False)]
    return [*made, mixed_file(path).read_bytes()]


TRIAL = Trial(suffix="mf4", shape="linked", peer=peer, marks=re.compile(rb"##[A-Z]{2}"), others=others, slow=True)
