"""What readers write into: rows of one block to be, and the bus labels of one log."""

from __future__ import annotations

import numpy as np

from herdbook.decoders.arrays import I64, U16, U64, Bool, Bytes
from herdbook.decoders.frames import Frames, widened
from herdbook.decoders.text.fields import KEEP_FIRST

MAX_LABELS = 255
OTHER = "other"
FD_LENGTHS = np.array([*range(9), 12, 16, 20, 24, 32, 48, 64], np.uint8)  # by data length code


class Labels:
    """Bus labels in order of appearance; past MAX_LABELS all further ones share one number, under OTHER."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self._numbers: dict[bytes, int] = {}

    def number(self, label: bytes) -> int:
        if label not in self._numbers:
            if len(self.names) < MAX_LABELS:
                self.names.append(label.decode("utf-8", "replace"))
            else:
                self.names.append(OTHER) if len(self.names) == MAX_LABELS else None
                return MAX_LABELS
            self._numbers[label] = len(self.names) - 1
        return self._numbers[label]

    def known(self) -> list[bytes]:
        """The labels that have a number of their own, in order."""
        return list(self._numbers)

    def of_numbers(self, numbers: U16) -> Bytes:
        """Numbers of labels that are themselves numbers, shape (n,)."""
        out = np.zeros(len(numbers), np.uint8)
        for value in np.unique(numbers).tolist() if len(numbers) else []:
            out[numbers == value] = self.number(str(value).encode())
        return out

    def of_words(self, low: U64, high: U64, good: Bool) -> Bytes:
        """Numbers of labels up to 16 bytes long, given as two words with zeros behind the label, shape (n,).

        Rows that are not good get 0 and name no label.
        """
        out = np.zeros(len(low), np.uint8)
        left = np.flatnonzero(good)
        while len(left):
            a, b = low[left[0]], high[left[0]]
            same = (low[left] == a) & (high[left] == b)
            number = self.number((a.tobytes() + b.tobytes()).rstrip(b"\0"))
            if same.all():
                out[left] = number
                break
            out[left[same]] = number
            left = left[~same]
        return out


class Rows:
    """Column arrays for n frames, all zero at first; a reader fills them by position."""

    def __init__(self, n: int, width: int = 8) -> None:
        self.t = np.zeros(n, np.int64)
        self.channel = np.zeros(n, np.uint8)
        self.can_id = np.zeros(n, np.uint32)
        self.flags = np.zeros(n, np.uint8)
        self.length = np.zeros(n, np.uint8)
        self.payload = np.zeros((n, width), np.uint8)

    def words(self) -> U64:
        """The payload as little-endian words, shape (n, width / 8), to write into."""
        return self.payload.view("<u8")

    def widen(self) -> None:
        """Room for CAN FD."""
        self.payload = widened(self.payload, 64)

    def fill(self, data: Bytes) -> None:
        """Payloads from data, uint8 (n, any width), as far as each frame's length goes."""
        words = self.words()
        for k in range(min(words.shape[1], (data.shape[1] + 7) // 8)):
            eight = data[:, 8 * k : 8 * k + 8]
            eight = np.ascontiguousarray(eight if eight.shape[1] == 8 else widened(eight, 8))
            words[:, k] = eight.view("<u8")[:, 0] & KEEP_FIRST[np.clip(self.length.astype(np.int8) - 8 * k, 0, 8)]

    def replace(self, where: I64, other: Rows, which: Bool) -> None:
        """Put some rows of another set in place of rows of this one."""
        if other.payload.shape[1] > self.payload.shape[1]:
            self.widen()
        self.t[where], self.channel[where] = other.t[which], other.channel[which]
        self.can_id[where], self.flags[where] = other.can_id[which], other.flags[which]
        self.length[where] = other.length[which]
        self.payload[where] = widened(other.payload, self.payload.shape[1])[which]

    def put(self, i: int, t: int, channel: int, can_id: int, flags: int, length: int, payload: bytes) -> None:
        """One frame at row i; whatever stood there is replaced."""
        if len(payload) > 8:
            self.widen()
        self.t[i], self.channel[i], self.can_id[i] = t, channel, can_id
        self.flags[i], self.length[i] = flags, length
        self.payload[i] = 0
        self.payload[i, : len(payload)] = np.frombuffer(payload, np.uint8)

    def first(self, n: int) -> Rows:
        """The first n rows."""
        some = Rows(0)
        some.t, some.channel, some.can_id = self.t[:n], self.channel[:n], self.can_id[:n]
        some.flags, some.length, some.payload = self.flags[:n], self.length[:n], self.payload[:n]
        return some

    def frames(self, labels: Labels, keep: Bool | None = None) -> Frames:
        """The rows, or those to keep, as Frames."""
        if self.payload.shape[1] == 8 and int(self.length.max(initial=0)) > 8:
            self.widen()  # a remote frame asks for more than it carries
        some = slice(None) if keep is None else keep
        return Frames(
            t=self.t[some],
            channel=self.channel[some],
            can_id=self.can_id[some],
            flags=self.flags[some],
            length=self.length[some],
            payload=self.payload[some],
            channels=tuple(labels.names),
        )
