"""Verbs as they are typed, for the campaigns of kills and of full disks: what each writes, in the store or beside it.

Where a verb of the command's own table stands: in one of the campaigns (by_name), among READS, which change no file, or
in ELSEWHERE, which names the tests that kill it. A verb that stands nowhere fails a test.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
import shutil
import sys
import xml.etree.ElementTree
import zipfile
from collections.abc import Callable, Collection
from pathlib import Path

from pyarrow import parquet

from herdbook.flows.cli import ALL_VERBS
from herdbook.pipeline.cli import build, run
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store.signing_key import PRIVATE, PUBLIC, public_key
from herdbook.pipeline.store.store import Store
from tests.acceptance.plans import HEAD, check, step, written

ROOT = Path(__file__).parents[2]
STAND = ROOT / "demo_logs" / "stand"
OUT = "out"  # what a verb writes beside the store
DONE = {0, 10, 20, 30, 40, 50, 60}  # exit codes of a verb that did its work
MOMENT = re.compile(
    r"\d{4}-\d\d-\d\d([ T]\d\d:\d\d(:\d\d)?(\.\d+)?Z?)?|\b\d\d:\d\d(:\d\d)?\b|\d+ (minute|second)s?|[\d.]+ [GM]B"
)
SEALED = re.compile(r"[0-9a-f]{32,}")  # hashes, keys and signatures over a moment
Step = Callable[[Path], object]


def typed(*words: str, done: Collection[int] = DONE) -> Step:
    """The verb as a person types it. {store}, {here} and {out} stand for folders. done: exit codes but failures."""

    def verb(here: Path) -> None:
        places = {"here": here, "store": here / "store", "out": here / OUT}
        given, said = [word.format(**places) for word in words], io.StringIO()
        code: object = 0
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
            sys.argv = ["herdbook", *given]
            try:
                run(build(ALL_VERBS, given))
            except SystemExit as leaving:
                code = leaving.code
        if code in (5, 6):
            raise StoreError(" ".join(said.getvalue().split()))
        if code not in done:
            raise AssertionError(f"exit code {code}: {said.getvalue()}")

    return verb


def _logs(here: Path) -> None:
    """Logs of one unit alone, which look and accept take."""
    shutil.copytree(here / "inbox", here / "unit", ignore=shutil.ignore_patterns("2-*", "junk*"))


def _plan(here: Path) -> None:
    _logs(here)
    head = HEAD.replace('"zirbel"', '"toy"')
    written(here, step("ride", least_s="10"), check("distance_km", error="0.001", error_why='"x"'), head=head)


def _table(here: Path) -> None:
    rows = ["vehicle,figure,item,value,unit,time,line,who"]
    for k in range(8):
        for minute, who in ((0, "mara"), (5, "jon"), (10, "mara"), (15, "jon")):
            value, time = 7 + (k * 7 % 5) / 100 + minute / 10_000, f"2026-03-{2 + k:02d} 08:{minute:02d}"
            rows.append(f"TOY-{k:03d},weight,,{value},kg,{time},A,{who}")
    (here / "tests.csv").write_text("\n".join(rows) + "\n")


def _sheets(here: Path) -> None:
    shutil.copytree(STAND, here / "stand")
    for sheet in (here / "stand").glob("*.toml"):
        sheet.write_text(sheet.read_text("utf-8").replace("../../dbc_demo", str(ROOT / "dbc_demo")), "utf-8")


def _folder(here: Path) -> None:
    (here / OUT).mkdir()


def _note(here: Path) -> None:
    """A note entered at the desk, over its page."""
    from tests.desk.conftest import served, visitor

    note = {"v": "TOY-001", "by": "Workshop", "said": "Let go twice.", "when": "2026-03-04 10:00", "kind": "note"}
    with served(Store.open(here / "store")) as listening, visitor(listening) as browser:
        said = browser.post("/note", data=note, headers={"accept": "application/json"})
        if said.status_code != 200:
            raise StoreError(said.json()["what"], do=said.json().get("do", ""))


def _seen(here: Path) -> None:
    """A store that a person has looked at already: its key is made."""
    typed("store", "key", "--store", "{store}")(here)


def _nothing(_: Path) -> None:
    pass


def _once(name: str, verb: Step) -> Step:
    """A verb that writes over nothing: a person who finds the file there, whole, does not type it again."""

    def step(here: Path) -> None:
        if not (here / OUT / name).exists():
            verb(here)

    return step


S = ("--store", "{store}")
STRETCH = ("--since", "2026-03-01T08:00:00Z", "--until", "2026-03-01T08:00:10Z")
VERBS: dict[str, tuple[Step, Step]] = {  # what is there before, and the verb
    "look": (_logs, typed("look", "{here}/unit", "--profile", "{here}/profiles/toy.toml", "--out", "{out}")),
    "accept": (_plan, typed("accept", "{here}/unit", "--plan", "{here}/test.plan.toml", *S, "--out", "{out}/c.html")),
    "accept, as JSON": (
        _plan,
        typed("accept", "{here}/unit", "--plan", "{here}/test.plan.toml", *S, "--line", "L1", "--out", "{out}/c.json"),
    ),
    "stand coast-down": (_sheets, typed("stand", "coast-down", "{here}/stand/tyre_a.toml", "--out", "{out}/")),
    "stand drive": (_sheets, typed("stand", "drive", "{here}/stand/drive_14.toml", "--out", "{out}/")),
    "stand pack": (_sheets, typed("stand", "pack", "{here}/stand/pack.toml", "--out", "{out}/")),
    "stand compare": (
        _sheets,
        typed("stand", "compare", "{here}/stand/tyre_a.toml", "{here}/stand/tyre_b.toml", "--out", "{out}/"),
    ),
    "line repeatability": (
        _table,
        typed("line", "repeatability", "weight", "--csv", "{here}/tests.csv", "--out", "{out}/"),
    ),
    "line charts": (_table, typed("line", "charts", "weight", "--csv", "{here}/tests.csv", "--out", "{out}/")),
    "line capability": (
        _table,
        typed(
            "line", "capability", "weight", "--csv", "{here}/tests.csv", "--low", "6", "--high", "8", "--out", "{out}/"
        ),
    ),
    "fleet, its pages": (_nothing, typed("fleet", *S, "--pages", "{out}")),
    "compare": (_nothing, typed("compare", "TOY-001", "TOY-002", *S, "--out", "{out}/compared.html")),
    "dossier": (_nothing, typed("dossier", "TOY-001", *S, "--out", "{out}/")),
    "history": (_nothing, typed("history", "TOY-001", *S, "--out", "{out}/h.html")),
    "history, as JSON": (_seen, typed("history", "TOY-001", *S, "--out", "{out}/h.json")),
    "history, as CSV": (_seen, typed("history", "TOY-001", *S, "--out", "{out}/h.csv")),
    "wires": (_nothing, typed("wires", "TOY-001", "pack_current", *S, *STRETCH, "--out", "{out}/w.parquet")),
    "wires, as CSV": (_nothing, typed("wires", "TOY-001", "pack_current", *S, *STRETCH, "--out", "{out}/w.csv")),
    "wires, as a page": (_nothing, typed("wires", "TOY-001", "pack_current", *S, *STRETCH, "--out", "{out}/w.html")),
    "wires, as MF4": (_nothing, typed("wires", "TOY-001", "pack_current", *S, *STRETCH, "--out", "{out}/w.mf4")),
    "query": (_folder, typed("query", "SELECT * FROM metrics ORDER BY ALL", *S, "--out", "{out}/m.parquet")),
    "query, as CSV": (_folder, typed("query", "SELECT * FROM metrics ORDER BY ALL", *S, "--out", "{out}/m.csv")),
    "herd page": (_nothing, typed("herd", "page", *S, "--out", "{out}/herd.html")),
    "store key": (_nothing, typed("store", "key", *S)),
    "profile check, as a page": (
        _folder,
        typed(
            "profile", "check", "{here}/profiles/toy.toml", "--log", "{here}/inbox/1-0.log", "--html", "{out}/p.html"
        ),
    ),
    "profile draft": (
        _nothing,
        _once("drafted.toml", typed("profile", "draft", "{here}/profiles/toy.dbc", "--out", "{out}/drafted.toml")),
    ),
    "demo": (_folder, _once("demo", typed("demo", "{out}/demo"))),
    "desk, a note": (_nothing, _note),
    "desk --prepare": (_nothing, typed("desk", "{store}", "--prepare")),
}
READS: dict[str, tuple[str, ...]] = {  # what changes no file, as it is typed
    "fleet": ("fleet", *S),
    "mute": ("mute", *S),  # lists what is muted
    "book show": ("book", "TOY-001", *S),
    "herd life": ("herd", "life", "pack", *S),
    "herd returns": ("herd", "returns", *S),
    "herd course": ("herd", "course", *S),
    "herd standing": ("herd", "standing", "TOY-001", *S),
    "herd campaign": ("herd", "campaign", "new belts", "--count", "repairs", *S),
    "herd factors": ("herd", "factors", "drag", *S),
    "herd batches": ("herd", "batches", *S),
    "herd outcomes": ("herd", "outcomes", *S),
    "rules": ("rules", *S),
    "store show": ("store", "show", *S),
    "query": ("query", "SELECT count(*) FROM metrics", *S),
    "quarantine": ("quarantine", *S),
    "correct": ("correct", *S),
    "verify": ("verify", "{here}/h.html", *S),
    "profile check": ("profile", "check", "{here}/profiles/toy.toml"),
    "doctor": ("doctor", *S),
    "help": ("help", "sql"),
}
ELSEWHERE = {  # verb -> the tests that kill it
    "night": ("tests/flows/test_kills.py", "tests/flows/test_death.py"),
    "serve": ("tests/flows/test_server.py", "tests/flows/test_death.py"),
    "listen": ("tests/live/test_recording.py",),
    "replay": ("tests/live/test_recording.py",),  # records as listen does
}


def of(verb: str) -> str:
    """The verb as the command's table names it: "history, as CSV" is a history, "store check --repair" a check."""
    return re.split(r",| --", verb)[0]


