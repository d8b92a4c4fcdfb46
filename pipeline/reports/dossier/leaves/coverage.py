"""Coverage and data quality: how much of the time is covered, what was lost on the way, what could not be judged."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

from herdbook.pipeline.reports.dossier import bus_load, lost_frames
from herdbook.pipeline.reports.drawing.session_figures import figures_table
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, bar_spec
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 100  # place in the dossier
WHOLE = (
    ("data_coverage", "Share of the session outside gaps"),
    ("data_gap_count", "Gaps in a session"),
    ("data_longest_gap_s", "Longest gap"),
    ("data_missing_share", "Samples without a value or impossible"),
    ("clock_rate_ppm", "Log's clock faster than the controller's"),
    ("clock_jump_count", "Times both clocks parted by over 2 s at once"),
    ("clock_jump_s", "Largest of these"),
)


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    if facts.sessions:
        blocks.append(Drawn(_weeks(facts)))
    if facts.not_assessed:
        body = [(r["subsystem"], facts.rule_title(r["rule"]), names.reason(r["reason"])) for r in facts.not_assessed]
        blocks.append(PageTable("What could not be judged on this unit", ("Subsystem", "What", "Why"), body))
    else:
        blocks.append(Note("Every rule could judge this unit."))
    if facts.messages:
        blocks.append(_messages(facts))
        blocks += lost_frames.blocks(con, facts)
        blocks += bus_load.blocks(con, facts)
    blocks += _clocks(facts)
    blocks += figures_table(facts, "How whole each session is, and how good its clock", WHOLE)
    blocks += _troubles(facts)
    lead = "A time without data is neither good nor bad. What is not listed as judged was not judged."
    return Leaf("coverage", "Coverage and data quality", lead, blocks)


def _clocks(facts: Facts) -> list[Block]:
    """What the logs' times rest on: a clock of their own, or only their beginning."""
    if not facts.logs:
        return []
    count = Counter(names.clock(str(log["clock"])) for log in facts.logs)
    doubted = sum(bool(log["clock_notes"]) for log in facts.logs)
    said = numbers.listing([f"{numbers.plural(n, 'log')}: {name}" for name, n in count.most_common()])
    return [Note(f"What the times rest on: {said}. A time is in doubt in {doubted} of {len(facts.logs)}.")]


def _weeks(facts: Facts) -> PageFigure:
    hours: dict[str, float] = defaultdict(float)
    for s in facts.sessions:
        seconds = (s["end_t"] - s["start_t"]).total_seconds()
        year, week, _ = s["start_t"].isocalendar()
        hours[f"{year}-W{week:02d}"] += s["coverage"] * seconds / 3600
    weeks = sorted(hours)
    spec = bar_spec(weeks, [hours[n] for n in weeks], "@accent", 240, x="Week (ISO 8601, UTC)", y="Covered [h]")
    alt = f"Bar chart from zero of covered hours in each of {len(weeks)} weeks that have any."
    note = f"n = {numbers.plural(len(facts.sessions), 'session')}; weeks without a session are not drawn."
    body = [(n, numbers.number(hours[n])) for n in weeks]
    return PageFigure(
        "coverage-weeks",
        "Hours covered by data, week by week [h]",
        alt,
        spec,
        note,
        head=("Week", "Hours [h]"),
        body=body,
        height=240,
    )


def _messages(facts: Facts) -> PageTable:
    head = ("Message", "Bus", "Frames", "Cycle [ms]", "Median [ms]", "Worst 99 % [ms]", "Missing", "Counter, checksum")
    body = [_message(m) for m in facts.messages]
    return PageTable("Messages over all logs", head, body, frozenset({2, 3, 4, 5, 6}))


def _message(m: Row) -> tuple[str, ...]:
    missed = "not known"
    if m["missed"] is not None:
        share = 100 * m["missed"] / max(1, m["frames"] + m["missed"])
        missed = f"{numbers.number(share, 2)} %" if m["missed"] else "none"
    cycle = numbers.number(m["cycle_ms"]) if m["cycle_ms"] else "on event"
    steps = numbers.number(m["median_ms"]), numbers.number(m["p99_ms"])
    return (m["message"], m["channel"] or "any", numbers.count(m["frames"]), cycle, *steps, missed, _faults(m))


def _faults(m: Row) -> str:
    said = {"counter_gaps": "counter gaps", "counter_repeats": "repeats", "checksum_failures": "checksum failures"}
    found = [f"{m[key]} {name}" for key, name in said.items() if m[key]]
    return ", ".join(found) or ("none" if any(m[key] is not None for key in said) else "not checked")


def _troubles(facts: Facts) -> list[Block]:
    body = []
    for log in facts.logs:
        said = [*log["clock_notes"], *log["fault_words"]]
        if log["status"] != "whole":
            said.insert(0, f"{log['status']}, {numbers.size(log['lost_bytes'])} unreadable")
        unknown = log["frames"] - log["frames_known"]
        if log["frames"] and unknown / log["frames"] > 0.2:
            said.append(f"{unknown / log['frames']:.0%} of its frames are not in the DBC files")
        if said:
            body.append((log["name"], numbers.moment(log["start_t"], facts.zone, False), "; ".join(said)))
    if not body:
        return [Note(f"Nothing wrong is known of the {numbers.plural(len(facts.logs), 'log')}.")]
    return [PageTable("Logs with something wrong", ("Log", "From", "What"), body)]
