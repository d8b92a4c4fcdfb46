"""Made-up DBC files for property tests: any byte order, width, sign, float, scale, multiplexing; no two bits shared."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st

FACTORS = ("1", "2", "-3", "10", "0.1", "0.01", "0.5", "-0.125", "1e-05", "1.0", "0.0009765625", "1234567", "3.0")
OFFSETS = ("0", "-40", "100", "0.5", "-1.25", "1e3", "32768", "0.1")


@dataclass(frozen=True)
class Piece:
    """A signal line to be, without its name."""

    start: int
    length: int
    big_endian: bool
    signed: bool
    kind: str  # "int" or "float"
    factor: str
    offset: str
    group: int | None  # the selector value it belongs to
    sub: int | None = None  # and the second selector's

    def line(self, name: str, mark: str) -> str:
        return (
            f" SG_ {name} {mark}: {self.start}|{self.length}@{0 if self.big_endian else 1}"
            f'{"-" if self.signed else "+"} ({self.factor},{self.offset}) [0|0] "" X'
        )


def bits_of(start: int, length: int, big_endian: bool) -> set[int]:
    """Positions of a signal as 8 * byte + bit, walked one by one as the DBC drawings show it."""
    if not big_endian:
        return set(range(start, start + length))
    found, byte, bit = set(), start // 8, start % 8
    for _ in range(length):
        found.add(8 * byte + bit)
        byte, bit = (byte, bit - 1) if bit else (byte + 1, 7)
    return found


@st.composite
def dbc_files(draw: st.DrawFn) -> tuple[str, int]:
    """Text of a DBC file with one message, and the message's length in bytes."""
    length = draw(st.sampled_from((1, 2, 3, 5, 8, 8, 8, 12, 16, 24, 64)))
    extended = draw(st.booleans())
    number = draw(st.integers(0, 0x1FFF_FFFF)) | 0x8000_0000 if extended else draw(st.integers(0, 0x7FF))
    shape = draw(st.sampled_from(("plain", "plain", "mux", "cascade"))) if length >= 2 else "plain"
    pieces: list[tuple[str, Piece, str]] = []
    taken: dict[tuple[int | None, int | None], set[int]] = {}
    if shape != "plain":
        width = draw(st.integers(1, 6))
        pieces.append(
            (
                "SEL",
                Piece(
                    start=0,
                    length=width,
                    big_endian=False,
                    signed=False,
                    kind="int",
                    factor="1",
                    offset="0",
                    group=None,
                ),
                "M ",
            )
        )
        taken[None, None] = bits_of(0, width, False)
        if shape == "cascade":
            pieces.append(
                (
                    "SUB",
                    Piece(
                        start=8, length=3, big_endian=False, signed=False, kind="int", factor="1", offset="0", group=1
                    ),
                    "m1M ",
                )
            )
            taken[1, None] = bits_of(8, 3, False)
    for i in range(draw(st.integers(1, 12))):
        piece = draw(_piece(length, shape))
        mine = bits_of(piece.start, piece.length, piece.big_endian)
        clash = any(mine & used for key, used in taken.items() if _meet(key, (piece.group, piece.sub)))
        if clash or max(mine) >= 8 * length:
            continue
        taken.setdefault((piece.group, piece.sub), set()).update(mine)
        value = piece.sub if piece.sub is not None else piece.group
        pieces.append((f"S{i}", piece, f"m{value} " if value is not None else ""))
    return _text(number, length, shape, pieces), length


def _meet(a: tuple[int | None, int | None], b: tuple[int | None, int | None]) -> bool:
    return all(x is None or y is None or x == y for x, y in zip(a, b, strict=True))


@st.composite
def _piece(draw: st.DrawFn, length: int, shape: str) -> Piece:
    kind = draw(st.sampled_from(("int", "int", "int", "float"))) if length >= 2 else "int"
    widest = min(64, 8 * length)
    if kind == "float":
        width = draw(st.sampled_from([w for w in (16, 32, 64) if w <= widest]))
    else:
        width = draw(st.integers(1, widest))
    group = sub = None
    if shape != "plain" and draw(st.booleans()):
        group = draw(st.integers(0, 3))
        sub = draw(st.integers(0, 7)) if shape == "cascade" and group == 1 and draw(st.booleans()) else None
    return Piece(
        start=draw(st.integers(0, 8 * length - 1)),
        length=width,
        big_endian=draw(st.booleans()),
        signed=draw(st.booleans()),
        kind=kind,
        factor=draw(st.sampled_from(FACTORS)),
        offset=draw(st.sampled_from(OFFSETS)),
        group=group,
        sub=sub,
    )


def _text(number: int, length: int, shape: str, pieces: list[tuple[str, Piece, str]]) -> str:
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: X", f"BO_ {number} MSG: {length} X"]
    lines += [piece.line(name, mark) for name, piece, mark in pieces]
    lines += [
        f"SIG_VALTYPE_ {number} {name} : {2 if piece.length == 64 else 1};"
        for name, piece, _ in pieces
        if piece.kind == "float"
    ]
    if shape == "cascade":
        for name, piece, _ in pieces:
            if name == "SUB" or (piece.group is not None and piece.sub is None):
                lines.append(f"SG_MUL_VAL_ {number} {name} SEL {piece.group}-{piece.group};")
            elif piece.sub is not None:
                lines.append(f"SG_MUL_VAL_ {number} {name} SUB {piece.sub}-{piece.sub};")
    return "\n".join(lines) + "\n"
