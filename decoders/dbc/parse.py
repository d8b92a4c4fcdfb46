"""DBC text to layouts. Parsing is cantools'; judging what is sound, and saying where it is not, is ours."""

from __future__ import annotations

import importlib
import importlib.util
import logging
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

from herdbook.decoders.dbc.mend import sound_part
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.errors import NetworkError

FLOAT_LENGTHS = (16, 32, 64)
MAX_BITS = 64


Rates = tuple[int | None, int | None]
# Other descriptions of buses that cantools reads, with the encoding of their text, by suffix.
SUFFIXES = {
    ".dbc": ("dbc", "cp1252"),
    ".kcd": ("kcd", "utf-8"),
    ".sym": ("sym", "cp1252"),
    ".arxml": ("arxml", "utf-8"),
}
AS_DBC = SUFFIXES[".dbc"]


def text_of(data: bytes, encoding: str) -> str:
    """The text of a file. Tools write DBC files in the encoding of their country, and newer ones in UTF-8: what can be
    read as UTF-8 is hardly ever meant otherwise."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode(encoding, errors="replace")


def read_dbc(path: Path, lenient: bool = False) -> tuple[list[Message], list[str], Rates]:
    """Messages of one DBC file; what was left out or is doubtful, in words; the bus's bit rates where it tells them.

    Files that end in .arxml, .kcd or .sym are read as such.
    Strict (the default): any doubt about a signal's bits is a NetworkError that names file, message and signal.
    Lenient: statements that cannot be read are left out; a 29-bit identifier without its flag is taken as one; a
    message of 0 bytes is as long as its signals need; signals that do not fit their message, that have an impossible
    width or a factor of 0, or that repeat a name are left out; signals that overlap are kept, each decoded by its own
    declaration; all of it is noted, with its line.
    """
    database, text, notes = _parse(path, lenient)
    messages = []
    for raw in database.messages:
        if getattr(raw, "is_container", False):
            notes.append(f"{path.name}: message {raw.name}: a container of other messages, which are not looked into")
        length = _length(raw) if lenient else raw.length
        if length != raw.length:
            said = f"says 0 bytes but has signals, taken as {length} bytes"
            notes.append(f"{path.name}: {_line_of(text, raw.name, '')}message {raw.name} {said}")
        signals, faults = _sound_signals(raw, length)
        faults = [f"{_line_of(text, raw.name, fault)}{fault}" for fault in faults]
        if faults and not lenient:
            raise NetworkError(f"{path.name}: {'; '.join(faults)}. {LENIENTLY}", lenient_helps=True)
        notes += [f"{path.name}: {fault}" for fault in faults]
        messages.append(_message(raw, signals, path.name, length))
    return messages, notes, (_rate(database, "Baudrate"), _rate(database, "BaudrateCANFD"))


LENIENTLY = "Mend the file, or load it leniently (lenient=True), which leaves out what cannot be decoded."


def _rate(database: Any, attribute: str) -> int | None:
    """A bit rate that the file gives as an attribute of its own, or as that one's default. [bit/s]"""
    if database.dbc is None:
        rates = {getattr(bus, "baudrate" if attribute == "Baudrate" else "fd_baudrate", None) for bus in database.buses}
        found = rates.pop() if len(rates) == 1 else None
    else:
        given, known = database.dbc.attributes, database.dbc.attribute_definitions
        found = given[attribute].value if attribute in given else getattr(known.get(attribute), "default_value", None)
    return int(found) if isinstance(found, int | float) and 1000 <= found <= 20_000_000 else None


def _parse(path: Path, lenient: bool) -> tuple[Any, str, list[str]]:
    """cantools' own objects, the text, and what was left out; every way in which the text can be wrong becomes a
    NetworkError, which says that leniency helps only where it does."""
    kind, encoding = SUFFIXES.get(path.suffix.lower(), AS_DBC)
    load_string = _parser(kind)
    logging.getLogger("cantools").setLevel(logging.ERROR)
    try:
        text = text_of(path.read_bytes(), encoding).removeprefix("\ufeff")
    except OSError as e:
        raise NetworkError(f"{path}: cannot be read ({e.strerror}). Check path and permissions.") from None
    try:
        return load_string(text, strict=False), text, []
    except Exception as e:  # the parser raises many kinds, none of them documented
        said = (" ".join(str(e).split()) or type(e).__name__).rstrip(".")
    refused = f"{path.name}: not a {kind.upper()} file that can be read: {said}"
    if kind != "dbc":
        raise NetworkError(refused)
    try:
        sound, notes = sound_part(text, lambda some: load_string(some, strict=False))
        database = load_string(sound, strict=False)
    except Exception:
        raise NetworkError(refused) from None
    if not lenient:
        raise NetworkError(f"{refused}. {LENIENTLY}", lenient_helps=True)
    return database, text, [f"{path.name}, {note}" for note in notes]


def _line_of(text: str, message: str, fault: str) -> str:
    """ "line 12: " of a signal of a DBC's message, or of the message, or nothing."""
    block = re.search(rf"^[ \t]*BO_\s+\d+\s+{re.escape(message)}\s*:", text, re.MULTILINE)
    if not block:
        return ""
    at = block.start()
    if signal := re.match(r"message \S+, signal (\w+):", fault):
        found = re.compile(rf"^[ \t]*SG_\s+{signal[1]}\b", re.MULTILINE).search(text, at)
        at = found.start() if found else at
    return f"line {text[:at].count(chr(10)) + 1}: "


