"""A verb on a full disk says so in words and leaves nothing that more room does not mend (tests/store/no_room.py)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.store.no_room import campaign, disk
from tests.store.verb_kills import VERBS


@pytest.fixture(autouse=True)
def right_to_mount(tmp_path: Path) -> None:
    try:
        with disk(tmp_path / "try"):
            pass
    except Exception:
        pytest.skip("no right to mount a tmpfs: the full disk is not tested here")


def in_words(verbs: list[str], wanted: str) -> None:
    ended = list(campaign(verbs, wanted))
    assert ended
    for verb, limit, said in ended:
        assert said.startswith(("StoreError: ", "done all the same")), (verb, limit, said)
        assert "WRONG" not in said, (verb, limit, said)
        assert "Detail:" not in said, (verb, limit, said)


def test_a_full_disk_is_told_in_words() -> None:
    in_words(["store upkeep"], "600 kB")


def test_no_inode_left_is_told_in_words() -> None:
    in_words(["store check --repair"], "inode")


@pytest.mark.slow
@pytest.mark.parametrize("verb", list(VERBS))
def test_every_verb_on_a_full_disk(verb: str) -> None:
    in_words([verb], "left")
