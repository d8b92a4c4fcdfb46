"""Every verb of the command's own table is killed in a campaign, killed elsewhere, or changes no file."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from herdbook.flows.cli import ALL_VERBS
from herdbook.pipeline.cli import verbs
from tests.cli.test_registry import commands
from tests.store.typed_verbs import DONE, ELSEWHERE, READS, ROOT, of, typed, whole
from tests.store.verb_kills import VERBS, made

TABLE = [name for verb in verbs(ALL_VERBS) for name, _ in commands(verb)]


def test_every_verb_stands_in_a_campaign_or_says_where() -> None:
    killed = {of(verb) for verb in VERBS}
    assert [name for name in TABLE if name not in killed | set(READS) | set(ELSEWHERE)] == []


def test_no_campaign_speaks_of_a_verb_that_is_none() -> None:
    also = {"scan after a correction"}  # of two verbs
    assert ({of(verb) for verb in VERBS} | set(READS) | set(ELSEWHERE)) - set(TABLE) - also == set()
    assert [path for paths in ELSEWHERE.values() for path in paths if not (ROOT / path).exists()] == []


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Path:
    here = tmp_path_factory.mktemp("reads")
    made(here)
    pack = ("--part", "pack", "--serial", "501")
    for entry in (
        ("fitted", *pack, "--when", "2026-02-01"),
        ("removed", *pack, "--when", "2026-03-01", "--outcome", "failed"),
        ("repair", "--part", "pack", "--said", "renewed", "--when", "2026-03-01"),
        ("campaign", "--said", "new belts", "--when", "2026-03-02"),
    ):
        typed("book", "add", "TOY-001", *entry, "--by", "desk", "--store", "{store}")(here)
    typed("history", "TOY-001", "--store", "{store}", "--out", "{here}/h.html")(here)
    return here


@pytest.mark.parametrize("verb", READS)
def test_a_verb_that_reads_changes_no_file(verb: str, looked_at: Path) -> None:
    def files() -> dict[str, str]:
        found = (p for p in looked_at.rglob("*") if p.is_file() and p.name != ".catalogue.known")  # may always go
        return {str(p.relative_to(looked_at)): hashlib.sha256(p.read_bytes()).hexdigest() for p in found}

    before = files()
    typed(*READS[verb], done=DONE | {7})(looked_at)  # 7: it asks of what this store has not
    assert files() == before


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.html", b"<html><p>"),
        ("a.json", b'{"a": 1'),
        ("a.csv", b"a,b\n1"),
        ("a.parquet", b"PAR1"),
        ("a.toml", b""),
    ],
)
def test_half_a_file_is_seen(name: str, content: bytes, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(Exception, match=r".+"):
        whole(tmp_path / name)
