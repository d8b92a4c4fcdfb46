"""Database logs: python-can is the writer and the reader that ours is held against."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

from tests.decoders.peers import can
from tests.decoders.trial import Trial, python_cans


def write(path: Path, messages: list[Any]) -> Path:
    """The writer works in a thread and is given time to finish."""
    logging.getLogger("can").setLevel(logging.CRITICAL)
    with can.Logger(str(path)) as writer:
        for message in messages:
            writer.on_message_received(message)
        while writer.buffer.qsize():  # type: ignore[attr-defined]
            pass
    return path


TRIAL = Trial(
    suffix="db",
    shape="linked",
    peer=python_cans(),
    write=write,
    holds=("data", "remote", "error"),
    channels=False,
    slow=True,
)
