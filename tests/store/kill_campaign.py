"""Kill verbs by the dozen, several entries at once, each in processes and a store of its own; 1 when one failed.

    python -m tests.store.kill_campaign --kills 20 --seed 17 --jobs 16 --json kills.json "stand pack" "history, as CSV"

Without names: all entries. Instants are drawn from the seed and the entry's name, whatever runs beside it. A line is
printed when an entry ends; no network and no browser is used.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.store import typed_verbs
from tests.store.verb_kills import VERBS, survive

SOUND = "nothing lost, nothing doubled, each file whole or not there"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one entry. kills: those done; said: SOUND, or what differed and the last lines of why."""

    entry: str
    kills: int
    seconds: float
    said: str


def killed(entry: str, kills: int, seed: int) -> Outcome:
    begun, done, said = time.monotonic(), 0, SOUND

    def count(_: Path) -> None:
        nonlocal done
        done += 1

    with tempfile.TemporaryDirectory(prefix="herdbook-kills-") as folder:
        try:
            survive(entry, kills, random.Random(f"{seed} {entry}"), Path(folder), count)
        except Exception:
            said = traceback.format_exc(limit=-3)[-2000:]
    return Outcome(entry, done, round(time.monotonic() - begun, 1), said)


def asked(words: Sequence[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.store.kill_campaign", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--kills", type=int, default=20, help="of each entry, at least (20)")
    parser.add_argument("--seed", type=int, default=17, help="(17)")
    parser.add_argument("--jobs", type=int, default=1, help="entries at once (1)")
    parser.add_argument("--json", type=Path, help="a file for what came of it, written anew when an entry ends")
    parser.add_argument("--typed", action="store_true", help="the entries that are typed as commands, without names")
    parser.add_argument("entries", nargs="*", metavar="ENTRY", help=", ".join(VERBS))
    given = parser.parse_args(words)
    if unknown := [entry for entry in given.entries if entry not in VERBS]:
        parser.error(f"no such entry: {', '.join(unknown)}; --help lists them")
    if given.kills < 1 or given.jobs < 1:
        parser.error("--kills and --jobs are 1 at least")
    given.entries = list(dict.fromkeys(given.entries)) or [*(typed_verbs.VERBS if given.typed else VERBS)]
    return given


def main(words: Sequence[str] | None = None) -> int:
    given, outcomes = asked(words), list[Outcome]()
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(given.jobs, mp_context=context, max_tasks_per_child=1) as pool:
        for waiting in as_completed([pool.submit(killed, entry, given.kills, given.seed) for entry in given.entries]):
            one = waiting.result()
            outcomes.append(one)
            print(f"{one.entry:28} {one.kills:4} kills {one.seconds:7.1f} s  {one.said}", flush=True)
            if given.json:
                about = {"seed": given.seed, "jobs": given.jobs, "cores": os.cpu_count()}
                text = json.dumps({**about, "entries": [asdict(o) for o in outcomes]}, indent=1)
                given.json.write_text(text + "\n", "utf-8")
    bad = [one.entry for one in outcomes if one.said != SOUND]
    print(f"{sum(one.kills for one in outcomes)} kills of {len(outcomes)} entries; failed: {', '.join(bad) or 'none'}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
