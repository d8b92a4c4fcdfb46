"""Pictures of the pages for the README: small, light, taken in real Chromium from a scanned store.

python -m tests.reports.pictures STORE VEHICLE [folder]      default folder build/pictures
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from herdbook.pipeline.reports import write_dossier, write_fleet, write_history
from herdbook.pipeline.store.store import Store
from tests.reports.browser import chromium, opened

WIDTH, HEIGHT = 1100, 760


def take(store: Store, vehicle: str, folder: Path) -> list[Path]:
    """dossier.png, fleet.png and history.png: the first screen of the last two, of the dossier its first finding."""
    folder.mkdir(parents=True, exist_ok=True)
    taken = []
    with TemporaryDirectory() as scratch, chromium() as browser:
        pages = {
            "dossier": write_dossier(store, vehicle, Path(scratch)),
            "fleet": write_fleet(store, Path(scratch) / "site"),
            "history": write_history(store, vehicle, Path(scratch)),
        }
        for name, path in pages.items():
            with opened(browser, path, width=WIDTH) as watched:
                if watched.ask("!!document.querySelector('.plot')"):
                    watched.live()
                watched.page.set_viewport_size({"width": WIDTH, "height": HEIGHT})
                if name == "dossier":
                    watched.ask("document.querySelector('.finding').scrollIntoView({behavior: 'instant'})")
                taken.append(folder / f"{name}.png")
                watched.page.screenshot(path=str(taken[-1]))
    return taken


if __name__ == "__main__":
    out = Path(sys.argv[3]) if len(sys.argv) > 3 else Path("build/pictures")
    for made in take(Store.open(sys.argv[1]), sys.argv[2], out):
        print(made, made.stat().st_size)
