"""Wrong profiles on purpose: the demo's two profiles, mutated at random, and where each mistake is told.

    python -m demo_logs.wrong_profiles [--n 1000] [--seed 1] [--jobs 2] [--out build/wrong_profiles.md] [--quick]

A mutation is one mistake as people make them: a typing error in a key or name, a sign, a unit, a factor of ten on a
role or a figure, two roles exchanged, cells dropped. It is told at the check when the profile does not load, at
contact when the demo's own logs contradict it (pipeline/vehicle/contact), as a scan would hold it against them. It
matters when a metric of a ride or of a charge moves by more than 5 % of itself, comes or goes. --quick looks for that
only where nothing was told: the silent ones are the same, how many of the others matter stays unknown.
"""

from __future__ import annotations

import argparse
import random
import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np

from demo_logs.records import SETTINGS
from herdbook.decoders import Decoder, join_frames, open_log
from herdbook.pipeline.assess.sessions import Stretch, sessions
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.health.profile_limits import examine_whole
from herdbook.pipeline.lake.part import Piece
from herdbook.pipeline.lake.role_views import pieces_of, view_of_pieces
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.night.contacts import MOST_LOGS
from herdbook.pipeline.vehicle.contact.hold import hold_profile
from herdbook.pipeline.vehicle.contact.view import Received, View
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals
from herdbook.pipeline.vehicle.units import FREE, units_of

ROOT = Path(__file__).parents[1]
FLEET, PROFILES = ROOT / "demo_logs" / "fleet", ROOT / "dbc_demo"
VEHICLES = {"zirbel": "ZB", "saumer": "SM"}
MATTERS = 0.05
SHOWN_EVERY = 10
KINDS = ("typo", "sign", "unit", "factor", "swap", "cells")
ROLE = re.compile(r"^([a-z_]+) = (.+)$")
FIGURE = re.compile(r"^([a-z_0-9]+) = (-?\d+(?:\.\d+)?)( *#.*)?$")
Table = dict[tuple[object, ...], float]
KEPT: dict[tuple[str, int, str], tuple[dict[Key, Series], dict[Key, Received]]] = {}


@dataclass(frozen=True, slots=True)
class Mutation:
    profile: str
    kind: str
    what: str
    text: str


@dataclass(frozen=True, slots=True)
class Seen:
    """told: check (it is refused) | contact | warned (at the check, but it loads) | "". moved: the first metric that
    moved by more than MATTERS, "" when none did."""

    mutation: Mutation
    told: str
    why: str
    moved: str


def mutations(profile: str, text: str, rng: random.Random) -> Iterator[Mutation]:
    """Endless."""
    lines = text.splitlines()
    roles = [i for i, line in enumerate(lines) if i > lines.index("[roles]") and ROLE.match(line)]
    figures = [i for i, line in enumerate(lines) if i < lines.index("[[bus]]") and FIGURE.match(line)]
    makers = (
        ("typo", _typo),
        ("sign", _sign),
        ("unit", _unit),
        ("factor", _factor),
        ("swap", _swap),
        ("cells", _cells),
    )
    while True:
        kind, make = rng.choice(makers)
        made = make(list(lines), roles, figures, rng)
        if made is not None and made[1] != lines:
            yield Mutation(profile, kind, made[0], "\n".join(made[1]) + "\n")


Made = tuple[str, list[str]] | None


