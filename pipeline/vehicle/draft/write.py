"""A draft as TOML: what was guessed with how sure and the runners-up, what was not as a list to do."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.bit_names import names_of_flags
from herdbook.pipeline.vehicle.draft.concepts import concepts
from herdbook.pipeline.vehicle.draft.families import Family, index_signal
from herdbook.pipeline.vehicle.draft.fit import CHARGE_POSITIVE
from herdbook.pipeline.vehicle.draft.flags import OWN, Flags, fault_flags
from herdbook.pipeline.vehicle.draft.guess import CERTAIN, RIVAL, Guess
from herdbook.pipeline.vehicle.draft.state_words import no_values, states_of
from herdbook.pipeline.vehicle.draft.twin_packs import of_packs
from herdbook.pipeline.vehicle.fault_codes import are_codes
from herdbook.pipeline.vehicle.roles import ROLES, Role
from herdbook.pipeline.vehicle.units import kind_of

if TYPE_CHECKING:
    from herdbook.decoders import Message, Signal

FIRST = ("pack_voltage", "pack_current", "pack_soc", "cell_voltage", "cell_temp", "vehicle_speed", "motor_speed")
FIGURES = """\
# Figures of the maker: fill in, and take the # away. Rules that need a missing one are not assessed.
[vehicle]
# mass_kg = 95.0             # with usual rider and load
# top_speed_kmh = 35.0
# zone = "Europe/Vienna"

[pack]
# chemistry = "LFP"
{cells}
# rated_ah = 30.0
# cell_min_v = 2.50
# cell_max_v = 3.65
# charge_min_c = 0.0
# discharge_max_c = 60.0

[drive]
# motors = {motors}
# gear = 3.2                 # motor turns for one wheel turn
# wheel_m = 0.200            # diameter
# torque_nm_per_a = 0.070    # per ampere of torque current, one motor
"""
UNUSED = "# Signals that play no role yet"
MOST_UNUSED = 16  # signals of a message that are named
WORTH = 0.3  # a runner-up under this is not named


def draft(messages: Sequence[Message], dbcs: Sequence[str], name: str, lenient: bool = False) -> str:
    """The TOML text. dbcs: how the profile names its DBC files; name: of the profile. lenient: for files that
    contradict themselves."""
    found, further = of_packs(messages)
    by_role = {g.role: g for g in found}
    by_name = {(m.name, s.name): s for m in messages for s in m.signals}
    cells = by_role.get("cell_voltage")
    count = len(cells.family.members) if cells and cells.certain else 0
    motors = max((len(g.family.members) for g in found if g.role.startswith("motor_")), default=2)
    lines = [
        f"# A draft from {_one_line(', '.join(dbcs))}.",
        f"# Each guess says how sure it is; what is less than {CERTAIN:.0%} sure is commented out.",
        "# Nothing here was held against data yet: herdbook profile check THIS --log LOG",
        f"name = {_text(_file_like(name))}",
        "",
        FIGURES.format(
            cells=f"cells = {count}" + " " * 17 + "# groups in series, as cell_voltage maps"
            if count
            else "# cells = 12",
            motors=motors,
        ),
    ]
    more = "lenient = true            # the check says what is left out\n" if lenient else ""
    lines += [f"[[bus]]\ndbc = {_text(dbc)}\n{more}" for dbc in dbcs]
    lines += ["# Whose log is it? A pattern on the log's path, or else a serial number on the bus.", "[identity]"]
    lines += [r"""# path = "(?P<vehicle>AB-\\d{4})" """.rstrip(), "", "[roles]"]
    flags = {f.role: f for f in fault_flags(messages, _open_faults(by_role, by_name))}
    for role in ROLES:
        guess = by_role.get(role)
        if role in flags and (guess is None or flags[role].sure >= guess.sure):
            lines += _flags(flags[role], by_name)
        elif guess is not None:
            lines += _entry(guess, by_name, messages)
    for number, guessed in enumerate(further, start=2):
        lines += _other_pack(number, guessed, by_name, messages)
    lines += _unused([*found, *(g for some in further for g in some)], flags.values(), messages)
    lines += ["", "# To do"]
    lines += [f"# - {todo}" for todo in _several_packs(further)]
    lines += [f"# - {todo}" for todo in todos(by_role, messages, by_name) if todo.split(" ")[0] not in flags]
    lines += [f"# - {f.role}: bits of {f.message} look like it; are they?" for f in flags.values() if f.sure < CERTAIN]
    return "\n".join(lines) + "\n"


def _other_pack(
    number: int, guessed: Sequence[Guess], signals: dict[tuple[str, str], Signal], messages: Sequence[Message]
) -> list[str]:
    """The signals of a further pack, by the same guesses as the first's."""
    entries = [line for guess in guessed for line in _entry(guess, signals, messages)]
    off = "" if any(not line.startswith("#") for line in entries) else "# "
    head = f"# Pack {number}: its messages are named like the first's. Figures that differ from [pack] stand here."
    return ["", head, f"{off}[[other_pack]]", f"{off}[other_pack.roles]", *entries]


