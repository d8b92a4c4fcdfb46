"""Checksums and alive counters of messages: how a DBC declares them, computed for all frames at once.

Tables are built from the polynomials; check values: 0x4B (SAE J1850) and 0xDF (AUTOSAR H2F) for "123456789".
Source: AUTOSAR specifications of the CRC routines and of end-to-end protection, profiles 1 and 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from herdbook.decoders.arrays import U64, Bool, Bytes
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.decoding.extract import Words, raw_bits
from herdbook.decoders.errors import NetworkError

Form = Literal["none", "counter", "sae_j1850", "e2e_p1", "e2e_p2"]
Mode = Literal["both", "alternate", "low", "nibble"]
FORMS: tuple[Form, ...] = ("none", "counter", "sae_j1850", "e2e_p1", "e2e_p2")
MODES: tuple[Mode, ...] = ("both", "alternate", "low", "nibble")
Choice = TypeVar("Choice", bound=str)


def crc_table(polynomial: int) -> Bytes:
    """256 entries of an 8-bit CRC, most significant bit first."""
    table = np.arange(256)
    for _ in range(8):
        table = (table << 1 ^ np.where(table & 0x80, polynomial, 0)) & 0xFF
    return table.astype(np.uint8)


J1850, H2F = crc_table(0x1D), crc_table(0x2F)


def crc8(data: Bytes, table: Bytes, start: int = 0xFF, final: int = 0xFF) -> Bytes:
    """CRC of each row; data uint8 (frames, bytes), result uint8 (frames,)."""
    return crc8_columns(list(data.T), len(data), table, start, final)


def crc8_columns(columns: list[Bytes], n: int, table: Bytes, start: int = 0xFF, final: int = 0xFF) -> Bytes:
    """As crc8, of bytes given column by column, each uint8 (n,) or (1,) where it is the same for all."""
    crc = np.full(n, start, np.uint8)
    for column in columns:
        crc = table.take(crc ^ column)
    return crc ^ np.uint8(final)


@dataclass(frozen=True, slots=True)
class Protection:
    """What guards one message. counter_values: how many values the counter takes before it is 0 again."""

    form: Form
    counter: Signal | None = None
    checksum: Signal | None = None
    data_id: int = 0
    data_ids: tuple[int, ...] = ()
    mode: Mode = "both"
    nibble: Signal | None = None  # mode "nibble": carries the low four bits of the data ID's high byte

    @property
    def counter_values(self) -> int:
        if self.form == "e2e_p1":
            return 15
        return 16 if self.form == "e2e_p2" else 1 << (self.counter.length if self.counter else 0)


def protection_of(message: Message) -> Protection | None:
    """The protection a DBC declares (attributes: see herdbook.decoders.integrity.checks), None without one.

    Raises: NetworkError for a declaration that cannot be followed, naming message and attribute.
    """
    said = message.attributes
    form = _one_of(message, "E2EForm", FORMS)
    if form == "none":
        return None
    counter, checksum, nibble = (
        _named(message, a, str(said.get(a, ""))) for a in ("E2ECounter", "E2EChecksum", "E2EDataIDNibble")
    )
    if form == "counter" and counter is None:
        raise _missing(message, "E2ECounter")
    if form != "counter" and checksum is None:
        raise _missing(message, "E2EChecksum")
    if checksum and (checksum.length != 8 or checksum.first_bit % 8):
        raise NetworkError(
            f"{message.dbc}: message {message.name}, signal {checksum.name}: a checksum is one whole byte."
        )
    try:
        ids = tuple(bytes.fromhex(str(said.get("E2EDataIDList", ""))))
        data_id = int(said.get("E2EDataID", 0))
    except ValueError:
        raise NetworkError(
            f"{message.dbc}: message {message.name}: E2EDataID is a number, E2EDataIDList is 16 bytes in hexadecimal."
        ) from None
    if form == "e2e_p2" and (len(ids) != 16 or counter is None):
        raise _missing(message, "E2EDataIDList (16 bytes in hexadecimal) or E2ECounter")
    mode = _one_of(message, "E2EDataIDMode", MODES)
    if form == "e2e_p1" and ((mode == "alternate" and counter is None) or (mode == "nibble" and nibble is None)):
        raise _missing(message, "E2ECounter" if counter is None and mode == "alternate" else "E2EDataIDNibble")
    return Protection(
        form=form,
        counter=counter,
        checksum=checksum,
        data_id=data_id,
        data_ids=ids,
        mode=mode,
        nibble=nibble if mode == "nibble" else None,
    )


def expected_checksum(protection: Protection, payload: Bytes, length: int) -> Bytes:
    """The checksum each row should carry, uint8 (frames,).

    payload: uint8 (frames, width); length: bytes of the message. All but the checksum byte count, in order.
    """
    assert protection.checksum is not None
    own, n = protection.checksum.first_bit // 8, len(payload)
    data = [payload[:, i] for i in range(length) if i != own]
    if protection.form == "sae_j1850":
        return crc8_columns(data, n, J1850)
    count = counter_of(protection, payload)
    if protection.form == "e2e_p2":
        ids = np.array(protection.data_ids, np.uint8)[(count & np.uint64(15)).astype(np.intp)]
        return crc8_columns([*data, ids], n, H2F)
    low, high = (np.array([byte], np.uint8) for byte in (protection.data_id & 0xFF, protection.data_id >> 8 & 0xFF))
    head: dict[Mode, list[Bytes]] = {"both": [low, high], "low": [low], "nibble": [low, np.zeros(1, np.uint8)]}
    ahead = head.get(protection.mode) or [np.where(count & np.uint64(1), high, low)]
    return crc8_columns([*ahead, *data], n, J1850, start=0, final=0)


def wrong(protection: Protection, payload: Bytes, length: int) -> Bool:
    """Where a row's checksum, or the part of the data ID that it carries, is not what it should be; bool (frames,)."""
    assert protection.checksum is not None
    words = Words(payload)
    bad = raw_bits(words, protection.checksum) != expected_checksum(protection, payload, length)
    if protection.nibble is not None:
        bad |= raw_bits(words, protection.nibble) != np.uint64(protection.data_id >> 8 & 0xF)
    return np.asarray(bad)


def counter_of(protection: Protection, payload: Bytes) -> U64:
    """Counter value of each row; zeros when the message has no counter."""
    if protection.counter is None:
        return np.zeros(len(payload), np.uint64)
    return raw_bits(Words(payload), protection.counter)


def _one_of(message: Message, attribute: str, choices: tuple[Choice, ...]) -> Choice:
    """An enumerated attribute, written as its place or as its word; the first choice when it is not there."""
    said = message.attributes.get(attribute, choices[0])
    if isinstance(said, int | float):
        said = choices[int(said)] if 0 <= said < len(choices) else str(said)
    for choice in choices:
        if said == choice:
            return choice
    raise NetworkError(
        f"{message.dbc}: message {message.name}: {attribute} {said!r} is not one of {', '.join(choices)}."
    )


def _named(message: Message, attribute: str, signal: str) -> Signal | None:
    if not signal:
        return None
    try:
        return message.signal(signal)
    except KeyError:
        raise NetworkError(
            f"{message.dbc}: message {message.name}: {attribute} names {signal!r}, which the message does not have."
        ) from None


def _missing(message: Message, attribute: str) -> NetworkError:
    return NetworkError(f"{message.dbc}: message {message.name}: its E2EForm also needs {attribute}.")
