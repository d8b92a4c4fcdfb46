"""How a log format is tried. Each format of decoders/formats has one file of its name in tests/decoders/formats that
holds a TRIAL; the tests of readers, of broken logs and the fuzz run take every format from there.

A trial brings a writer and a reader that share no code with ours: those of python-can where it knows the format, else
some lines of plain Python, as slow as they like.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

import pytest

from tests.decoders.peers import Seen, can, theirs

HERE = Path(__file__).parent / "formats"
Kind = Literal["data", "fd", "remote", "error"]
ALL_KINDS: tuple[Kind, ...] = ("data", "fd", "remote", "error")


def by_python_can(path: Path, messages: list[Any], **options: Any) -> Path:
    """Write with python-can's own writer, chosen by the suffix."""
    logging.getLogger("can").setLevel(logging.CRITICAL)
    with can.Logger(str(path), **options) as writer:
        for message in messages:
            writer.on_message_received(message)
    return path


def python_cans(first_channel: int = 0) -> Callable[[Path], list[Seen]]:
    """A peer that reads with python-can; numbered channels count from first_channel."""

    def read(path: Path) -> list[Seen]:
        with can.LogReader(path) as reader:
            return theirs(reader, first_channel)

    return read


def shifted(seen: list[Seen], us: int) -> list[Seen]:
    """The same frames, their times counted from another moment."""
    return [(frame[0] - us, *frame[1:]) for frame in seen]


@dataclass(frozen=True)
class Trial:
    """What the tests need to know of one format.

    suffix: of its files, without the dot.
    shape: "text" lines; "stream" blocks one behind the other; "linked" blocks that lead to places in the file, so that
        of a file in which something moved most is lost.
    write: python-can messages to a file; an independent writer. Options are those of `plain`.
    peer: frames of a file as tests.decoders.peers.Seen, as an independent reader gives them; stamps count from where
        ours do, channels have the names ours have.
    holds: frames that the format can hold and its writer writes.
    channels: whether it keeps the channel.
    plain: options of the writer for a log that packs nothing.
    marks: how blocks of a format that is no text begin; None: every 4096 bytes.
    frame_line: how the line of a frame begins in a text.
    last_lines: of a text: what stands before, a last line without a line end, whether nothing can be missing of it.
    pieces: sizes in which our reader works, by the name of the constant, and small ones to try.
    others: further sound logs for the fuzz run, of layouts that the writer does not make; takes a folder.
    slow: writing takes so long that fewer examples are drawn.
    """

    suffix: str
    shape: Literal["text", "stream", "linked"]
    peer: Callable[[Path], list[Seen]]
    write: Callable[..., Path] = by_python_can
    holds: tuple[Kind, ...] = ALL_KINDS
    channels: bool = True
    plain: dict[str, Any] = field(default_factory=dict)
    marks: re.Pattern[bytes] | None = None
    frame_line: re.Pattern[bytes] = re.compile(rb"[\d(]")
    last_lines: tuple[tuple[bytes, bytes, bool], ...] = ()
    pieces: dict[str, tuple[int, ...]] = field(default_factory=dict)
    others: Callable[[Path], list[bytes]] = lambda folder: []
    slow: bool = False


@cache
def all_trials() -> dict[str, Trial]:
    """Every trial by its file's name, which is that of the format; in the order of their suffixes."""
    names = [path.stem for path in HERE.glob("*.py")]
    found = {name: import_module(f"tests.decoders.formats.{name}").TRIAL for name in names}
    return dict(sorted(found.items(), key=lambda item: item[1].suffix))


def trials(shape: str = "") -> list[Any]:
    """Parameters for pytest, each named by its suffix: all trials, or those of one shape."""
    return [pytest.param(t, id=t.suffix) for t in all_trials().values() if shape in ("", t.shape)]


def trial_of(path: Path) -> Trial:
    """The trial of a log by its name, packed or not."""
    suffix = (path.suffixes[-2] if path.suffix == ".gz" else path.suffix).removeprefix(".")
    return next(t for t in all_trials().values() if t.suffix == suffix)
