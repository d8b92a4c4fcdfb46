"""How a number on the bus is written: serials and versions as the maker prints them on the label.

"{ID.Major}.{ID.Minor:02d}"          signals of one message
"v{ID.Version[8..15]}.{ID.Version[0..7]}"   bits of one signal
"{ID.Serial:08X}"  "{ID.Text:ascii}"        hexadecimal; letters, in the order in which they lie in the frame
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

Name = tuple[str, str]  # message, signal
_FIELD = re.compile(r"\{([^{}]*)\}")
_INSIDE = re.compile(r"(?:([^.\s\[:]+)\.([^.\s\[:]+))?(?:\[(\d{1,2})\.\.(\d{1,2})\])?(?::(ascii|0?\d{0,2}[dxX]))?")
LONGEST = 200
# Of a version of two bytes. Only these words are certain; a comment that says less leaves the number as it is.
_BY_256 = re.compile(
    r"\bmajor(?: version)?\s*(?:\*|x|×|times|multiplied by)\s*256\s*(?:\+|plus|and)\s*(?:the )?minor\b", re.IGNORECASE
)
BY_256 = "{[8..15]}.{[0..7]}"


@dataclass(frozen=True, slots=True)
class Field:
    """Bits low..high of a signal; spec: as Python's format has it, or "ascii". big_endian: of the signal."""

    name: Name
    low: int = 0
    high: int = 63
    spec: str = ""
    big_endian: bool = False

    def shown(self, value: int) -> str:
        bits = (value % 2**64 >> self.low) & ((1 << (self.high - self.low + 1)) - 1)
        if self.spec == "ascii":
            data = bits.to_bytes(8, "big" if self.big_endian else "little")
            return "".join(chr(b) for b in data if 0x20 <= b < 0x7F).strip()
        return format(bits, self.spec)


@dataclass(frozen=True, slots=True)
class TextForm:
    """fields and the texts around them: one text more than fields."""

    text: str
    fields: tuple[Field, ...]
    around: tuple[str, ...]

    @property
    def signals(self) -> tuple[Name, ...]:
        return tuple(dict.fromkeys(f.name for f in self.fields))

    def written(self, values: Mapping[Name, int]) -> str:
        pieces = [f.shown(values[f.name]) for f in self.fields]
        return "".join(a + b for a, b in zip(self.around, [*pieces, ""], strict=True)).strip()


def text_form(text: str, signal: Name | None, big_endian: Callable[[Name], bool]) -> TextForm:
    """Read a format. signal: the one meant where a field names none. Raises: ValueError saying what is wrong."""
    parts = _FIELD.split(text)
    around, inside = parts[::2], parts[1::2]
    if not inside or len(text) > LONGEST or any("{" in a or "}" in a for a in around):
        raise ValueError(f'format {text!r} is not like "{{ID.Major}}.{{ID.Minor:02d}}"')
    fields = []
    for body in inside:
        found = _INSIDE.fullmatch(body)
        name = (found[1], found[2]) if found and found[1] else signal
        if not found or name is None:
            raise ValueError(
                f"format {text!r}: {{{body}}} is not like {{Message.Signal}}, {{Message.Signal[8..15]}} or with "
                ":02d, :X or :ascii behind it"
            )
        low, high = int(found[3] or 0), int(found[4] or 63)
        if not low <= high <= 63:
            raise ValueError(f"format {text!r}: {{{body}}} wants bits 0 to 63, the lower one first")
        fields.append(Field(name, low, high, found[5] or "", big_endian(name)))
    form = TextForm(text, tuple(fields), tuple(around))
    if len({message for message, _ in form.signals}) > 1:
        raise ValueError(f"format {text!r}: its signals must be of one message, so that they belong together")
    return form


def form_in_comment(comment: str, length: int) -> str:
    """The format that the comment of a version states ("major times 256 plus minor"), up to 16 bits; else ""."""
    return BY_256 if length <= 16 and _BY_256.search(comment) else ""
