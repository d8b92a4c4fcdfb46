"""Frames of all kinds in .trc logs, which python-can reads but does not write: lines made here, its
reader is the reference."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from herdbook.decoders.reading.rows import FD_LENGTHS
from tests.decoders.peers import can, ours, theirs, unequal

HEAD = {
    "1.1": ";$FILEVERSION=1.1\n;$STARTTIME=44548.5\n",
    "1.3": ";$FILEVERSION=1.3\n;$STARTTIME=44548.5\n",
    "2.0": ";$FILEVERSION=2.0\n;$STARTTIME=44548.5\n;$COLUMNS=N,O,T,I,d,l,D\n",
    "2.1": ";$FILEVERSION=2.1\n;$STARTTIME=44548.5\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n",
}


@st.composite
def line(draw: st.DrawFn, version: str, number: int) -> str:
    """One frame: data, remote or of CAN FD with any of its bits, 11 or 29 bits, sent or received, on channel 1 to 3."""
    fd = version.startswith("2") and draw(st.booleans())
    remote = not fd and draw(st.integers(0, 4)) == 0
    kind = draw(st.sampled_from(("FD", "FB", "FE", "BI"))) if fd else "RR" if remote else "DT"
    code = draw(st.integers(0, 15 if fd else 8))
    held = int(FD_LENGTHS[code])
    data = " ".join(f"{b:02X}" for b in draw(st.binary(min_size=held, max_size=held)))
    data = "RTR" if remote and version.startswith("1") else "" if remote else data
    extended = draw(st.booleans())
    ident = f"{draw(st.integers(0, 0x1FFFFFFF)):08X}" if extended else f"{draw(st.integers(0, 0x7FF)):04X}"
    way, bus, t = draw(st.sampled_from(("Rx", "Tx"))), draw(st.integers(1, 3)), f"{number * 1.7:.3f}"
    return {
        "1.1": f"{number:6}) {t:>10} {way} {ident} {code} {data}",
        "1.3": f"{number:6}) {t:>10} {bus} {way} {ident} - {code} {data}",
        "2.0": f"{number:6} {t:>10} {kind} {ident} {way} {held} {data}",
        "2.1": f"{number:6} {t:>10} {kind} {bus} {ident} {way} - {code} {data}",
    }[version].rstrip()


@pytest.mark.parametrize("version", sorted(HEAD))
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_kind_of_frame(tmp_path_factory: pytest.TempPathFactory, version: str, data: st.DataObject) -> None:
    lines = [data.draw(line(version, i + 1)) for i in range(data.draw(st.integers(1, 20)))]
    path = tmp_path_factory.mktemp("trc") / "made.trc"
    path.write_text(HEAD[version] + "\n".join(lines) + "\n")
    with can.TRCReader(path) as reader:
        expected = theirs(reader)
        start = round(reader._start_time * 1e6)
    assert unequal(ours(path), expected, channel=version in ("1.3", "2.1"), shift_us=start) == []
