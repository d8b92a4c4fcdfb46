"""Text logs of the .trc kind: python-can is the reader that ours is held against. Its writer writes plain data only;
the other kinds of frames are tried in test_trc_kinds."""

from __future__ import annotations

from pathlib import Path

from tests.decoders.peers import Seen, can, theirs
from tests.decoders.trial import Trial, shifted

HEAD = b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n1 0.1 DT 1 0100 Rx - 1 00\n"


def peer(path: Path) -> list[Seen]:
    """It adds the start of the file to the stamps."""
    with can.TRCReader(path) as reader:
        found = theirs(reader)
        return shifted(found, round(reader._start_time * 1e6))


TRIAL = Trial(
    suffix="trc",
    shape="text",
    peer=peer,
    holds=("data",),
    last_lines=((HEAD, b"2 0.2 DT 1 0100 Rx - 2 00 01", True), (HEAD, b"2 0.2 DT 1 0100 Rx - 2 00 0", False)),
)
