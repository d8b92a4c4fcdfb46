"""Causes judged by the truth: of each found fault of a campaign, whether the cause at the top of the page is the true
one, and whether the record ever speaks against the true one.

    python -m demo_logs.cause_card --seed 9100 --vehicles 12 --rides      # a minute of processor: what rides show
    python -m demo_logs.cause_card --seed 9100 --vehicles 24 --charges    # three weeks: charges, rests, short rides
    python -m demo_logs.cause_card --seed 9100 --vehicles 40 --short [--faults ...] [--out FILE.md]
    python -m demo_logs.cause_card --seed 61001 --seeds 16 --vehicles 34 --rides --acting --jobs 16 --within 500

The vehicles are simulated twice: once to be judged, and once more for the signals in the windows of what was found.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from multiprocessing import active_children, get_context
from pathlib import Path

from demo_logs.campaign import measure_all, profiles, wish_of
from demo_logs.cause_report import JudgedFault, as_text, examples, failures
from demo_logs.causes import CAUSES
from demo_logs.draw import Drawn, Wish, draw
from demo_logs.records import Measured
from demo_logs.scorecard import same_item
from demo_logs.simulator import outings_of
from demo_logs.simulator.fleet import noise_rng, to_signals
from demo_logs.simulator.logger import observe
from demo_logs.true_causes import TRUE
from herdbook.pipeline.health.cause import Episode, Evidence, Seen, in_order
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.rule import Finding, Rule
from herdbook.pipeline.reports.dossier.causes import LEAD_S, MOST_S, MOST_WINDOWS

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


SAID = {
    "": "the whole calendar",
    "rides": f"{RIDES} rides of {RIDE_MIN:.0f} minutes alone",
    "charges": "charges and rests of three weeks",
}
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

    def judged(self, case: str) -> JudgedFault:
        """Without the record and its signals: what a card needs."""
        return JudgedFault(self.vehicle, self.fault, self.rule.id, self.finding.item, tuple(self.causes), case)


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


@dataclass(frozen=True, slots=True)
class Case:
    """Vehicles that one process draws, simulates and judges. form: rides, charges, or "" for the whole calendar."""

    seed: int
    vehicles: int
    form: str
    wish: Wish

    @property
    def name(self) -> str:
        return f"{self.seed}{' ' + self.form if self.form else ''}"

    @property
    def said(self) -> str:
        """What was drawn of its vehicles."""
        recorded = "three weeks" if self.wish.short and not self.form else SAID[self.form]
        return recorded + (", of sizes to act at" if self.wish.acting else "")


Ended = tuple[Case, list[JudgedFault], float]  # with the processor time that it took, s


def judge_case(case: Case) -> Ended:
    """What was found of a case, its causes judged."""
    begun = time.process_time()
    drawn = draw(case.seed, case.vehicles, profiles(), case.wish)
    if case.form == "rides":
        drawn = rides_alone(drawn)
    if case.form == "charges":
        drawn = in_step(drawn)
    order = {d.vehicle.name: k for k, d in enumerate(drawn)}
    measured = sorted(measure_all(drawn, 1), key=lambda m: order[m.vehicle])
    found = found_faults(drawn, measured)
    look(found, drawn)
    return case, [f.judged(case.name) for f in found], time.process_time() - begun


def cases_of(args: argparse.Namespace) -> list[Case]:
    """One case for each seed and form. A sound vehicle has no cause, so every vehicle has a fault."""
    forms = [form for form in ("rides", "charges") if getattr(args, form)] or [""]
    asked = wish_of(args)
    wishes = {
        form: replace(asked, faults=asked.faults or kinds_of(form), short=asked.short or form == "charges")
        for form in forms
    }
    seeds = range(args.seed, args.seed + args.seeds)
    return [Case(seed, args.vehicles, form, wishes[form]) for seed in seeds for form in forms]


def kinds_of(form: str) -> tuple[str, ...]:
    if form == "rides":
        return IN_RIDES
    return tuple(kind for kind in CAUSES if form != "charges" or kind not in IN_RIDES)


def judge_all(cases: Sequence[Case], jobs: int, within: float | None) -> Iterator[Ended]:
    """Each case as it ends, in `jobs` processes. After `within` seconds what has not ended is left out."""
    if jobs <= 1 and within is None:
        yield from map(judge_case, cases)
        return
    pool = ProcessPoolExecutor(jobs, mp_context=get_context("spawn"))
    asked = [pool.submit(judge_case, case) for case in cases]
    try:
        for ended in as_completed(asked, within):
            yield ended.result()
    except TimeoutError:
        for process in active_children():
            process.terminate()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m demo_logs.cause_card", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=9100, help="the first one; use ones never drawn before")
    parser.add_argument("--seeds", type=int, default=1, help="how many from there on, each in a process of its own")
    parser.add_argument("--vehicles", type=int, default=40, help="of each seed")
    parser.add_argument("--faults", default="")
    parser.add_argument("--acting", action="store_true", help="only sizes a service desk would act at")
    parser.add_argument("--double", action="store_true", help="two faults of different kinds in a vehicle")
    parser.add_argument("--short", action="store_true", help="three weeks instead of eight")
    parser.add_argument("--rides", action="store_true", help="a few short rides alone, and only faults they show")
    parser.add_argument("--charges", action="store_true", help="three weeks in step, and only faults rides do not show")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--within", type=float, help="seconds after which what has not ended is left out")
    parser.add_argument("--out", type=Path, help="file for the card, written anew as each case ends")
    args = parser.parse_args(arguments)
    if min(args.seeds, args.vehicles, args.jobs) < 1:
        parser.error("--seeds, --vehicles and --jobs are 1 or more")
    for name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # a process is one job
    found: list[JudgedFault] = []
    cases, ended, processor = cases_of(args), 0, 0.0
    for case, mine, took in judge_all(cases, args.jobs, args.within):
        found, ended, processor = [*found, *mine], ended + 1, processor + took
        print(f"{case.name}: {len(mine)} found, {took:.0f} s; {ended} of {len(cases)}", file=sys.stderr, flush=True)
        if args.out:
            args.out.write_text(card(found, cases, ended, processor), "utf-8")
    print(card(found, cases, ended, processor))
    return 0


def card(found: Sequence[JudgedFault], cases: Sequence[Case], ended: int, processor: float) -> str:
    first, last = cases[0], cases[-1]
    forms = " and ".join(dict.fromkeys(case.said for case in cases))
    seeds = f"seed {first.seed}" if first.seed == last.seed else f"seeds {first.seed} to {last.seed}"
    of_each = f"{first.vehicles} vehicles{' each' if len(cases) > 1 else ''}"
    what = f"{seeds}, {of_each}; {forms}; {ended} of {len(cases)} cases ended"
    each = processor / max(1, ended * first.vehicles)
    cost = f"\nProcessor: {processor:.0f} s, {each:.1f} s a vehicle.\n"
    return as_text(found, what) + cost + "\n" + examples(found, 40) + "\n" + failures(found)


if __name__ == "__main__":
    sys.exit(main())
