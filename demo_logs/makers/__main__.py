"""A hundred makers, judged by the rules as they are.

    python -m demo_logs.makers --designs 300 --weeks 4 --seed 1 --out build/makers
    python -m demo_logs.makers --designs 12 --seed 1 --logs --out build/makers      also writes candump logs (large)

Only designs of one half are drawn. Open designs are for making rules. Those set aside are for one draw after the rules
are frozen: whoever looks at them while rules change has no judge left.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from operator import methodcaller
from pathlib import Path

from demo_logs.makers.design import ASIDE, OPEN, half_of
from demo_logs.makers.report import as_json, as_markdown
from demo_logs.makers.run import Job, Outcome, judged
from demo_logs.makers.score import score
from herdbook.pipeline.health.rules import all_rules

TOGETHER = 50  # designs that run in step
WARNING = (
    "These designs were set aside. They are to be drawn once, after the rules are frozen; after this run they have "
    "been seen, and rules changed by what it shows are judged by it no longer."
)


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.makers", description=__doc__.split("\n")[0])
    parser.add_argument("--designs", type=int, default=60, help="how many designs of the half are judged")
    parser.add_argument("--weeks", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--half", choices=(OPEN, ASIDE), default=OPEN)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--logs", action="store_true", help="write the logs as files too (large)")
    parser.add_argument("--out", type=Path, default=Path("build/makers"))
    return parser


def indices_of(seed: int, half: str, count: int) -> list[int]:
    """The first `count` designs of a half."""
    out: list[int] = []
    index = 0
    while len(out) < count:
        if half_of(seed, index) == half:
            out.append(index)
        index += 1
    return out


def main(arguments: list[str] | None = None) -> int:
    args = _arguments().parse_args(arguments)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(name, "1")  # read by the processes started below, which work side by side
    if args.half == ASIDE:
        print(WARNING, file=sys.stderr)
    begun = time.perf_counter()
    indices = indices_of(args.seed, args.half, args.designs)
    logs = args.out / "logs" if args.logs else None
    count = max(min(args.workers, len(indices)), -(-len(indices) // TOGETHER))
    pieces = [tuple(indices[i::count]) for i in range(count)]
    jobs = [Job(args.seed, piece, args.weeks, args.out / "profiles", logs) for piece in pieces]
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(args.workers, mp_context=get_context("spawn")) as pool:
        for done, some in enumerate(pool.map(judged, jobs), start=1):
            outcomes += some
            print(f"{done} of {len(jobs)} batches, {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    card = score(outcomes, {name: rule.subsystem for name, rule in all_rules().items()})
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = used.ru_utime + used.ru_stime
    head = (
        f"{len(indices)} designs of the {args.half} half, seed {args.seed}, {args.weeks:g} weeks; {len(outcomes)} "
        f"vehicles; {time.perf_counter() - begun:.0f} s, {cpu:.0f} s of processor time on {args.workers} processes."
    )
    text = f"{head}\n\n{as_markdown(card)}\n"
    args.out.mkdir(parents=True, exist_ok=True)
    (args.out / "makers.md").write_text(text, "utf-8")
    figures = json.dumps(as_json(card), indent=1, default=methodcaller("item"))
    (args.out / "makers.json").write_text(figures + "\n", "utf-8")
    print(text.split("\n\nMissed:")[0])
    print(f"\nMisses and false words one by one: {args.out / 'makers.md'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
