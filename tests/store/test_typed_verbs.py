"""Every verb of the command's own table is killed in a campaign, killed elsewhere, or changes no file."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import polars as pl
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


def test_a_draft_that_was_left_goes_with_the_next_writing(tmp_path: Path) -> None:
    import os

    from herdbook.pipeline.store.whole_file import LEFT_S, whole

    old, young = tmp_path / ".a[1].77.part.csv", tmp_path / ".a[1].78.part.csv"
    for draft, age in ((old, 2 * LEFT_S), (young, 1.0)):
        draft.write_text("half")
        os.utime(draft, (then := draft.stat().st_mtime - age, then))
    with whole(tmp_path / "a[1].csv") as draft:
        draft.write_text("whole\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == [young.name, "a[1].csv"]
    shutil.rmtree(tmp_path)


def test_what_a_library_says_of_a_full_disk_is_told_in_the_systems_words(tmp_path: Path) -> None:
    from herdbook.pipeline.errors import StoreError
    from herdbook.pipeline.store.whole_file import whole

    said = "Failed to open local file '/x/.m.part.parquet'. Detail: [errno 28] No space left on device"
    with pytest.raises(StoreError, match=r"cannot be written \(No space left on device\)\."), whole(tmp_path / "m.csv"):
        raise OSError(28, said)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_table_for_which_there_is_no_room_is_told_so(tmp_path: Path) -> None:
    """The writer of tables raises an error of its own for it, which is none of the system's."""
    from herdbook.pipeline.errors import StoreError
    from herdbook.pipeline.store.whole_file import whole

    with (
        pytest.raises(StoreError, match=r"cannot be written \(No space left on device\)"),
        whole(tmp_path / "m.parquet"),
    ):
        pl.DataFrame({"a": [1]}).write_parquet("/dev/full")
    with pytest.raises(ZeroDivisionError), whole(tmp_path / "m.parquet"):
        raise ZeroDivisionError  # not the system's: passed on
