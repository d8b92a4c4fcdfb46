"""The notebook of the manual: its cells run in order in a folder of the demo, and what they show, written into it.

It is run without Jupyter: a cell's last expression is shown as Jupyter would show it, by its HTML and its repr.
`make readme` writes it anew together with the console blocks.
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from herdbook.pipeline.manual import NOTEBOOK

UNSEEN = "unseen"  # tag of a cell whose result is a drawing: it is made, and not kept in the file
Notebook = dict[str, Any]


def read() -> Notebook:
    found: Notebook = json.loads(NOTEBOOK.read_text("utf-8"))
    return found


def prepare(folder: Path) -> Path:
    """The demo as `herdbook demo FOLDER` writes it, with the notebook in it; the folder to work in."""
    ours = Path(sys.executable).with_name("herdbook")
    subprocess.run([str(ours), "demo", str(folder / "try")], check=True, capture_output=True)
    return folder / "try"


def run(folder: Path) -> Notebook:
    """The notebook of that folder with fresh outputs. Raises: RuntimeError with what a cell that fails said."""
    env = os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}", "COLUMNS": "100"}
    env |= {"PYTHONPATH": str(Path(__file__).parents[1]), "PYTHONIOENCODING": "utf-8", "POLARS_FMT_MAX_COLS": "8"}
    command = [sys.executable, "-m", "tests.notebook", "cells", NOTEBOOK.name]
    done = subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, timeout=300, check=False)
    if done.returncode:
        raise RuntimeError(done.stdout + done.stderr)
    made: Notebook = json.loads((folder / "run.json").read_text("utf-8"))
    return made


def write_anew(folder: Path) -> None:
    NOTEBOOK.write_text(json.dumps(run(prepare(folder)), indent=1, ensure_ascii=False) + "\n", "utf-8")


def _cells(path: Path) -> None:
    notebook = json.loads(path.read_text("utf-8"))
    names: dict[str, Any] = {"__name__": "__main__"}
    count = 0
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            count += 1
            cell["execution_count"] = count
            cell["outputs"] = _outputs("".join(cell["source"]), names, count)
            if UNSEEN in cell["metadata"].get("tags", []):
                cell["outputs"] = []
    Path("run.json").write_text(json.dumps(notebook), "utf-8")


def _outputs(source: str, names: dict[str, Any], count: int) -> list[dict[str, Any]]:
    tree = ast.parse(source)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, f"cell {count}", "exec"), names)
    if last is None:
        return []
    shown = eval(compile(ast.Expression(last.value), f"cell {count}", "eval"), names)  # type: ignore[attr-defined]
    if shown is None:
        return []
    data = {"text/plain": _lines(repr(shown))}
    if hasattr(shown, "_repr_html_") and not type(shown).__module__.startswith("plotly"):
        data["text/html"] = _lines(shown._repr_html_())
    return [{"output_type": "execute_result", "execution_count": count, "metadata": {}, "data": data}]


def _lines(text: str) -> list[str]:
    """As a notebook keeps text; a path as seen from its folder."""
    return text.replace(f"{Path.cwd()}/", "").splitlines(keepends=True)


if __name__ == "__main__":
    _cells(Path(sys.argv[2]))
