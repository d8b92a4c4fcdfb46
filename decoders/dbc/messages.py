"""What a DBC file says about one message, as far as decoding needs it. Plain data, no arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Number = int | float
Kind = Literal["int", "uint", "float"]

EXACT = 2**53  # every whole number up to here is a float64
INT64 = (-(2**63), 2**63 - 1)
UINT64 = (0, 2**64 - 1)


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal: where its bits are, what number they make, and when it is present.

    start: DBC bit number, of the least significant bit (little endian) or the most significant (big endian).
    scale, offset: as written, an int when the file writes an integer; value = raw * scale + offset, unit as given.
    parent, when: a multiplexed signal is present while the selector `parent` is present and has a value in `when`.
    first_bit: the start bit (little endian), or its place from the top of the frame (big endian; bit 7 is 0).
    end_bit: one past the last bit; the signal is present in a frame of at least this many data bits.
    kind: column type, "int" Int64, "uint" UInt64, "float" Float64. Whole numbers stay whole as long as the widest
        value the bits can make fits in 64 bits; past that (a 64-bit count times ten) they are the nearest float64.
    """

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: Number = 1
    offset: Number = 0
    unit: str = ""
    low: Number | None = None
    high: Number | None = None
    states: Mapping[int, str] = field(default_factory=dict)
    selector: bool = False
    parent: str | None = None
    when: frozenset[int] = frozenset()
    comment: str = ""
    first_bit: int = field(init=False, compare=False, repr=False)
    end_bit: int = field(init=False, compare=False, repr=False)
    kind: Kind = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        first = 8 * (self.start // 8) + 7 - self.start % 8 if self.big_endian else self.start
        object.__setattr__(self, "first_bit", first)
        object.__setattr__(self, "end_bit", first + self.length)
        object.__setattr__(self, "kind", self._kind())

    @property
    def integral(self) -> bool:
        """True when every value is an integer: no float bits, and factor and offset are whole numbers."""
        return not self.is_float and float(self.scale).is_integer() and float(self.offset).is_integer()

    @property
    def raw_range(self) -> tuple[int, int]:
        """Lowest and highest raw count the bits can hold."""
        if self.signed:
            return -(1 << (self.length - 1)), (1 << (self.length - 1)) - 1
        return 0, (1 << self.length) - 1

    @property
    def in_python(self) -> bool:
        """True when raw * scale is a whole number that may pass 2^53: Python multiplies first and rounds once."""
        return isinstance(self.scale, int) and max(map(abs, self.raw_range)) * abs(self.scale) > EXACT

    @property
    def counted(self) -> bool:
        """True when a float64 value is one product and one sum away from its raw count, so that keeping the count
        and the factor loses nothing. Selectors are kept as values: other signals depend on them."""
        return self.kind == "float" and not self.is_float and not self.selector and not self.in_python

    def _kind(self) -> Kind:
        if not self.integral or not 1 <= self.length <= 64:
            return "float"
        ends = sorted(int(raw) * int(self.scale) + int(self.offset) for raw in self.raw_range)
        if INT64[0] <= ends[0] and ends[1] <= INT64[1]:
            return "int"
        return "uint" if ends[0] >= 0 and ends[1] <= UINT64[1] else "float"


@dataclass(frozen=True, slots=True)
class Message:
    """One message of one bus. `name` is unique in its network.

    attributes: the DBC's own message attributes (BA_), defaults filled in.
    """

    name: str
    can_id: int
    extended: bool
    length: int
    signals: tuple[Signal, ...]
    cycle_ms: float | None = None  # None: event driven or not declared
    j1939: bool = False
    sender: str = ""
    comment: str = ""
    attributes: Mapping[str, int | float | str] = field(default_factory=dict)
    dbc: str = ""  # file name, for messages to people

    def signal(self, name: str) -> Signal:
        """KeyError naming message and signal when there is none."""
        for signal in self.signals:
            if signal.name == name:
                return signal
        raise KeyError(f"message {self.name} has no signal {name}")

    @property
    def same_shape(self) -> tuple[object, ...]:
        """Equal for two messages that decode to the same columns."""
        return self.length, self.j1939, self.signals
