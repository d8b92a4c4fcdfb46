"""Messages of 9 to 1785 bytes that J1939 sends in pieces, put together again: for all sessions of a batch at once.

    18ECFF21  20 27 00 06 FF E3 FE 00    opens a session: 32 to everybody (BAM) or 16 to one address (RTS); total bytes
                                         u16, packets, 255 or the most at once, parameter group u24
    1CEBFF21  01 .. .. .. .. .. .. ..    a packet: its number from 1 on, seven bytes
A session belongs to a channel, sender and receiver, and ends where the same three open the next one. Packets may come
again; answers of the receiver say nothing that is needed. A session lacking a packet is counted, and gives nothing.
The message has the time of the session's last packet.
Source: SAE J1939-21, transport protocol, from memory; checked against sessions of the library can-j1939.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from herdbook.decoders.arrays import I64, U16, U32, Bool, Bytes
from herdbook.decoders.dbc.j1939 import OPENS, PACKET, is_transport
from herdbook.decoders.frames import Frames, join_frames, part

REQUEST, BROADCAST = 16, 32
LEAST, MOST = 9, 1785  # bytes of a message
WAIT_US = 2_500_000  # past the longest pause that the standard allows within a session, twice over
MOST_HELD = 200_000  # packets of unfinished sessions
SEVEN = 7


@dataclass(frozen=True, slots=True)
class Carried:
    """Whole messages in order of time: t, channel, payload uint8 (n, width) zero past length uint16, and the identifier
    that a frame of the message would have had, with the sender as source."""

    t: I64
    channel: Bytes
    can_id: U32
    length: U16
    payload: Bytes
    channels: tuple[str, ...]


class Transport:
    """add() every batch in order, then close(). broken: sessions that lack packets, by parameter group; None: packets
    whose session was opened before the log began."""

    def __init__(self) -> None:
        self.broken: Counter[int | None] = Counter()
        self._held: Frames | None = None

    def add(self, frames: Frames) -> Carried | None:
        """Messages that this batch completes; None without any."""
        rows = np.flatnonzero(is_transport(frames))
        if not len(rows) and self._held is None:
            return None
        pieces = [part(frames, rows)] if len(rows) else []
        now = int(frames.t.max()) if len(frames) else 0
        joined = join_frames(([self._held] if self._held is not None else []) + pieces)
        return self._take(joined, now)

    def close(self) -> None:
        """Count what is still unfinished as broken."""
        if self._held is not None:
            self._take(self._held, 2**62)

    def _take(self, frames: Frames, now: int) -> Carried | None:
        self._held = None
        form = (frames.can_id >> np.uint32(16)).astype(np.uint8)
        control = frames.payload[:, 0]
        opens = (form == OPENS) & ((control == REQUEST) | (control == BROADCAST))
        kept = np.flatnonzero(opens | (form == PACKET))
        if not len(kept):
            return None
        between = frames.channel[kept].astype(np.int64) << 16 | (frames.can_id[kept] & 0xFFFF)
        order = np.argsort(between, kind="stable")
        rows, between = kept[order], between[order]
        begins = opens[rows].copy()
        begins[0] = True
        begins[1:] |= between[1:] != between[:-1]
        first = np.flatnonzero(begins)
        sessions = _Sessions(frames, rows, first, opens[rows])
        last_of_its = np.append(between[first[1:]] != between[first[1:] - 1], True)
        waiting = sessions.sound & ~sessions.complete & last_of_its & (now - sessions.t < WAIT_US)
        if int(sessions.size[waiting].sum()) > MOST_HELD:
            waiting[:] = False
        for group in sessions.group[~sessions.complete & ~waiting].tolist():
            self.broken[group if group >= 0 else None] += 1
        if waiting.any():
            self._held = part(frames, np.sort(rows[waiting[sessions.of_row]]))
        return sessions.carried() if sessions.complete.any() else None


class _Sessions:
    """Sessions of rows that are sorted by their three and by time; arrays (sessions,) unless said otherwise."""

    def __init__(self, frames: Frames, rows: I64, first: I64, opens: Bool) -> None:
        self.frames, head = frames, rows[first]
        self.size = np.diff(first, append=len(rows))
        self.of_row = np.repeat(np.arange(len(first)), self.size)
        self.head, self.t = head, frames.t[rows[first + self.size - 1]]
        payload = frames.payload[head].astype(np.int64)
        opened = opens[first]
        self.total = payload[:, 1] | payload[:, 2] << 8
        self.packets = payload[:, 3]
        self.group = np.where(opened, payload[:, 5] | payload[:, 6] << 8 | payload[:, 7] << 16, -1)
        self.sound = opened & (self.total >= LEAST) & (self.total <= MOST)
        self.sound &= self.packets == (self.total + SEVEN - 1) // SEVEN
        room = np.where(self.sound, self.packets, 0)
        self.place = np.cumsum(room) - room  # of a session's first packet in data
        number = frames.payload[rows, 0].astype(np.int64)
        use = ~opens & self.sound[self.of_row] & (number >= 1) & (number <= self.packets[self.of_row])
        at = self.place[self.of_row[use]] + number[use] - 1
        self.data = np.zeros((int(room.sum()), SEVEN), np.uint8)
        self.data[at] = frames.payload[rows[use], 1:8]
        there = np.zeros(len(self.data) + 1, np.int64)
        there[at + 1] = 1
        there = np.cumsum(there)
        self.complete = self.sound & (there[self.place + room] - there[self.place] == self.packets)

    def carried(self) -> Carried:
        some = np.flatnonzero(self.complete)
        some = some[np.argsort(self.t[some], kind="stable")]
        total, group = self.total[some], self.group[some]
        payload = np.zeros((len(some), max(64, (int(total.max()) + 7) // 8 * 8)), np.uint8)
        for packets in np.unique(self.packets[some]).tolist():
            alike = np.flatnonzero(self.packets[some] == packets)
            pieces = self.data[self.place[some[alike]][:, None] + np.arange(packets)].reshape(len(alike), -1)
            width = min(pieces.shape[1], payload.shape[1])
            payload[alike, :width] = pieces[:, :width]
        payload[np.arange(payload.shape[1]) >= total[:, None]] = 0
        sender = self.frames.can_id[self.head[some]]
        to_one = (group >> 8 & 0xFF) < 0xF0
        can_id = 6 << 26 | (group & 0x3FFFF) << 8 | np.where(to_one, sender & 0xFF00, 0) | (sender & 0xFF)
        return Carried(
            t=self.t[some],
            channel=self.frames.channel[self.head[some]],
            can_id=can_id.astype(np.uint32),
            length=total.astype(np.uint16),
            payload=payload,
            channels=self.frames.channels,
        )
