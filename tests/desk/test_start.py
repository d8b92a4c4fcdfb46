"""The desk starts at once: what it loads before it listens is light."""

from __future__ import annotations

import subprocess
import sys


def test_nothing_heavy_is_loaded_before_it_listens() -> None:
    """Each of these takes a part of a second; they are loaded while the browser opens."""
    heavy = ("polars", "duckdb", "pyarrow", "jinja2")
    said = f"import sys, herdbook.pipeline.desk.serve; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", said], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