def beside(here: Path) -> dict[str, str]:
    """What a verb wrote beside the store, by name: its content without moments and seals."""
    return {
        path.relative_to(here / OUT).as_posix(): _content(path)
        for path in sorted((here / OUT).rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(here / OUT).parts)
    }


def _content(path: Path) -> str:
    whole(path)
    if path.suffix in (".html", ".json", ".csv"):
        return SEALED.sub("#", MOMENT.sub("@", path.read_text("utf-8")))
    if path.suffix == ".parquet":
        return repr(parquet.read_table(path).to_pylist())
    if path.suffix == ".mf4":
        return str(path.stat().st_size)
    return hashlib.sha256(path.read_bytes()).hexdigest()


def whole(path: Path) -> None:
    """Fails for a file of which a part is missing."""
    raw = path.read_bytes()
    assert raw, path
    if path.suffix == ".html":
        assert raw.rstrip().endswith(b"</html>"), path
    elif path.suffix == ".svg":
        xml.etree.ElementTree.fromstring(raw)
    elif path.suffix == ".json":
        json.loads(raw)
    elif path.suffix in (".csv", ".toml"):
        assert raw.endswith(b"\n"), path
    elif path.suffix == ".parquet":
        parquet.read_metadata(path)
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as packed:
            assert packed.testzip() is None, path


def keys(here: Path) -> str:
    """Whether the store has a key to sign with, and the public one beside it is that key's."""
    folder = here / "store"
    if not (folder / PRIVATE).exists():
        return "none"
    return "whole" if (folder / PUBLIC).read_text("ascii").strip() == public_key(Store.open(folder)) else "in part"


def prepared(here: Path) -> dict[str, str]:
    """What the desk prepared, each file by the hash of its content."""
    folder = here / "store" / "desk" / "levels"
    found = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in found}
