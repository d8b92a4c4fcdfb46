"""Rows put in order by hand stand as polars' own stable sort puts them; that shares no code with ours."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.row_order import FEW, in_order


def some_rows(height: int, nulls: bool = False) -> pl.DataFrame:
    rng = np.random.default_rng(height)
    words = rng.choice(["", "cell 10", "cell 2", "Zirbel", "äußere", "\U0001f6f9", "z"], height).tolist()
    t = pl.Series("t", rng.integers(-3, 3, height)).cast(pl.Datetime("us", "UTC"))
    if nulls and height:
        words[0] = None
    return pl.DataFrame([t, pl.Series("word", words, pl.String), pl.Series("place", np.arange(height))])


@pytest.mark.parametrize("height", [0, 1, 2, 50, FEW, FEW + 1])
@pytest.mark.parametrize("keys", [["word"], ["t"], ["t", "word"], ["word", "t"]])
@pytest.mark.parametrize("nulls", [False, True])
def test_in_order_is_polars_stable_sort(height: int, keys: list[str], nulls: bool) -> None:
    rows = some_rows(height, nulls)
    assert in_order(rows, keys).equals(rows.sort(keys, maintain_order=True))
    assert in_order(in_order(rows, keys), keys).equals(rows.sort(keys, maintain_order=True))
