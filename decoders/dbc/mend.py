"""A DBC text that cantools refuses, cut down to what is sound, statement by statement; what was left out and why.

A file that is refused over one line is mostly right. Each statement is tried in the smallest file in which it can
stand: a message with its own signals, a comment, value table or attribute beside the message it speaks of.
Mended without loss, and told: a 29-bit identifier that lacks its flag (bit 31), a signal without receivers or range.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

LARGEST_SHORT, LARGEST, FLAG = 0x7FF, 0x1FFF_FFFF, 0x8000_0000
INDEPENDENT = 0xC000_0000  # the pseudo-message of signals that belong to none
_WORDS = (
    "VERSION NS_ BS_ BU_ VAL_TABLE_ BO_ SG_ BO_TX_BU_ EV_ ENVVAR_DATA_ SGTYPE_ SIG_GROUP_ CM_ BA_DEF_ BA_DEF_REL_ "
    "BA_DEF_SGTYPE_ BA_DEF_DEF_ BA_DEF_DEF_REL_ BA_ BA_REL_ BA_SGTYPE_ VAL_ SIG_VALTYPE_ SIG_TYPE_REF_ "
    "SIGTYPE_VALTYPE_ CAT_DEF_ CAT_ FILTER SG_MUL_VAL_ BU_SG_REL_ BU_EV_REL_ BU_BO_REL_"
)
KEYWORDS = _WORDS.split()
_START = re.compile(rf"\s*({'|'.join(sorted(KEYWORDS, key=len, reverse=True))})(?=[\s:])(?=.*\S)")
_SURE = re.compile(
    r"\s*(BO_\s+\d+\s+\S+\s*:|SG_\s+\S+.*\|.*@|CM_\s+(BO_|SG_)\s+\d|VAL_\s+\d+\s|BA_(DEF_)*\s+(\w+\s+)?\")"
)
_SIGNAL = re.compile(
    r"""\s*SG_\s+(?P<name>[\w-]+)\s*(?P<mux>M|m\d+M?)?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*(?P<order>[01])\s*
    (?P<sign>[+-])\s*\(\s*(?P<factor>[^,\s]+)\s*,\s*(?P<offset>[^)\s]+)\s*\)\s*
    (?:\[\s*(?P<low>[^|\]\s]*)\s*\|\s*(?P<high>[^\]\s]*)\s*\])?\s*(?:"(?P<unit>[^"]*)"?)?""",
    re.VERBOSE,
)
_DEFINITIONS = ("BA_DEF_", "BA_DEF_REL_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_")
_HEAD = re.compile(r"\d\s+\w+\s*:\s*\d+\s+\w+\s*$")  # of a message whose keyword is spoilt
_IDENTIFIER = re.compile(r"(?<![\w.\"])(\d{4,10})(?![\w.|@])")
# What the rest of a file may lack without a bit of a signal changing.
_FORMAL = ("VERSION", "NS_", "BS_", "BU_")
Load = Callable[[str], object]


@dataclass(frozen=True, slots=True)
class Statement:
    """line: of its first word, from 1 on."""

    kind: str
    line: int
    text: str

    @property
    def head(self) -> str:
        """Its first line, shortened, for people."""
        first = " ".join(self.text.split("\n")[0].split())
        return first if len(first) <= 70 else f"{first[:67]}..."


_FOLLOWED_BY = tuple(  # what is unfinished may pass at the end of a file, but swallows what follows
    Statement(text.split()[0], 0, text)
    for text in (
        "BO_ 2047 Last: 8 Vector__XXX",
        ' SG_ Last : 0|8@1+ (1,0) [0|0] "" Vector__XXX',
        'CM_ "last";',
    )
)