def load_parser() -> None:
    """What DBC files are parsed by, loaded before it is needed: this takes far longer than parsing a small one."""
    _parser("dbc")


def _parser(kind: str) -> Any:
    """cantools' function that parses the text of one kind of file.

    Importing the whole of cantools takes a second, because its command line tools import python-can, and that every
    log format it can find. The parser needs none of it: it is imported under a passing stand-in for the package,
    which leaves no trace for others.
    """
    stand_in = None
    if "cantools" not in sys.modules and (spec := importlib.util.find_spec("cantools")):
        stand_in = ModuleType("cantools")
        stand_in.__path__ = list(spec.submodule_search_locations or ())
        sys.modules["cantools"] = stand_in
    try:
        return importlib.import_module(f"cantools.database.can.formats.{kind}").load_string
    finally:
        if stand_in is not None and sys.modules.get("cantools") is stand_in:
            del sys.modules["cantools"]


def _sound_signals(raw: Any, length: int) -> tuple[list[Signal], list[str]]:
    """Signals of one message that can be decoded, and the faults found."""
    kept: list[Signal] = []
    faults: list[str] = []
    for one in raw.signals:
        signal = _signal(one)
        if fault := _fault(signal, 8 * length, {s.name for s in kept}):
            faults.append(f"message {raw.name}, signal {signal.name}: {fault}")
        else:
            kept.append(signal)
    faults += [f"message {raw.name}: signals {a} and {b} overlap" for a, b in _overlaps(kept, length)]
    return kept, faults


def _length(raw: Any) -> int:
    """Bytes of a message; as many as its signals need, up to eight, where the file says none."""
    if raw.length or not raw.signals:
        return int(raw.length)
    bits = max(_signal(one).end_bit for one in raw.signals)
    return (bits + 7) // 8 if bits <= 64 else 0


def _fault(signal: Signal, bits: int, names: set[str]) -> str:
    if signal.name in names:
        return "a second signal of that name"
    if signal.is_float and signal.length not in FLOAT_LENGTHS:
        return f"{signal.length} bits wide, but a float has 16, 32 or 64"
    if not 1 <= signal.length <= MAX_BITS:
        return f"{signal.length} bits wide, but 1 to {MAX_BITS} can be decoded"
    if signal.scale == 0:
        return "a factor of 0: every value of it would be the same"
    if signal.end_bit > bits:
        return f"needs {signal.end_bit} bits, but the message has {bits // 8} bytes ({bits} bits)"
    return ""


def _overlaps(signals: list[Signal], length: int) -> list[tuple[str, str]]:
    """Pairs that claim the same bit and can be present at the same time."""
    by_name = {s.name: s for s in signals}
    bits = [(s, bit_mask(s, length)) for s in signals]
    return [
        (a.name, b.name)
        for i, (a, mask_a) in enumerate(bits)
        for b, mask_b in bits[i + 1 :]
        if mask_a & mask_b and _together(a, b, by_name)
    ]


def bit_mask(signal: Signal, length: int) -> int:
    """Bits a signal occupies, as an integer whose most significant byte is the frame's first."""
    ones = (1 << signal.length) - 1
    if signal.big_endian:
        return ones << (8 * length - signal.end_bit)
    return int.from_bytes((ones << signal.start).to_bytes(length, "little"), "big")


def _together(a: Signal, b: Signal, by_name: dict[str, Signal]) -> bool:
    """False when a selector keeps the two apart."""
    wants = dict(_conditions(a, by_name))
    return all(wants.get(parent, when) & when for parent, when in _conditions(b, by_name))


def _conditions(signal: Signal, by_name: dict[str, Signal]) -> list[tuple[str, frozenset[int]]]:
    found: list[tuple[str, frozenset[int]]] = []
    while signal.parent is not None and len(found) < len(by_name):
        found.append((signal.parent, signal.when))
        if signal.parent not in by_name:
            break
        signal = by_name[signal.parent]
    return found


def _signal(raw: Any) -> Signal:
    states = {int(value): str(text) for value, text in (raw.choices or {}).items()}
    return Signal(
        name=raw.name,
        start=raw.start,
        length=raw.length,
        big_endian=raw.byte_order == "big_endian",
        signed=bool(raw.is_signed),
        is_float=bool(raw.conversion.is_float),
        scale=raw.conversion.scale,
        offset=raw.conversion.offset,
        unit=raw.unit or "",
        low=raw.minimum,
        high=raw.maximum,
        states=states,
        selector=bool(raw.is_multiplexer),
        parent=raw.multiplexer_signal,
        when=frozenset(raw.multiplexer_ids or ()) if raw.multiplexer_signal is not None else frozenset(),
        comment=raw.comment or "",
    )


def _message(raw: Any, signals: list[Signal], file: str, length: int) -> Message:
    attributes: dict[str, int | float | str] = {}
    if raw.dbc is not None:
        for name, definition in (raw.dbc.attribute_definitions or {}).items():
            if definition.kind == "BO_" and definition.default_value is not None:
                attributes[name] = definition.default_value
        for name, attribute in (raw.dbc.attributes or {}).items():
            attributes[name] = attribute.value
    return Message(
        name=raw.name,
        can_id=raw.frame_id,
        extended=bool(raw.is_extended_frame),
        length=length,
        signals=tuple(signals),
        cycle_ms=float(raw.cycle_time) if raw.cycle_time else None,
        j1939=raw.protocol == "j1939",
        sender=(raw.senders or [""])[0],
        comment=raw.comment or "",
        attributes=attributes,
        dbc=file,
    )
