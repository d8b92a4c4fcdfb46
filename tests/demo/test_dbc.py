"""The bus descriptions: cantools loads them strictly, everything is explained, and the profiles reach every role."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.roles import ROLES
from tests.demo.conftest import DBC_DEMO, load

FILES = sorted(DBC_DEMO.glob("*.dbc"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_message_and_signal_is_explained_and_timed(path: Path) -> None:
    for message in load(path).messages:
        assert message.comment, message.name
        assert message.cycle_time, message.name
        assert message.senders, message.name
        for signal in message.signals:
            assert signal.comment, f"{message.name}.{signal.name}"
            assert signal.minimum is not None, f"{message.name}.{signal.name}"


def test_the_two_vehicles_differ_where_it_matters() -> None:
    """Identifiers, byte order, multiplexing, FD: seen by cantools, not by our own reader."""
    board, drive, pack = (load(DBC_DEMO / f"{n}.dbc").messages for n in ("zirbel", "saumer_drive", "saumer_pack"))
    assert {m.is_extended_frame for m in board} == {False}
    assert {m.is_extended_frame for m in drive + pack} == {True}
    assert {s.byte_order for m in board for s in m.signals} == {"little_endian"}
    assert {s.byte_order for m in drive + pack for s in m.signals} == {"big_endian"}
    assert any(m.is_multiplexed() for m in board)
    assert [m.length for m in pack if m.name == "CellBlock"] == [64]
    assert {m.name for m in pack if m.is_fd} == {"PackMain", "CellBlock", "PackParts"}


STAND = {"insulation_resistance"}  # measured on a bench, not on the road


@pytest.mark.parametrize(("name", "without"), [("zirbel", STAND), ("saumer", {"link_quality", *STAND})])
def test_profile_reaches_every_role(name: str, without: set[str]) -> None:
    profile = load_profile(DBC_DEMO / f"{name}.toml")
    assert set(ROLES) - {m.role for m in profile.roles} == without