def _several_packs(further: Sequence[Sequence[Guess]]) -> list[str]:
    if not further:
        return []
    named = _one_line(", ".join(sorted({m for some in further for g in some for m, _ in g.family.members})))
    return [f"[[other_pack]]: {named} look like a further pack side by side; if they are none, take the table away"]


def _open_faults(found: dict[str, Guess], signals: dict[tuple[str, str], Signal]) -> set[str]:
    """Fault roles that no signal has for certain, or only one bit."""
    return {
        role
        for role in OWN
        if (g := found.get(role)) is None or not g.certain or signals[g.family.members[0]].length == 1
    }


def _flags(flags: Flags, signals: dict[tuple[str, str], Signal]) -> list[str]:
    """Single bits as one word, and the names that they will have."""
    listed = ", ".join(_text(f"{flags.message}.{name}") for name in flags.signals)
    named = names_of_flags([signals[flags.message, name] for name in flags.signals])
    said = "; ".join(f"{bit} {name}" for bit, name in named.items())
    line = f"{flags.role} = {{ flags = [{listed}] }}"
    told = _one_line(f"  # {flags.sure:.0%} sure; bits: {said}")
    return [(line if flags.sure >= CERTAIN else f"# {line}") + told]


def _unused(found: Sequence[Guess], flags: Collection[Flags], messages: Sequence[Message]) -> list[str]:
    """What is left of the DBC files, to be looked through for roles that nothing was found for."""
    played = {member for guess in found for member in guess.family.members}
    played |= {(f.message, name) for f in flags for name in f.signals}
    lines = []
    for message in messages:
        left = [s for s in message.signals if (message.name, s.name) not in played and not s.selector]
        shown = ", ".join(f"{s.name} [{s.unit}]" if s.unit.strip() else s.name for s in left[:MOST_UNUSED])
        if left:
            more = f", and {len(left) - MOST_UNUSED} more" if len(left) > MOST_UNUSED else ""
            lines.append(_one_line(f"# - {message.name}: {shown}{more}"))
    return ["", UNUSED, *lines] if lines else []


def _entry(guess: Guess, signals: dict[tuple[str, str], Signal], messages: Sequence[Message]) -> list[str]:
    role, family = ROLES[guess.role], guess.family
    rivals = ", ".join(f"{r.name} {r.sure:.0%}" for r in guess.rivals if r.sure >= WORTH)
    told = _one_line(f"  # {guess.sure:.0%} sure" + (f"; or {rivals}" if rivals else ""))
    value = _value(role, family, signals, messages)
    line = f"{role.name} = {value}"
    if value is None:
        named = _one_line(", ".join(f"{m}.{s}" for m, s in family.members[:4]))
        return [f"# {role.name}: {named}{told}; see the list to do"]
    return [(line if guess.certain else f"# {line}") + told]


def _value(
    role: Role, family: Family, signals: dict[tuple[str, str], Signal], messages: Sequence[Message]
) -> str | None:
    """The right side of the entry; None where it cannot be written yet."""
    names = [f"{m}.{s}" for m, s in family.members]
    options = _options(role, [signals[member] for member in family.members])
    if options is None:
        return None
    if family.sides:
        return (
            "{ " + ", ".join(f"{side} = {_one(n, options)}" for side, n in zip(family.sides, names, strict=True)) + " }"
        )
    if role.index in ("cell", "sensor") or (role.index == "side" and len(names) > 1):
        if len(names) == 1:
            lone = signals[family.members[0]]
            message = next(m for m in messages if m.name == family.members[0][0])
            index = index_signal(message, lone)
            if index is not None and role.index in ("cell", "sensor"):
                which = f'index = {_text(index.name)}, index_values = "0..{_highest(index)}"'
                return f"{{ signal = {_text(names[0])}, {which}{options} }}"
            return f'{{ signal = {_text(names[0])}, n = "1"{options} }}'
        pattern = _pattern(family.members)
        if pattern:
            return f'{{ signal = {_text(pattern)}, n = "1..{len(names)}"{options} }}'
        listed = ", ".join(map(_text, names))
        return f'{{ signal = [{listed}], n = "1..{len(names)}"{options} }}'
    return _one(names[0], options)


def _highest(index: Signal) -> int:
    """The last item that an index can name: as the DBC file says, else as its bits allow."""
    most = (1 << min(index.length, 7)) - 1
    high = 0 if index.high is None else int(index.high)
    return min(most, high) if high else most


def _one(name: str, options: str) -> str:
    return f"{{ signal = {_text(name)}{options} }}" if options else _text(name)


def _options(role: Role, signals: Sequence[Signal]) -> str | None:
    """States, "no value" codes and a unit for a signal that has none, as ", key = value"."""
    first, said = signals[0], ""
    if role.unit == "state":
        states = states_of(role, first)
        if not states:
            return None
        said += ", states = { " + ", ".join(f"{raw} = {_text(s)}" for raw, s in sorted(states.items())) + " }"
    elif role.unit not in ("bits", "id", "1"):
        absent = sorted({v for s in signals for v in no_values(s)})
        said += f", not_available = [{', '.join(f'{v!r}' for v in absent)}]" if absent else ""
        said += f", unit = {_text(role.unit)}" if not first.unit.strip() else ""
        if role.name == "pack_current" and CHARGE_POSITIVE.search(first.comment):
            said += ", scale = -1"
    elif role.unit == "bits" and are_codes(first.states):
        said += ", codes = true"
    return said