def _typo(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    """A letter lost, doubled or exchanged with the next, in the key or, of a role, in a signal's name."""
    i = rng.choice(roles + figures)
    key, _, rest = lines[i].partition(" = ")
    word = rng.choice([key, *re.findall(r'"([A-Za-z_]+\.[A-Za-z_]+)', rest)]) if i in roles else key
    k = rng.randrange(len(word) - 1)
    wrong = rng.choice(
        [word[:k] + word[k + 1 :], word[:k] + word[k] + word[k:], word[:k] + word[k + 1] + word[k] + word[k + 2 :]]
    )
    at = lines[i].index(word)
    lines[i] = lines[i][:at] + wrong + lines[i][at + len(word) :]
    return f"{word} -> {wrong}", lines


def _with(line: str, option: str) -> str:
    """The role's entry with an option more, on each side of it."""
    key, _, rest = line.partition(" = ")
    name = option.split(" = ")[0]
    rest = re.sub(rf", {name} = [^,}}]+", "", rest)
    if rest.startswith('"'):
        return f"{key} = {{ signal = {rest}, {option} }}"
    if "left =" in rest:
        rest = re.sub(r'(left|right) = ("[^"]+")', rf"\1 = {{ signal = \2, {option} }}", rest)
        return f"{key} = " + re.sub(r"(signal = \"[^\"]+\", not_available = \[[^]]+\])", rf"\1, {option}", rest)
    return f"{key} = {rest[:-2]}, {option} }}"


def _scale_of(line: str) -> float:
    found = re.search(r"scale = (-?[\d.]+)", line)
    return float(found[1]) if found else 1.0


def _numeric(lines: list[str], roles: list[int]) -> list[int]:
    return [i for i in roles if ROLES[lines[i].split(" = ")[0]].unit not in FREE]


def _sign(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    i = rng.choice(_numeric(lines, roles))
    lines[i] = _with(lines[i], f"scale = {-_scale_of(lines[i]):g}")
    return lines[i].split(" = ")[0], lines


def _unit(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    i = rng.choice(_numeric(lines, roles))
    role = ROLES[lines[i].split(" = ")[0]]
    unit = rng.choice(units_of(role))
    lines[i] = _with(lines[i], f'unit = "{unit}"')
    return f"{role.name} in {unit!r}", lines


def _factor(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    by = rng.choice([0.1, 10.0])
    if rng.random() < 0.5:
        i = rng.choice(_numeric(lines, roles))
        lines[i] = _with(lines[i], f"scale = {by * _scale_of(lines[i]):g}")
        return f"{lines[i].split(' = ')[0]} x {by:g}", lines
    i = rng.choice(figures)
    key, number, more = FIGURE.match(lines[i]).groups()  # type: ignore[union-attr]
    value = float(number) * by
    lines[i] = f"{key} = {value:g}{more or ''}" if "." in number else f"{key} = {round(value)}{more or ''}"
    return f"{key} x {by:g}", lines


def _swap(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    """The signals of two roles of one unit and shape exchanged, the rest of each entry going along."""
    i = rng.choice(roles)
    a, rest = lines[i].split(" = ", 1)
    shape = (ROLES[a].unit, ROLES[a].index, ROLES[a].states)
    alike = [
        j for j in roles if j != i and (r := ROLES[lines[j].split(" = ")[0]]) and (r.unit, r.index, r.states) == shape
    ]
    if not alike:
        return None
    j = rng.choice(alike)
    b, other = lines[j].split(" = ", 1)
    lines[i], lines[j] = f"{a} = {other}", f"{b} = {rest}"
    return f"{a} <-> {b}", lines


def _cells(lines: list[str], roles: list[int], figures: list[int], rng: random.Random) -> Made:
    """Groups at the end left out, half of the time with the count told to match."""
    i = next(i for i in roles if lines[i].startswith("cell_voltage = "))
    count = int(re.search(r'n = "1\.\.(\d+)"', lines[i])[1])  # type: ignore[index]
    left = rng.randrange(2, count)
    lines[i] = re.sub(r'n = "1\.\.\d+"', f'n = "1..{left}"', lines[i])
    told = rng.random() < 0.5
    if told:
        k = next(k for k in figures if lines[k].startswith("cells = "))
        lines[k] = f"cells = {left}"
    return f"{left} of {count} groups, count {'too' if told else 'kept'}", lines


@cache
def logs_of(profile: str) -> tuple[tuple[str, Path], ...]:
    """(vehicle, path) as a scan would look at them: each vehicle's newest first."""
    named = sorted(p for p in FLEET.glob(f"{VEHICLES[profile]}-*") if p.suffix != ".toml")
    by_vehicle: dict[str, list[Path]] = {}
    for path in sorted(named, key=lambda p: p.name[8:18], reverse=True):
        by_vehicle.setdefault(path.name[:7], []).append(path)
    ranked = [(n, v, p) for v, some in by_vehicle.items() for n, p in enumerate(some)]
    return tuple((v, p) for _, v, p in sorted(ranked)[:MOST_LOGS])


@cache
def decoded(profile: str) -> tuple[tuple[str, list[Piece]], ...]:
    network = load_profile(PROFILES / f"{profile}.toml").network()
    found = []
    for vehicle, path in logs_of(profile):
        decoder = Decoder(network)
        decoder.add(join_frames(list(open_log(path).chunks())))
        decoder.close()
        found.append((vehicle, pieces_of(decoder.arrays())))
    return tuple(found)


def views(profile: Profile, name: str) -> list[View]:
    """As a scan sees the logs; what an unchanged entry of [roles] gives is kept from one mutation to the next."""
    found = []
    for place, (vehicle, pieces) in enumerate(decoded(name)):
        one = View(vehicle, Signals(vehicle, 0, 0, {}), profile)
        for mapping in profile.roles:
            key = (name, place, repr(mapping))
            if key not in KEPT:
                alone = replace(profile, roles=(mapping,))
                seen = view_of_pieces([p for p in pieces if p.message == mapping.message], alone, vehicle)
                KEPT[key] = seen.signals.data, seen.received
            one.signals.data.update(KEPT[key][0])
            one.received.update(KEPT[key][1])
        ends = [(int(s.t[0]), int(s.t[-1])) for s in one.signals.data.values() if len(s)]
        start, end = min(a for a, _ in ends), max(b for _, b in ends) + 1
        found.append(
            replace(one, signals=Signals(vehicle, start, end, dict(sorted(one.signals.data.items(), key=str))))
        )
    return found


def metrics(profile: Profile, view: View) -> Table:
    """Metrics of one log by session kind, name and item."""
    start, end = view.signals.start, view.signals.end
    found: Table = {}
    for one in sessions(
        vehicle=view.vehicle,
        stretch=Stretch(start, end),
        signals=view.signals,
        spans=[(start, end)],
        bench=False,
        stop_s=SETTINGS.stop_s,
        span_gap_us=int(SETTINGS.span_gap_s * 1e6),
    ):
        s = one.session
        for m in measure(s, view.signals.between(s.start, s.end), profile).metrics:
            found[s.kind, s.start, m.name, m.item] = m.value
    return found


def ride_and_charge(profile: str) -> list[int]:
    """Places of one ride and one charge among the logs."""
    names = [p.name for _, p in logs_of(profile)]
    return [next(i for i, n in enumerate(names) if word in n) for word in ("ride", "dock")]


@cache
def right(profile: str) -> tuple[Table, ...]:
    loaded = load_profile(PROFILES / f"{profile}.toml")
    seen = views(loaded, profile)
    return tuple(metrics(loaded, seen[i]) for i in ride_and_charge(profile))


def moved(before: Table, after: Table) -> str:
    """The first metric that came, went or moved by more than MATTERS; "" when none did."""
    for key in sorted({*before, *after}, key=str):
        a, b = before.get(key), after.get(key)
        if a is None or b is None:
            return f"{key[2]}[{key[3]}] {'came' if a is None else 'went'}"
        if np.isnan(a) != np.isnan(b) or abs(b - a) > MATTERS * max(abs(a), 1e-9):
            return f"{key[2]}[{key[3]}] {a:.4g} -> {b:.4g}"
    return ""


NOT_LOOKED = "not looked"


def look(mutation: Mutation, quick: bool = False) -> Seen:
    with tempfile.TemporaryDirectory() as folder:
        for dbc in PROFILES.glob("*.dbc"):
            (Path(folder) / dbc.name).write_bytes(dbc.read_bytes())
        path = Path(folder) / f"{mutation.profile}.toml"
        path.write_text(mutation.text, "utf-8")
        try:
            profile, said = examine_whole(path)
        except HerdbookError as error:
            return Seen(mutation, "check", str(error.what), "")
        if profile is None or said.errors:
            return Seen(mutation, "check", str(said.errors[0]) if said.errors else "refused", "")
        warned = [*map(str, profile.doubts)]
        seen = views(profile, mutation.profile)
        contact = hold_profile(profile, seen)
        told, why = ("contact", "; ".join(sorted({c.reason for c in contact.told}))) if contact.told else ("", "")
        if warned and not told:
            told, why = "warned", warned[0]
        if quick and told:
            return Seen(mutation, told, why, NOT_LOOKED)
        shift = ""
        for base, i in zip(right(mutation.profile), ride_and_charge(mutation.profile), strict=True):
            if not shift:
                shift = moved(base, metrics(profile, seen[i]))
        return Seen(mutation, told, why, shift)


def drawn(n: int, seed: int) -> list[Mutation]:
    rng = random.Random(seed)
    makers = [mutations(p, (PROFILES / f"{p}.toml").read_text("utf-8"), rng) for p in VEHICLES]
    return [next(makers[i % len(makers)]) for i in range(n)]


def report(seen: list[Seen]) -> str:
    """The card in markdown: counts, and every silent one that matters."""
    refused = [s for s in seen if s.told == "check"]
    matter = [s for s in seen if s.moved]
    unknown = sum(s.moved == NOT_LOOKED for s in seen)
    silent = [s for s in matter if not s.told]
    base = len(refused) + len(matter)
    lines = [
        f"{len(seen)} mutations: {len(refused)} refused at the check, {len(matter)} load and move a metric by more "
        f"than {MATTERS:.0%}, of these {len(silent)} are silent; {len(seen) - base} load and move none.",
        f"Told, of those that matter or are refused: {1 - len(silent) / max(1, base):.1%}; of those that load and "
        f"matter alone: {1 - len(silent) / max(1, len(matter)):.1%}.",
        "",
        "| kind | drawn | refused | told at contact or warned | silent, matters | moves nothing |",
        "|---|---|---|---|---|---|",
    ]
    for kind, n in sorted(Counter(s.mutation.kind for s in seen).items()):
        of = [s for s in seen if s.mutation.kind == kind]
        counts = [sum(s in group for s in of) for group in (refused, [s for s in matter if s.told], silent)]
        lines.append(f"| {kind} | {n} | {' | '.join(map(str, counts))} | {n - sum(counts)} |")
    by = Counter(s.told for s in matter if s.told)
    lines += ["", f"Of those told: {by['contact']} by the logs, {by['warned']} by a word of the check alone."]
    if unknown:
        lines += [f"{unknown} that are told were not looked at, whether they move a metric: they count as if they did."]
    lines += ["", "Silent:", ""]
    same = Counter((s.mutation.profile, s.mutation.kind, s.mutation.what, s.moved) for s in silent)
    lines += [f"- {p}, {k}: {w} ({n} times; {shift})" for (p, k, w, shift), n in sorted(same.items())]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description="Where wrong profiles are told")
    parser.add_argument("--n", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("build/wrong_profiles.md"))
    parser.add_argument("--quick", action="store_true", help="look at metrics only where nothing was told")
    asked = parser.parse_args()
    some = drawn(asked.n, asked.seed)
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    seen: list[Seen] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for one in pool.map(partial(look, quick=asked.quick), some, chunksize=4):
            seen.append(one)
            if len(seen) % SHOWN_EVERY == 0 or len(seen) == len(some):
                asked.out.write_text(report(seen), "utf-8")  # a long run that is stopped has something to show
    print(report(seen))


if __name__ == "__main__":
    main()
