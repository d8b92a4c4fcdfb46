"""The words of every product: no internal key, no wrong plural or unit, nothing told twice, nothing the list avoids."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.reports import write_dossier, write_fleet, write_history
from herdbook.pipeline.reports.words.names import WORDS
from herdbook.pipeline.vehicle.roles import ROLES
from tests.toy.bench import Bench

MASS = {"s", "is", "was", "has", "does", "ms", "as", "us", "its", "this", "bus", "radius", "status", "news"}
CODE = re.compile(r"<(script|style|code|svg|pre)\b.*?</\1>", re.DOTALL)
SENTENCE = re.compile(r"[^.!?:;]{40,}[.!?]")


def shown(page: str) -> list[str]:
    """What a page says, element by element; code (commands, keys for scripts) is meant for machines."""
    bare = CODE.sub(" ", page)
    pieces = re.split(r"<(?!/?(?:b|i|em|strong|span|a|small|cite)\b)[^>]*>", bare)
    return [text for piece in pieces if (text := " ".join(re.sub(r"<[^>]*>", "", piece).split()))]


@pytest.fixture(scope="module")
def products(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """Every product on a scanned toy vehicle, as pieces of text."""
    folder = tmp_path_factory.mktemp("words")
    bench = Bench(folder)
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    store, place = bench.store, str(bench.store.folder)
    site = write_fleet(store, folder / "site").parent
    files = {
        "dossier": write_dossier(store, "TOY-007", folder / "d"),
        "vehicle page": site / "vehicles" / "TOY-007.html",
        "fleet page": site / "index.html",
        "night page": site / "night.html",
        "history": write_history(store, "TOY-007", folder / "h.html"),
    }
    made = {name: shown(Path(path).read_text("utf-8")) for name, path in files.items()}
    for width in ("80", "160"):
        out = CliRunner().invoke(build(), ["fleet", "--notes", "--store", place], env={"COLUMNS": width}).output
        made[f"terminal of {width} columns"] = out.splitlines()
    return made


def keys() -> set[str]:
    """Names inside the program that are no words: rules, metrics and roles with an underscore. In square brackets the
    dossier names a figure for who asks for it in SQL."""
    metrics = {name for of in all_sets().values() for name in of.gives}
    return {name for name in {*all_rules(), *metrics, *ROLES} if "_" in name}


def test_no_internal_key_is_shown(products: dict[str, list[str]]) -> None:
    inside = re.compile(rf"(?<![\w\[])(?:{'|'.join(sorted(keys(), key=len, reverse=True))})(?![\w\]])")
    pieces = [(name, text) for name, said in products.items() for text in said]
    # what the night says of a profile names its entries: its author looks for them in that file
    pieces = [(name, text) for name, text in pieces if not text.startswith("Profile toy: ")]
    found = {(name, m[0]) for name, text in pieces for m in inside.finditer(text)}
    assert {(name, key) for name, key in found if not name.startswith("terminal")} == set()


def test_one_of_a_thing_is_no_plural(products: dict[str, list[str]]) -> None:
    plural = re.compile(r"(?<![\d.,\u202f±-])\b1 ([a-z]+s)\b|\w\(s\)")
    found = {(name, m[0]) for name, said in products.items() for text in said for m in plural.finditer(text)}
    assert {(name, what) for name, what in found if what.split()[-1] not in MASS} == set()


def test_nothing_is_said_that_the_list_replaces(products: dict[str, list[str]]) -> None:
    avoided = WORDS["instead_of"]
    found = {(name, bad) for name, said in products.items() for text in said for bad in avoided if bad in text}
    assert found == set()


def test_no_sentence_stands_twice_in_a_row(products: dict[str, list[str]]) -> None:
    twice = []
    for name, said in products.items():
        twice += [(name, text) for before, text in pairwise(said) if before == text and text.endswith(".")]
        for text in said:
            twice += [(name, s) for s, n in Counter(SENTENCE.findall(text)).items() if n > 1]
    assert twice == []


def test_the_terminal_leaves_no_trailing_blanks(products: dict[str, list[str]]) -> None:
    lines = [t for name, said in products.items() if name.startswith("terminal") for t in said]
    assert len(lines) > 4
    assert [t for t in lines if t != t.rstrip()] == []
