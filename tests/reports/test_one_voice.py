"""One finding, every product: terminal, message, fleet page, vehicle page, dossier and history order the same thing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.reports import write_dossier, write_fleet, write_history
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from tests.night.tables import insert
from tests.toy.bench import Bench

FORBIDDEN = order_of("stop-use")
REASSURING = re.compile(r"no reason to pass on|safe to (ride|use)|nothing to worry", re.IGNORECASE)


def products(folder: Path, severity: str) -> dict[str, str]:
    """What each product says of a toy vehicle with one finding of that severity."""
    bench = Bench(folder)
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    with transaction(bench.store.catalogue) as con:
        con.execute("DELETE FROM findings")
        finding = {"vehicle": "TOY-007", "rule": "regen_dropout", "title": "A brake", "subsystem": "braking"}
        insert(con, "findings", finding="x", item="", severity=severity, statement="It let go.", **finding)
    publish(bench.store)
    site = write_fleet(bench.store, folder / "site")
    changes = last_night(bench.store)
    assert changes is not None
    fleet = CliRunner().invoke(build(), ["fleet", "--notes", "--store", str(bench.store.folder)]).output
    history = write_history(bench.store, "TOY-007", folder / "history.html")
    made = {
        "fleet on the terminal": fleet,
        "message": text(changes),
        "fleet page": site.read_text("utf-8"),
        "vehicle page": (site.parent / "vehicles" / "TOY-007.html").read_text("utf-8"),
        "dossier": write_dossier(bench.store, "TOY-007", folder / "d").read_text("utf-8"),
        "history": history.read_text("utf-8"),
    }
    return {
        name: " ".join(re.sub(r"<script.*?</script>", " ", said, flags=re.DOTALL).split())
        for name, said in made.items()
    }


@pytest.mark.parametrize("severity", ["note", "service", "stop-use"])
def test_every_product_forbids_use_or_none_does(tmp_path: Path, severity: str) -> None:
    said = products(tmp_path, severity)
    forbids = {name for name, words in said.items() if FORBIDDEN in words or "must not be used: " in words}
    expected = (
        {"fleet on the terminal", "message", "vehicle page", "dossier", "history"} if severity == "stop-use" else set()
    )
    assert forbids == expected
    listed = re.search(r'id="stop"(.*?)</section>', said["fleet page"])
    assert listed is not None
    assert ("TOY-007" in listed[1]) == (severity == "stop-use")
    assert {name for name, words in said.items() if REASSURING.search(words)} == set()


def test_a_finding_that_needs_service_is_named_in_the_history_beside_no_reassurance(tmp_path: Path) -> None:
    said = products(tmp_path, "service")["history"]
    assert "Findings that need service stand: A brake" in said
    assert "That is no proof of safety" in said