def _pattern(members: Sequence[tuple[str, str]]) -> str:
    """ "Message.Name{n:02d}" where one pattern counts all members from 1 on; else ""."""
    texts = [f"{m}.{s}" for m, s in members]
    for found in re.finditer(r"\d+", texts[0]):
        width = len(found[0]) if found[0].startswith("0") else 0
        form = f"{{n:0{width}d}}" if width else "{n}"
        head, tail = texts[0][: found.start()], texts[0][found.end() :]
        if all(f"{head}{k:0{width}d}{tail}" == text for k, text in enumerate(texts, start=1)):
            return f"{head}{form}{tail}"
    return ""


def todos(found: dict[str, Guess], messages: Sequence[Message], signals: dict[tuple[str, str], Signal]) -> list[str]:
    """What is left for a person, the most needed first."""
    out = [
        f"{key}: fill in, and take the # away" for key in ("[identity] path", "the figures of [vehicle] [pack] [drive]")
    ]
    if "pack_current" in found:
        out.append("pack_current: is it positive on discharge? If not, scale = -1; the check against a log tells")
    masks = [] if "cell_bleed" in found else _masks(messages)
    for role in sorted(ROLES, key=lambda r: (r not in FIRST, list(ROLES).index(r))):
        guess = found.get(role)
        if guess is None and role == "cell_bleed" and masks:
            out += masks
        elif guess is None:
            out.append(f"{role} [{ROLES[role].unit}]: no signal looks like it. {ROLES[role].meaning}")
        elif not guess.certain:
            out.append(f"{role}: only {guess.sure:.0%} sure; look at it, then take the # away or name another signal")
            out += _more(guess, messages, signals)
        elif ROLES[role].unit == "state":
            signal = signals[guess.family.members[0]]
            left = [
                f"{raw} = {_text(w)}" for raw, w in signal.states.items() if raw not in states_of(ROLES[role], signal)
            ]
            out += [f"{role}: no state of ours for {_one_line(', '.join(left))}"] if left else []
    return out + _second_pack(found)


def _second_pack(found: dict[str, Guess]) -> list[str]:
    """Groups that look just like those that were taken: nobody would miss them."""
    guess = found.get("cell_voltage")
    alike = [r for r in guess.rivals if r.sure >= RIVAL * guess.sure] if guess and len(guess.family.members) > 1 else []
    if not alike:
        return []
    named = " and ".join(_one_line(f"those of {r.name}") for r in alike)
    return [f"cell_voltage: {named} look the same. Are they a second pack? See [[other_pack]] in the list of forms"]


def _more(guess: Guess, messages: Sequence[Message], signals: dict[tuple[str, str], Signal]) -> list[str]:
    """What else a guess needs before it can be used."""
    first = signals[guess.family.members[0]]
    message = next(m for m in messages if m.name == guess.family.members[0][0])
    out = []
    if guess.role == "motor_current" and kind_of(first.unit)[0] == "Nm":
        out.append("motor_current: it is a torque; [drive] torque_nm_per_a makes a current of it")
    if "front" in guess.family.sides and not guess.certain:
        named = " and ".join(_one_line(f"{m}.{s}") for m, s in guess.family.members)
        out.append(
            f"{guess.role}: {named} are two of a kind. Front and rear motor, or what? Correct it, take the # away"
        )
    lone = len(guess.family.members) == 1 and ROLES[guess.role].index in ("cell", "sensor")
    if lone and (index := index_signal(message, first)):
        out.append(f"{guess.role}: index_values are the numbers that {index.name} really takes, as in 0..11")
    if not first.unit.strip() and ROLES[guess.role].unit not in ("state", "bits", "id", "1"):
        out.append(
            f"{guess.role}: its DBC file gives no unit: correct unit, and add scale where a count is not one of it"
        )
    return out


def _masks(messages: Sequence[Message]) -> list[str]:
    """Words of bits that may be balancers, one bit a group."""
    near = [
        f"{m.name}.{s.name}"
        for m in messages
        for s in m.signals
        if s.length >= 4 and s.scale == 1 and not s.unit.strip() and {"bleed"} <= concepts(s.name)
    ]
    return [
        f'cell_bleed: perhaps the bits of {n}: {{ signal = {_text(n)}, n = "1..N", first_bit = 0 }}' for n in near[:2]
    ]


def _text(value: str) -> str:
    """A TOML string."""
    clean = "".join(c if c.isprintable() else " " for c in value)
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _file_like(name: str) -> str:
    """A name that a profile may have."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-._")[:64] or "vehicle"


def _one_line(value: str) -> str:
    return "".join(c if c.isprintable() else " " for c in value)
