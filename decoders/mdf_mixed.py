"""Measurement files that mix records of several groups in one stream: asammdf takes them apart."""

from __future__ import annotations

import gc
import logging
import sys
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np

from decoders.mdf_blocks import Blocks, Broken
from decoders.mdf_groups import Group

BATCH = 32_768


def mixed_members(blocks: Blocks, group: Group) -> Iterator[dict[str, Any]]:
    """Members of the frames of one group by name, each (n,) or (n, bytes), and `time` in seconds.

    Raises: Broken, also when asammdf is not installed.
    """
    try:
        with _opened(blocks.file.name) as mdf:
            for offset in range(0, group.records, BATCH):
                found = mdf.get(group.name, group.place, raw=True, record_offset=offset, record_count=BATCH)
                if not len(found.timestamps):
                    return
                names = found.samples.dtype.names or ()
                members = {str(name).rpartition(".")[2]: found.samples[name] for name in names}
                members["Dir"] = _sent(members.get("Dir", np.zeros(len(found.timestamps))))
                yield members | {"time": found.timestamps}
    except Broken:
        raise
    except Exception as e:  # a damaged file raises almost anything there
        raise Broken(f"asammdf cannot read it: {type(e).__name__}: {e}") from None


def _opened(path: str) -> Any:
    """asammdf's file object. When opening fails half-way, closing what there is fails too, which Python would print
    wherever it is by then: that is kept off the screen."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from asammdf import MDF
    except ImportError:
        raise Broken("its records are mixed with others; reading it needs asammdf, install herdbook[mf4]") from None
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        return MDF(path)
    except Exception as e:
        fault = f"asammdf cannot read it: {type(e).__name__}: {e}"
        del e
        gc.collect()
    finally:
        sys.unraisablehook = hook
    raise Broken(fault)


def _sent(direction: Any) -> Any:
    return np.char.upper(direction) == b"TX" if direction.dtype.kind == "S" else direction