def sound_part(text: str, load: Load) -> tuple[str, list[str]]:
    """A text that load() takes, and what was mended or left out, in words with line numbers.

    load: raises whatever it likes on a text it refuses. Raises: ValueError when no message is left.
    """
    notes: list[str] = []
    blocks, others = _grouped(statements(text))
    flagged = _lacking_flag([block[0] for block in blocks], notes)
    blocks = [[_with_flag(s, flagged) for s in block] for block in blocks]
    others = [_with_flag(s, flagged) for s in others]
    kept = _sound_blocks(blocks, load, notes)
    if not kept:
        raise ValueError("no message in it can be read")
    by_number = {_number(block[0]): block for block in kept}
    definitions = _sound([s for s in others if s.kind in _DEFINITIONS], lambda some: [], load, notes)
    rest = [s for s in others if s.kind not in _DEFINITIONS and s.kind not in _FORMAL]
    good = _sound(rest, lambda some: [*_blocks_of(some, by_number), *definitions], load, notes)
    whole = _joined([*(s for block in kept for s in block), *definitions, *good])
    if why := _refusal(whole, load):  # two statements that contradict each other: the bits alone
        notes.append(f"all comments, value tables and attributes are left out ({why})")
        whole = _joined([s for block in kept for s in block])
    return whole, sorted(notes, key=_line_of_note)


def _line_of_note(note: str) -> int:
    found = re.match(r"line (\d+):", note)
    return int(found[1]) if found else 0


def statements(text: str) -> list[Statement]:
    """All statements of a DBC text, in order. A string that is never closed ends where a statement surely begins."""
    found: list[Statement] = []
    quoted = False
    for number, line in enumerate(text.split("\n"), 1):
        start = _START.match(line)
        if start and not (quoted and not _SURE.match(line)) and not _lists_keywords(found, line):
            found.append(Statement(start[1], number, line))
            quoted = False
        elif not quoted and _HEAD.search(line):
            found.append(Statement("BO_", number, line))  # so that its signals are not taken for the message's before
        elif found:
            found[-1] = replace(found[-1], text=f"{found[-1].text}\n{line}")
        quoted ^= line.count('"') % 2 == 1
    return found


def _lists_keywords(found: list[Statement], line: str) -> bool:
    """Inside NS_, keywords stand alone on their lines."""
    return bool(found) and found[-1].kind == "NS_" and line.strip() in KEYWORDS


def _grouped(found: list[Statement]) -> tuple[list[list[Statement]], list[Statement]]:
    """Messages with their signals, and all else."""
    blocks: list[list[Statement]] = []
    others: list[Statement] = []
    for statement in found:
        if statement.kind == "BO_":
            blocks.append([statement])
        elif statement.kind == "SG_" and blocks:
            blocks[-1].append(statement)
        else:
            others.append(statement)
    return blocks, others


def _number(message: Statement) -> int:
    found = re.match(r"\s*BO_\s+(\d+)", message.text)
    return int(found[1]) if found else -1


def _lacking_flag(messages: list[Statement], notes: list[str]) -> set[int]:
    numbers = {_number(m): m for m in messages}
    lacking = {n for n in numbers if LARGEST_SHORT < n <= LARGEST}
    said = "29-bit identifier without its flag, taken as such"
    notes += [f"line {numbers[n].line}: {numbers[n].head}: {said}" for n in sorted(lacking)]
    return lacking


def _with_flag(statement: Statement, numbers: set[int]) -> Statement:
    if not numbers or statement.kind in (*_FORMAL, "SG_", *_DEFINITIONS, "VAL_TABLE_"):
        return statement

    def flagged(found: re.Match[str]) -> str:
        return str(int(found[1]) | FLAG) if int(found[1]) in numbers else found[1]

    before, quote, after = statement.text.partition('"')
    if statement.kind in ("BA_", "BA_REL_"):  # BA_ "Name" BO_ 123 value;
        name, closing, rest = after.partition('"')
        return replace(statement, text=f"{before}{quote}{name}{closing}{_IDENTIFIER.sub(flagged, rest, count=1)}")
    return replace(statement, text=f"{_IDENTIFIER.sub(flagged, before, count=1)}{quote}{after}")


def _sound_blocks(blocks: list[list[Statement]], load: Load, notes: list[str]) -> list[list[Statement]]:
    """By halves: what can be read together is tried together."""
    if not _refusal([s for block in blocks for s in block], load):
        return blocks
    if len(blocks) == 1:
        good = _sound_block(blocks[0], load, notes)
        return [good] if good else []
    middle = len(blocks) // 2
    return _sound_blocks(blocks[:middle], load, notes) + _sound_blocks(blocks[middle:], load, notes)


