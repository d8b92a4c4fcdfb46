"""A fuzz run over all formats: damaged, spliced and resized files give frames, losses or a refusal, and nothing else.

    .venv/bin/pytest tests/decoders/test_fuzz_logs.py -m slow        HERDBOOK_FUZZ=n inputs a format (default 1500)
Inputs come from numbered seeds, so that a failure can be had again: the message names format and seed.
"""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

import pytest

from decoders import DecoderError, open_log
from tests.decoders.messages import write
from tests.decoders.peers import can

INPUTS = int(os.environ.get("HERDBOOK_FUZZ", "1500"))
NUMBERS = (0, 1, 0x7F, 0xFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF)


def mutated(content: bytes, rng: random.Random) -> bytes:
    """One to five of: flipped bits, a number overwritten, a piece cut out, doubled, moved or zeroed, a cut, a tail."""
    out = bytearray(content)
    for _ in range(rng.randint(1, 5)):
        if not out:
            break
        at = rng.randrange(len(out))
        end = min(len(out), at + rng.choice([1, 4, 16, 64, 512]))
        kind = rng.randrange(8)
        if kind == 0:
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            out[at:at + 4] = rng.choice(NUMBERS).to_bytes(4, "little")
        elif kind == 2:
            del out[at:end]
        elif kind == 3:
            out[at:at] = out[at:end]
        elif kind == 4:
            piece = bytes(out[at:end])
            del out[at:end]
            to = rng.randrange(len(out) + 1)
            out[to:to] = piece
        elif kind == 5:
            out[at:end] = bytes(end - at)
        elif kind == 6:
            del out[at:]
        else:
            out += rng.randbytes(end - at)
    return bytes(out)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["log", "asc", "blf", "trc", "csv", "db", "mf4"])
def test_fuzz(tmp_path: Path, kind: str) -> None:
    messages = [can.Message(timestamp=1.7e9 + i / 1000, arbitration_id=0x100 + i, data=bytes(range(i % 9)),
                            is_extended_id=i % 5 == 0, channel=i % 2,
                            is_fd=kind in ("log", "asc", "blf") and i % 7 == 0) for i in range(40)]
    content = write(tmp_path / f"sound.{kind}", messages).read_bytes()
    path = tmp_path / f"made.{kind}"
    frames = refused = partial = 0
    for seed in range(INPUTS):
        path.write_bytes(mutated(content, random.Random(seed)))
        start = time.monotonic()
        try:
            log = open_log(path)
            n = sum(len(chunk) for chunk in log.chunks())
            frames += n
            partial += bool(log.losses)
            assert n < 2000, f"{kind} seed {seed}: {n} frames"
        except DecoderError:
            refused += 1
        except Exception as e:
            pytest.fail(f"{kind} seed {seed}: {type(e).__name__}: {e}")
        assert time.monotonic() - start < 20, f"{kind} seed {seed} took too long"
    print(f"{kind}: {INPUTS} inputs, {refused} refused, {partial} with losses, {frames} frames")
