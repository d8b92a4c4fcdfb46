"""The causes of a finding as the record speaks for or against each, with the moment it rests on; and what follows from
what among a vehicle's findings."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.health.cause import Episode, Evidence, Seen, Standing, in_order
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.reports.dossier.evidence import BitNames, command, told_by
from herdbook.pipeline.reports.drawing.traces import load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import local_ms
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import from_micros, micros
from herdbook.pipeline.vehicle.packs import as_pack, pack_of

if TYPE_CHECKING:
    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.store.store import Store

LEAD_S = 2.0  # signals before and after a window: a slow message is held into it
MOST_WINDOWS = 5  # the worst ones
MOST_S = 3600.0  # a longer window is looked at from its beginning
WORDS = {
    Standing.SUPPORTED: "The record supports it",
    Standing.OPEN: "The record does not settle it",
    Standing.NOT_RECORDED: "Not recorded",
    Standing.NOT_SEEN: "Not seen where it should show",
    Standing.CONTRADICTED: "The record speaks against it",
}


@dataclass(frozen=True, slots=True)
class ShownCause:
    """One cause as the page shows it. standing: Standing's value. said: what the record says, a clause. moment: when,
    in the page's zone, "" for none; at_ms: the same on the time axis of figures. command: writes the samples around
    it. finding: id of the finding that tells it."""

    text: str
    standing: str
    words: str
    said: str
    moment: str
    at_ms: float | None
    command: str
    finding: str


def causes_of(
    store: Store, facts: Facts, finding: Row, bits: BitNames, record: Record | None = None
) -> list[ShownCause]:
    """The causes of one finding, what the record supports first and what it excludes last; between them as the rule
    lists them. record: the vehicle's figures as rules read them, None where its profile is gone."""
    rule = all_rules().get(finding["rule"])
    tested = {str(c): c for c in rule.causes} if rule is not None else {}
    causes = [tested.get(text, text) for text in finding["causes"]]  # an older rule set said it in other words
    return [
        _shown(facts, text, seen)
        for text, seen in in_order(causes, _evidence(store, facts, finding, causes, bits, record))
    ]


def _evidence(
    store: Store, facts: Facts, finding: Row, causes: list[str], bits: BitNames, record: Record | None
) -> Evidence:
    roles = told_by(causes)
    found: dict[str, set[str]] = defaultdict(set)
    others: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for other in facts.findings:
        pack, item = pack_of(other["item"])
        if pack and facts.pack and pack != facts.pack:
            continue  # another pack's finding says nothing of this one
        found[other["rule"]].add(item)
        if other["finding"] != finding["finding"]:
            others[other["rule"]] += _spans(other)
    return Evidence(
        episodes=_episodes(store, facts, finding, roles) if roles else (),
        item=finding["item"],
        found={rule: frozenset(items) for rule, items in found.items()},
        refused=frozenset(row["rule"] for row in facts.not_assessed),
        bits=bits,
        record=record,
        spans=_spans(finding),
        others=others,
    )


def _spans(finding: Row) -> list[tuple[int, int]]:
    return [(micros(w["start_t"]), micros(w["end_t"])) for w in finding["windows"]]


def _episodes(store: Store, facts: Facts, finding: Row, roles: tuple[str, ...]) -> list[Episode]:
    out = []
    for window in finding["windows"][:MOST_WINDOWS]:
        start = micros(window["start_t"])
        end = min(micros(window["end_t"]), start + int(MOST_S * 1e6))
        lead = int(LEAD_S * 1e6)
        try:
            signals = load(store, facts.vehicle, start - lead, end + lead, roles, pack=facts.pack)
        except HerdbookError:
            continue  # the figure of this window says why it cannot be read
        out.append(Episode(signals, start, end, cut=end < micros(window["end_t"])))
    return out


def bit_names(store: Store, facts: Facts) -> BitNames:
    """What the bits of the vehicle's fault words mean, where its profile or DBC file says so."""
    try:
        profiles = [p for p in store.profiles() if p.name == facts.about["profile"]]
    except HerdbookError:
        return {}
    read = [as_pack(p, facts.pack or 1) for p in profiles]
    return {(m.role, m.item): m.bit_words for p in read if p for m in p.roles if m.bit_words}


def _shown(facts: Facts, text: str, seen: Seen) -> ShownCause:
    told = next((f for f in facts.findings if f["rule"] == seen.rule), None) if seen.rule else None
    at = "" if seen.t is None else numbers.moment(from_micros(seen.t), facts.zone)
    show = ""
    if seen.t is not None and seen.role:
        show = command(facts, (seen.role,), seen.t - 5_000_000, seen.t + 5_000_000)
    said = f"{seen.words}: {told['title']} {told['item']}".strip() if told is not None else seen.words
    return ShownCause(
        text=text,
        standing=seen.standing.value.replace(" ", "-"),
        words=WORDS[seen.standing],
        said=said,
        moment=at,
        at_ms=None if seen.t is None else float(local_ms(np.array([seen.t], np.int64), facts.zone)[0]),
        command=show,
        finding=told["finding"][:12] if told is not None else "",
    )


def stories(facts: Facts, causes: dict[str, list[ShownCause]]) -> list[tuple[Row, list[Row]]]:
    """Findings that follow from another one: (the root, what follows from it), by findings' ids in `causes`. What
    follows from something that follows is told under the first of them all."""
    by_id = {f["finding"][:12]: f for f in facts.findings}
    comes_from: dict[str, str] = {}
    for finding, shown in causes.items():
        roots = [c.finding for c in shown if c.standing == Standing.SUPPORTED.value and c.finding in by_id]
        if roots and roots[0] != finding[:12]:
            comes_from[finding[:12]] = roots[0]
    follows: dict[str, list[Row]] = defaultdict(list)
    for finding in comes_from:
        root, passed = finding, {finding}
        while root in comes_from and comes_from[root] not in passed:
            root = comes_from[root]
            passed.add(root)
        if root != finding:
            follows[root].append(by_id[finding])
    return [(by_id[root], rows) for root, rows in follows.items()]