def _sound_block(block: list[Statement], load: Load, notes: list[str]) -> list[Statement]:
    """A message with those of its signals that can be read; empty when the message itself cannot."""
    message = block[0]
    if why := _refusal([message], load):
        notes.append(f"line {message.line}: {message.head}: left out ({why})")
        return []
    kept = [message]
    for signal in block[1:]:
        why = _refusal([message, signal], load)
        mended = _mended(signal) if why else None
        if mended and not _refusal([message, mended], load):
            notes.append(f"line {signal.line}: {signal.head}: read without what is wrong after its unit")
            kept.append(mended)
        elif why:
            notes.append(f"line {signal.line}: {signal.head}: left out ({why})")
        else:
            kept.append(signal)
    if not (why := _refusal(kept, load)):
        return kept
    plain = [message, *(_mended(s) or s for s in kept[1:])]  # one without receivers swallows the next
    if not _refusal(plain, load):
        notes.append(f"line {message.line}: {message.head}: signals read without their ranges and receivers ({why})")
        return plain
    notes.append(f"line {message.line}: {message.head}: left out ({why})")
    return []


def _mended(signal: Statement) -> Statement | None:
    """The signal as its bits and numbers say, without range and receivers; None when these cannot be read."""
    found = _SIGNAL.match(signal.text)
    if not found:
        return None
    p = found.groupdict()
    name = p["name"].replace("-", "_")
    try:
        factor, offset = float(p["factor"]), float(p["offset"])
    except ValueError:
        return None
    mux = f" {p['mux']}" if p["mux"] else ""
    unit = (p["unit"] or "").strip()
    bits = f"{p['start']}|{p['length']}@{p['order']}{p['sign']}"
    low, high = _plain(factor, p["factor"]), _plain(offset, p["offset"])
    text = f' SG_ {name}{mux} : {bits} ({low},{high}) [0|0] "{unit}" Vector__XXX'
    return replace(signal, text=text)


def _plain(value: float, written: str) -> str:
    return str(int(written)) if re.fullmatch(r"[+-]?\d+", written) else repr(value)


def _sound(
    some: list[Statement],
    around: Callable[[list[Statement]], list[Statement]],
    load: Load,
    notes: list[str],
) -> list[Statement]:
    """Those that can be read beside what they speak of, by halves. around: what some statements need."""
    if not some or not _refusal([*around(some), *some], load):
        return some
    if len(some) == 1:
        why = _refusal([*around(some), *some], load)
        notes.append(f"line {some[0].line}: {some[0].head}: left out ({why})")
        return []
    middle = len(some) // 2
    first = _sound(some[:middle], around, load, notes)
    return first + _sound(some[middle:], lambda rest: [*around(rest), *_definitions(first)], load, notes)


def _definitions(some: list[Statement]) -> list[Statement]:
    """Defaults stand behind the definitions they are of."""
    return [s for s in some if s.kind in _DEFINITIONS]


def _blocks_of(some: list[Statement], by_number: dict[int, list[Statement]]) -> list[Statement]:
    seen: dict[int, list[Statement]] = {}
    for statement in some:
        if block := _block_of(statement, by_number):
            seen[block[0].line] = block
    return [s for line in sorted(seen) for s in seen[line]]


def _block_of(statement: Statement, by_number: dict[int, list[Statement]]) -> list[Statement]:
    """The message a statement speaks of, by its identifier."""
    before, _, after = statement.text.partition('"')
    where = after.partition('"')[2] if statement.kind in ("BA_", "BA_REL_") else before
    found = re.search(r"(?<![\w.])(\d+)(?![\w.])", where)
    return by_number.get(int(found[1]), []) if found else []


def _refusal(some: list[Statement] | str, load: Load) -> str:
    """Why load() refuses a file of these statements; "" when it does not."""
    try:
        load(some if isinstance(some, str) else _joined([*some, *_FOLLOWED_BY]))
    except Exception as error:  # a parser raises many kinds, none of them documented
        said = " ".join(str(error).split()) or type(error).__name__
        if isinstance(error, KeyError):
            return f"nothing defines {said}"
        return re.sub(r"(Invalid syntax) at line \d+, column \d+: .*", r"\1", said)[:160]
    return ""


def _joined(some: list[Statement]) -> str:
    order = {"BO_": 0, "SG_": 0}
    ranked = sorted(some, key=lambda s: order.get(s.kind, 1))
    return 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_:\n\n' + "\n".join(s.text for s in ranked) + "\n"
