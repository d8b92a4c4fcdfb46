"""The notebook that the demo brings runs from top to bottom and shows what is in it; words may not differ."""

from __future__ import annotations

import re
from pathlib import Path

from herdbook.pipeline.manual import NOTEBOOK
from tests import notebook
from tests.readme import shape


def test_every_cell_runs_and_shows_what_is_kept(tmp_path: Path) -> None:
    kept, made = notebook.read(), notebook.run(notebook.prepare(tmp_path))
    cells = [(a, b) for a, b in zip(kept["cells"], made["cells"], strict=True) if a["cell_type"] == "code"]
    assert len(cells) >= 10
    for a, b in cells:
        seen, shown = (["".join(o["data"]["text/plain"]) for o in cell["outputs"]] for cell in (a, b))
        assert [words(text) for text in seen] == [words(text) for text in shown], "".join(a["source"])
    assert (tmp_path / "try" / "dossier-ZB-0105.html").is_file()


def words(text: str) -> list[str]:
    """What stands in a table, without the lines around it: their length follows the widest word."""
    return shape(re.sub(r"[\u2500-\u257f]+", " ", text))


def test_it_holds_nothing_of_the_machine_it_was_made_on() -> None:
    assert "/tmp" not in NOTEBOOK.read_text("utf-8")
