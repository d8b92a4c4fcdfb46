"""The pages behind `herdbook help TOPIC`: Markdown files in this folder, each headed by its title.

A new page is one new file; tests/test_readme.py runs every command in them. Knows no store and no vehicle.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

NOTEBOOK = Path(__file__).with_name("first_steps.ipynb")  # run by tests/test_notebook.py
ORDER = (  # as read one after the other
    *(
        "night",
        "unit",
        "history",
        "book",
        "desk",
        "herd",
        "bench",
        "live",
        "stand",
        "line",
        "vehicle",
        "formats",
        "store",
        "settings",
        "running",
        "moving",
    ),
    *("python", "sql", "other-engines", "own", "platforms", "trouble"),
)


def topics() -> dict[str, str]:
    """Every page's title by its topic, in the order of reading."""
    found = {p.name.removesuffix(".md"): p for p in files(__name__).iterdir() if p.name.endswith(".md")}
    place = {name: i for i, name in enumerate(ORDER)}
    names = sorted(found, key=lambda name: (place.get(name, len(place)), name))
    return {name: found[name].read_text("utf-8").split("\n", 1)[0].lstrip("# ") for name in names}


def text(topic: str) -> str:
    """One page. KeyError for a topic that is none."""
    if topic not in topics():
        raise KeyError(topic)
    return files(__name__).joinpath(f"{topic}.md").read_text("utf-8")
