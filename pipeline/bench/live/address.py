"""Where a bus is found, as a person types it: INTERFACE:CHANNEL, then options, as in "socketcan:can0,label=pack".

The interface is one of python-can's; options behind commas go to it as they are (fd=true, bitrate=500000,
state=PASSIVE), but for `label`, the name of the bus in the log.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from herdbook.pipeline.errors import SettingsError

Option = str | int | float | bool
LIKE = "Say it like socketcan:can0, or socketcan:can0,label=pack"
LABEL = re.compile(r"[^\s()#,=|]{1,64}")  # one word of a log's line
QUICK = 16  # characters of a label that the reader of logs takes in one piece
IN_PROCESS = "virtual"  # nobody outside the process sees it
WORDS = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}


@dataclass(frozen=True, slots=True)
class BusAddress:
    """interface, channel: python-can's. label: the bus in logs and in a profile's [[bus]] channel."""

    interface: str
    channel: str
    label: str
    options: dict[str, Option] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.interface}:{self.channel}"

    @property
    def harmless(self) -> bool:
        """True when no wire can be at the other end: a bus inside the process, of this computer's kernel or between
        programs over the network."""
        return self.interface in (IN_PROCESS, "udp_multicast") or (
            self.interface == "socketcan" and re.fullmatch(r"vx?can\d*", self.channel) is not None
        )


def bus_address(text: str) -> BusAddress:
    """Raises: SettingsError when the text is no address."""
    interface, colon, rest = text.partition(":")
    pieces = rest.split(",")
    channel = [piece for piece in pieces if "=" not in piece]
    given = [piece.split("=", 1) for piece in pieces if "=" in piece]
    options = {name.strip(): value.strip() for name, value in given}
    if not interface.strip() or not colon or not "".join(channel):
        raise SettingsError(f"--bus {text!r} names no interface and channel", do=LIKE)
    if not all(options) or not all(options.values()):
        raise SettingsError(f"--bus {text!r}: an option has no name or no value", do=LIKE)
    named = ",".join(channel)
    label = options.pop("label", _short_label(interface.strip(), named))
    if not LABEL.fullmatch(label):
        raise SettingsError(f"the label {label!r} is no single word", do="A label has up to 64 characters, no blank")
    return BusAddress(interface.strip(), named, label, {name: _typed(v) for name, v in options.items()})


def _short_label(interface: str, channel: str) -> str:
    """The channel where it can stand in a log's line and is read quickly there; else the interface's name."""
    word = re.sub(r"[\s()#,=|]", "_", channel)
    return word if len(word) <= QUICK and word.isascii() else interface


def bus_addresses(texts: list[str], common: dict[str, Option]) -> list[BusAddress]:
    """Several, each with the options common to all where it says nothing else. Raises: SettingsError for none, one
    twice, or two with one label."""
    found = [bus_address(text) for text in texts]
    if not found:
        raise SettingsError("no bus is named", do=LIKE)
    for what, names in (("bus", [str(a) for a in found]), ("label", [a.label.lower() for a in found])):
        if twice := sorted({name for name in names if names.count(name) > 1}):
            do = "Name each once; label=... behind a comma gives a bus another label"
            raise SettingsError(f"the {what} {twice[0]!r} is named twice", do=do)
    return [replace(a, options={**common, **a.options}) for a in found]


def _typed(text: str) -> Option:
    if text.lower() in WORDS:
        return WORDS[text.lower()]
    if re.fullmatch(r"-?\d+|0x[0-9a-fA-F]+", text):
        return int(text, 0) if text.startswith("0x") else int(text)
    return float(text) if re.fullmatch(r"-?\d+\.\d+", text) else text
