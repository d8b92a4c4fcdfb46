"""Whatever else python-can can read: formats that its plugins bring along, chosen by suffix, one frame at a time.

Source: python-can, entry points of the group can.io.message_reader.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from herdbook.decoders.errors import UnknownLogError
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.reading.source import Source

GROUP = "can.io.message_reader"
BATCH = 20_000
BITS = (
    ("is_extended_id", EXTENDED),
    ("is_fd", FD),
    ("bitrate_switch", BRS),
    ("error_state_indicator", ESI),
    ("is_remote_frame", REMOTE),
    ("is_error_frame", ERROR),
)


@cache
def _plugins() -> dict[str, Any]:
    from importlib.metadata import entry_points

    return {entry.name: entry for entry in entry_points(group=GROUP)}


def read(source: Source, account: Account) -> Iterator[Frames]:
    path = source.on_disk()
    plugin = _plugins().get(path.suffix.lower())
    if plugin is None:
        raise UnknownLogError(
            f"{source.path.name}: no reader of ours recognises the content, and no python-can "
            f"plugin claims {path.suffix!r}."
        )
    labels, rows, n = Labels(), Rows(BATCH), 0
    messages = iter(plugin.load()(path))
    while (message := _next(messages, source, account)) is not None:
        _put(rows, n, message, labels)
        n += 1
        if n == BATCH:
            yield _told(rows.frames(labels), account)
            rows, n = Rows(BATCH), 0
    yield _told(rows.first(n).frames(labels), account)


def _told(frames: Frames, account: Account) -> Frames:
    account.tell_clock(frames)
    return frames


def _next(messages: Iterator[Any], source: Source, account: Account) -> Any:
    """The next message; None at the end, and where the plugin fails, which is accounted for."""
    try:
        return next(messages, None)
    except Exception as e:
        account.lose("record", 0, source.size, f"the plugin stopped: {type(e).__name__}: {e}")
        return None


def _put(rows: Rows, i: int, message: Any, labels: Labels) -> None:
    flags = sum(flag for name, flag in BITS if getattr(message, name)) | (0 if message.is_rx else TX)
    data = b"" if message.is_remote_frame else bytes(message.data)[:64]
    length = min(int(message.dlc), 8) if message.is_remote_frame else len(data)
    rows.put(
        i=i,
        t=round(message.timestamp * 1e6),
        channel=labels.number(str(message.channel).encode()),
        can_id=int(message.arbitration_id) & 0x1FFF_FFFF,
        flags=flags,
        length=length,
        payload=data,
    )


READER = Reader(name="rest", looks=lambda head: bool(_plugins()), read=read, rest=True)
