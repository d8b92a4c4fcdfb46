"""Rows grouped by message: the same as picking the frames of each message one by one."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.decoders import Frames, Network
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.frames import ERROR, REMOTE

DBC = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\n' + "".join(
    f'BO_ {5 + i} M{i}: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n\n' for i in range(3)
)


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(DBC)
    return Network.load(path)


def frames(n: int, width: int, numbers: tuple[int, ...], flags: tuple[int, ...] = (0,)) -> Frames:
    rng = np.random.default_rng(n + width)
    return Frames(
        t=np.arange(n, dtype=np.int64) * 7,
        channel=np.zeros(n, np.uint8),
        can_id=rng.choice(np.array(numbers, np.uint32), n),
        flags=rng.choice(np.array(flags, np.uint8), n),
        length=rng.integers(0, width + 1, n).astype(np.uint8),
        payload=rng.integers(0, 256, (n, width)).astype(np.uint8),
        channels=("can0",),
    )


@pytest.mark.parametrize("n", [1, 8, 64, 300])
@pytest.mark.parametrize("width", [8, 64])
@pytest.mark.parametrize("numbers", [(5,), (5, 7), (5, 6, 7, 99), (99,)], ids=str)
@pytest.mark.parametrize("flags", [(0,), (0, ERROR, REMOTE)], ids=["data", "all kinds"])
def test_each_message_has_its_rows_in_file_order(
    network: Network, n: int, width: int, numbers: tuple[int, ...], flags: tuple[int, ...]
) -> None:
    some = frames(n, width, numbers, flags)
    batch = grouped(some, network)
    expected = []
    for index, message in enumerate(network.messages):
        rows = [i for i in range(n) if some.can_id[i] == message.can_id and not some.flags[i]]
        if rows:
            expected.append((index, rows))
    assert [index for index, _, _ in batch.messages] == [index for index, _ in expected]
    for (_, start, end), (_, rows) in zip(batch.messages, expected, strict=True):
        assert batch.order[start:end].tolist() == rows
        assert batch.t[start:end].tolist() == some.t[rows].tolist()
        assert batch.length[start:end].tolist() == some.length[rows].tolist()
        assert batch.payload[start:end].tolist() == some.payload[rows].tolist()
    assert len(batch.t) == len(batch.payload) == sum(len(rows) for _, rows in expected)
    assert batch.which.tolist() == network.match(some).tolist()


def test_no_frames_at_all(network: Network) -> None:
    for width in (8, 64):
        batch = grouped(frames(0, width, (5,)), network)
        assert batch.messages == ()
        assert batch.payload.shape == (0, width)
