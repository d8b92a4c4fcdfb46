"""Mapping: where one item of one role comes from: what an entry of a [roles] table becomes (role_table.py)."""

from __future__ import annotations

from dataclasses import dataclass, field

from herdbook.pipeline.vehicle.fault_codes import Codes, words_of_codes
from herdbook.pipeline.vehicle.formula import Formula, Name
from herdbook.pipeline.vehicle.text_form import TextForm

Item = int | str


@dataclass(frozen=True, slots=True)
class Mapping:
    """One (role, item) to one signal: value = raw * scale + offset in the role's unit, or states by raw.

    With a formula, raw is what it gives; message and signal are the first it reads.
    """

    role: str
    item: Item
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    states: dict[int, int] = field(default_factory=dict)  # raw value -> index into Role.states
    not_available: tuple[float, ...] = ()  # values in DBC units that mean "no value"
    bit: int | None = None  # the value is this bit of an integer signal
    width: int = 1  # or so many bits from there on
    formula: Formula | None = None
    when: tuple[str, int] | None = None  # only frames in which this signal of the message has this value
    source: int | None = None  # only frames of this J1939 source address
    channel: str = ""  # only frames of buses with this label
    bit_names: tuple[tuple[int, str], ...] = ()  # what the bits of a fault word mean, where the files say
    codes: Codes = ()  # fault codes by number, with the bit of each (fault_codes.py)
    form: TextForm | None = None  # how a serial or version is written; its digits where there is none

    @property
    def reads(self) -> tuple[Name, ...]:
        """All signals its value is made of."""
        made_of = self.formula or self.form
        return made_of.signals if made_of else ((self.message, self.signal),)

    @property
    def bit_words(self) -> dict[int, str]:
        """Of a fault word, by bit: what it means, "code 17 (over voltage)" where the signal says codes."""
        return words_of_codes(self.codes, dict(self.bit_names)) if self.codes else dict(self.bit_names)

    @property
    def plain(self) -> bool:
        """One signal, all its frames."""
        return self.formula is None and self.when is None and self.source is None and not self.channel

    @property
    def words(self) -> str:
        """Where it comes from, as a person reads it."""
        return self.formula.text if self.formula else f"{self.message}.{self.signal}"
