"""Formats that python-can's plugins bring along. The plugin here is made up; its messages are the reference."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import pytest

from herdbook.decoders import UnknownLogError, open_log
from herdbook.decoders.formats import rest
from tests.decoders.peers import can, frames_in, theirs, unequal

MESSAGES = [
    can.Message(timestamp=1.7e9, arbitration_id=5, is_extended_id=False, data=b"\1\2", channel=0),
    can.Message(timestamp=1.7e9 + 0.001, arbitration_id=0x18FEEE00, data=bytes(8), channel="can1", is_rx=False),
    can.Message(
        timestamp=1.7e9 + 0.002,
        arbitration_id=6,
        is_extended_id=False,
        is_fd=True,
        bitrate_switch=True,
        error_state_indicator=True,
        data=bytes(range(64)),
        dlc=64,
        channel=1,
    ),
    can.Message(timestamp=1.7e9 + 0.003, arbitration_id=7, is_extended_id=False, is_remote_frame=True, dlc=4),
    can.Message(timestamp=1.7e9 + 0.004, is_error_frame=True, channel=0),
]


class Plugin:
    """A reader of files that end in .odd."""

    def __init__(self, path: Path) -> None:
        self.fails = b"fails" in path.read_bytes()

    def __iter__(self) -> Iterator[Any]:
        yield from MESSAGES
        if self.fails:
            raise RuntimeError("broken behind the fifth message")


@pytest.fixture(autouse=True)
def _plugin(monkeypatch: pytest.MonkeyPatch) -> None:
    entry = EntryPoint(name=".odd", value="tests.decoders.test_rest:Plugin", group=rest.GROUP)
    monkeypatch.setattr(rest, "_plugins", lambda: {".odd": entry})


def test_messages_of_a_plugin(tmp_path: Path) -> None:
    path = tmp_path / "made.odd"
    path.write_bytes(b"anything")
    log = open_log(path)
    assert unequal(frames_in(log), theirs(MESSAGES), channel=False) == []
    assert (log.format, log.clock, log.losses) == ("rest", "utc", [])


def test_a_plugin_that_fails_half_way_is_accounted_for(tmp_path: Path) -> None:
    path = tmp_path / "made.odd"
    path.write_bytes(b"fails")
    log = open_log(path)
    assert len(frames_in(log)) == 5
    (loss,) = log.losses
    assert "the plugin stopped: RuntimeError: broken behind" in loss.detail


def test_a_file_that_no_plugin_claims(tmp_path: Path) -> None:
    path = tmp_path / "made.other"
    path.write_bytes(b"anything")
    with pytest.raises(UnknownLogError, match=r"no python-can plugin claims '\.other'"):
        open_log(path)
