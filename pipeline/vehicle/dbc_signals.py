"""What the DBC files say about signals, beside their bits: words, senders, buses. Asked by the [roles] table."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.decoders import Message, Network, Signal

Name = tuple[str, str]  # message, signal
Units = dict[Name, str]  # unit as the DBC has it
_COMPARED = re.compile(r"([A-Za-z_][\w@']*)\.([A-Za-z_]\w*)\s*([=!]=)\s*([\"'])(.*?)\4")


@dataclass(frozen=True)
class DbcSignals:
    """messages: of all buses. buses: label and names of its messages."""

    messages: tuple[Message, ...]
    buses: tuple[tuple[str, frozenset[str]], ...] = ()

    @classmethod
    def of(cls, network: Network) -> DbcSignals:
        buses = tuple((label, frozenset(network.messages[i].name for i in some)) for label, some in network.buses)
        return cls(network.messages, buses)

    def signal(self, name: Name) -> Signal | None:
        """None for one that is not there."""
        found = (s for m in self.messages if m.name == name[0] for s in m.signals if s.name == name[1])
        return next(found, None)

    def words(self, name: Name) -> Mapping[int, str]:
        """Value table of a signal: word by raw number."""
        signal = self.signal(name)
        return {} if signal is None else signal.states

    def is_count(self, name: Name) -> bool:
        """True when its value is the raw number."""
        signal = self.signal(name)
        return signal is None or (not signal.is_float and signal.scale == 1 and signal.offset == 0)

    def is_big_endian(self, name: Name) -> bool:
        signal = self.signal(name)
        return signal is not None and signal.big_endian

    def is_j1939(self, message: str) -> bool:
        return any(m.j1939 for m in self.messages if m.name == message)

    def message(self, name: str, sender: str, channel: str) -> str:
        """The message of that name which the sender sends, or which is on the bus. Raises: ValueError.

        Two messages of one name on two buses are called Name and Name@bus: sender or channel tells them apart.
        """
        if not sender and not channel:
            return name
        alike = [m for m in self.messages if name in (m.name, m.name.split("@")[0])]
        names = {m.name for m in alike if not sender or m.sender == sender}
        if sender and alike and not names:
            senders = ", ".join(sorted({m.sender for m in alike}))
            raise ValueError(f"no message {name} is sent by {sender!r}; senders of such a message: {senders}")
        if channel:
            labels = [label for label, _ in self.buses if label]
            here = {n for label, some in self.buses if _answers(label, channel) for n in some}
            if labels and not names & here:
                raise ValueError(f"channel {channel!r} has no message {name}; the buses are {', '.join(labels)}")
            names = names & here if labels else names
        if len(names) > 1:
            raise ValueError(f"several messages fit {name}: {', '.join(sorted(names))}; name one of them")
        return names.pop() if names else name

    def row_channel(self, message: str, channel: str) -> str:
        """The channel if frames of the message can come on several buses, else ""."""
        return channel if len(self.buses) > 1 and sum(message in some for _, some in self.buses) > 1 else ""

    def words_as_numbers(self, text: str) -> str:
        """A formula in which words of value tables, as in Drv.State == "RUN", are their numbers. Raises: ValueError."""

        def number(found: re.Match[str]) -> str:
            message, signal, sign, _, word = found.groups()
            words = self.words((message, signal))
            numbers = [raw for raw, known in words.items() if known.strip().lower() == word.strip().lower()]
            if not numbers:
                known = ", ".join(repr(w) for w in words.values()) or "none"
                raise ValueError(f"{message}.{signal} has no word {word!r} in its DBC file; its words: {known}")
            return f"{message}.{signal} {sign} {numbers[0]}"

        return _COMPARED.sub(number, text)


def _answers(label: str, channel: str) -> bool:
    return channel.lower() in label.lower().split("|")
