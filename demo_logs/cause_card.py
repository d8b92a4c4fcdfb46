"""Causes judged by the truth: of each found fault of a campaign, whether the cause at the top of the page is the true
one, and whether the record ever speaks against the true one.

    python -m demo_logs.cause_card --seed 9100 --vehicles 40 --short [--faults ...] [--workers 2] [--out FILE.md]
    python -m demo_logs.cause_card --seed 9100 --vehicles 12 --rides      # a minute of processor: what rides show
    python -m demo_logs.cause_card --seed 9100 --vehicles 24 --charges    # three weeks: charges, rests, short rides

The vehicles are simulated twice: once to be judged, and once more for the signals in the windows of what was found.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from demo_logs.aggregate import wilson
from demo_logs.campaign import measure_all, profiles, wish_of
from demo_logs.causes import CAUSES
from demo_logs.draw import Drawn, draw
from demo_logs.records import Measured
from demo_logs.scorecard import same_item
from demo_logs.simulator import outings_of
from demo_logs.simulator.fleet import noise_rng, to_signals
from demo_logs.simulator.logger import observe
from demo_logs.true_causes import TRUE, is_true
from herdbook.pipeline.health.cause import Episode, Evidence, Seen, Standing, in_order
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.rule import Finding, Rule
from herdbook.pipeline.reports.dossier.causes import LEAD_S, MOST_S, MOST_WINDOWS
from herdbook.pipeline.times import from_micros

RIDES, RIDE_MIN = 3, 3.0  # of --rides
IN_RIDES = (  # faults that show in a few rides
    *("regen_refused_unexplained", "regen_weak", "regen_late", "regen_one_sided", "regen_dropout", "regen_overvoltage"),
    *("torque_after_release", "belt_slip", "encoder_dropout", "link_loss", "controller_resets", "contactor_opens"),
    *("temp_open", "temp_short", "pack_voltage_gain", "hot_for_load", "weak_group", "loose_sense_wire"),
)


def rides_alone(drawn: Sequence[Drawn]) -> list[Drawn]:
    """The same vehicles with a few short rides and nothing else, their faults there from the beginning."""
    out = []
    for one in drawn:
        rides = [replace(o, minutes=RIDE_MIN) for o in one.outings if o.kind == "ride"][:RIDES]
        faults = tuple(replace(f, onset=0, grow_days=0.0) for f in one.vehicle.faults)
        out.append(replace(one, outings=tuple(rides), vehicle=replace(one.vehicle, faults=faults)))
    return out


IN_STEP_MIN = {"ride": 4.0, "charge": 100.0, "rest": 90.0}  # of --charges


def in_step(drawn: Sequence[Drawn]) -> list[Drawn]:
    """The same vehicles with equally long outings, so that those of one profile are simulated together."""
    return [
        replace(one, outings=tuple(replace(o, minutes=IN_STEP_MIN.get(o.kind, o.minutes)) for o in one.outings))
        for one in drawn
    ]


@dataclass
class FoundFault:
    """A fault that a right rule found, with the windows it rests on. causes: as the page would order them."""

    vehicle: str
    fault: str
    rule: Rule
    finding: Finding
    found: Mapping[str, frozenset[str]]
    refused: frozenset[str]
    figures: Measured
    others: Mapping[str, Sequence[tuple[int, int]]] = field(default_factory=dict)
    episodes: dict[int, Episode] = field(default_factory=dict)
    causes: list[tuple[str, Seen]] = field(default_factory=list)

    @property
    def windows(self) -> list[tuple[int, int]]:
        return [(w.start, min(w.end, w.start + int(MOST_S * 1e6))) for w in self.finding.windows[:MOST_WINDOWS]]

    @property
    def right_first(self) -> bool:
        return bool(self.causes) and is_true(self.fault, self.rule.id, self.causes[0][0])

    @property
    def sifted(self) -> bool:
        """Nothing supports the cause at the top; some other cause was put below by what was looked for."""
        standings = [seen.standing for _, seen in self.causes]
        below = {Standing.NOT_SEEN, Standing.CONTRADICTED}
        return bool(standings) and standings[0] is not Standing.SUPPORTED and bool(below & set(standings))

    @property
    def true_denied(self) -> bool:
        """The record is said to speak against every true cause."""
        mine = [seen for cause, seen in self.causes if is_true(self.fault, self.rule.id, cause)]
        return bool(mine) and all(seen.standing == Standing.CONTRADICTED for seen in mine)


def found_faults(drawn: Sequence[Drawn], measured: Sequence[Measured]) -> list[FoundFault]:
    """What the rules found of what was injected."""
    known = {p.name: p for p in profiles()}
    out = []
    for one, record in zip(drawn, measured, strict=True):
        vehicle = one.vehicle
        judged = judge(record.record(known[vehicle.profile.name], None))
        said = [(j.rule, j.finding) for j in judged.findings]
        items: dict[str, set[str]] = {}
        for rule, finding in said:
            items.setdefault(rule.id, set()).add(finding.item)
        found = {rule: frozenset(names) for rule, names in items.items()}
        refused = frozenset(r.rule.id for r in judged.not_assessed)
        for fault in vehicle.faults:
            right = [
                (rule, finding)
                for rule, finding in said
                if rule.id in CAUSES[fault.name].right and (fault.name, rule.id) in TRUE
                if same_item(finding.item, str(fault.item))
            ]
            for r, f in right[:1]:
                others: dict[str, list[tuple[int, int]]] = {}
                for rule, finding in said:
                    if finding is not f:
                        others.setdefault(rule.id, []).extend((w.start, w.end) for w in finding.windows)
                out.append(FoundFault(vehicle.name, fault.name, r, f, found, refused, record, others))
    return out


def look(found: Sequence[FoundFault], drawn: Sequence[Drawn]) -> None:
    """Simulate the vehicles of what was found once more, keep the signals in the windows, and judge the causes."""
    wanted: dict[str, list[FoundFault]] = {}
    for one in found:
        wanted.setdefault(one.vehicle, []).append(one)
    mine = [d for d in drawn if d.vehicle.name in wanted]
    by_calendar: dict[object, list[Drawn]] = {}
    for d in mine:
        by_calendar.setdefault((d.vehicle.profile.name, tuple((o.kind, o.minutes) for o in d.outings)), []).append(d)
    for batch in by_calendar.values():
        _look_batch(batch, wanted)
    bits = {p.name: {(m.role, m.item): dict(m.bit_names) for m in p.roles if m.bit_names} for p in profiles()}
    profile_of = {d.vehicle.name: d.vehicle.profile.name for d in drawn}
    known = {p.name: p for p in profiles()}
    for one in found:
        one.causes = in_order(
            one.rule.causes,
            Evidence(
                episodes=[one.episodes[k] for k in sorted(one.episodes)],
                item=one.finding.item,
                found=one.found,
                refused=one.refused,
                bits=bits[profile_of[one.vehicle]],
                record=one.figures.record(known[profile_of[one.vehicle]], None),
                spans=[(w.start, w.end) for w in one.finding.windows],
                others=one.others,
            ),
        )


def _look_batch(batch: Sequence[Drawn], wanted: Mapping[str, list[FoundFault]]) -> None:
    lead = int(LEAD_S * 1e6)
    for slot, trace, _ in outings_of([d.vehicle for d in batch], [d.outings for d in batch]):
        for i, (one, outing) in enumerate(zip(batch, slot, strict=True)):
            start = int(trace.start_us[i])
            end = start + int(outing.minutes * 60e6)
            asked = [
                (f, k, a, b)
                for f in wanted[one.vehicle.name]
                for k, (a, b) in enumerate(f.windows)
                if a < end and b > start and k not in f.episodes
            ]
            if not asked:
                continue
            vehicle, rng = one.vehicle, noise_rng(one.vehicle, outing)
            seen = observe(trace, i, vehicle.profile, outing.kind, one.logger, rng, vehicle.noise)
            signals = to_signals(vehicle.name, start, end, seen, vehicle.profile)
            for f, k, a, b in asked:
                cut = b < f.finding.windows[k].end
                f.episodes[k] = Episode(signals.between(a - lead, b + lead), a, b, cut)


def as_text(found: Sequence[FoundFault], what: str) -> str:
    right, denied = sum(f.right_first for f in found), sum(f.true_denied for f in found)
    n = len(found)
    low, high = wilson(right, n)
    told = sum(f.causes[0][1].standing is Standing.SUPPORTED for f in found)
    sifted = sum(f.sifted for f in found)
    out = [
        f"# Causes against the truth: {what}",
        "",
        f"Found faults: {n}. The cause at the top is a true one in {right} ({right / max(n, 1):.0%}, 95 % interval "
        f"{low:.0%} to {high:.0%}). The record is said to speak against the true one in {denied}.",
        f"By evidence that supports it: {told} of {n}; by evidence against others alone: {sifted}; by the rule's order "
        f"alone: {n - told - sifted}.",
        "",
        "| fault | found | true cause first | true one denied | at the top otherwise |",
        "|---|---|---|---|---|",
    ]
    for fault in sorted({f.fault for f in found}):
        mine = [f for f in found if f.fault == fault]
        wrong = Counter(f"{f.causes[0][0]} ({f.causes[0][1].standing})" for f in mine if not f.right_first)
        said = "; ".join(f"{cause} x {k}" for cause, k in wrong.most_common())
        counts = f"{len(mine)} | {sum(f.right_first for f in mine)} | {sum(f.true_denied for f in mine)}"
        out.append(f"| {fault} | {counts} | {said} |")
    return "\n".join(out) + "\n"


def examples(found: Sequence[FoundFault], count: int) -> str:
    """One of each kind: the cause at the top, what the record says of it, and whether it is true."""
    head = ("vehicle", "fault", "finding", "cause at the top", "what the record says", "the sample", "true")
    out = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    for fault in sorted({f.fault for f in found})[:count]:
        f = next(x for x in found if x.fault == fault)
        cause, seen = f.causes[0]
        said = f"{seen.standing}: {seen.words}" if seen.words else str(seen.standing)
        at = "none: a measurement tells" if seen.t is None else f"{from_micros(seen.t):%Y-%m-%d %H:%M:%S} UTC"
        sample = "the finding itself" if seen.rule else at
        row = (f.vehicle, fault, f"{f.rule.id} {f.finding.item}", cause, said, sample, _yes(f.right_first))
        out.append(f"| {' | '.join(row)} |")
    return "\n".join(out) + "\n"


def _yes(true: bool) -> str:
    return "yes" if true else "no"


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.cause_card", description=__doc__)
    parser.add_argument("--vehicles", type=int, default=40)
    parser.add_argument("--seed", type=int, default=9100)
    parser.add_argument("--faults", default="")
    parser.add_argument("--acting", action="store_true")
    parser.add_argument("--double", action="store_true")
    parser.add_argument("--short", action="store_true", help="three weeks instead of eight")
    parser.add_argument("--rides", action="store_true", help="a few short rides alone, and only faults they show")
    parser.add_argument("--charges", action="store_true", help="three weeks in step, and only faults rides do not show")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args(arguments)
    args.short = args.short or args.charges
    kinds = IN_RIDES if args.rides else [k for k in CAUSES if not args.charges or k not in IN_RIDES]
    args.faults = args.faults or ",".join(kinds)  # a sound vehicle has no cause
    drawn = draw(args.seed, args.vehicles, profiles(), wish_of(args))
    if args.rides:
        drawn = rides_alone(drawn)
    if args.charges:
        drawn = in_step(drawn)
    order = {d.vehicle.name: k for k, d in enumerate(drawn)}
    measured = sorted(measure_all(drawn, args.workers), key=lambda m: order[m.vehicle])
    found = found_faults(drawn, measured)
    look(found, drawn)
    what = f"seed {args.seed}, {args.vehicles} vehicles{', three weeks' if args.short else ''}"
    what += f", {RIDES} rides of {RIDE_MIN:.0f} minutes alone" if args.rides else ""
    text = as_text(found, what) + "\n" + examples(found, 40)
    print(text)
    if args.out:
        args.out.write_text(text, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
