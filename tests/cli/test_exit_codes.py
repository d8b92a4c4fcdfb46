"""One list of exit codes: what the errors and the verbs leave with, what the help says and what the manual says."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

import herdbook.pipeline.errors as errors
from herdbook.pipeline.cli import build
from herdbook.pipeline.commands import accept
from herdbook.pipeline.commands.terminal.exit_codes import EXIT_CODES, table
from herdbook.pipeline.night import changes
from tests import readme

KNOWN = {one.code for one in EXIT_CODES}


def test_every_code_that_is_left_with_is_listed_once() -> None:
    raised = {e.exit_code for e in vars(errors).values() if isinstance(e, type) and issubclass(e, errors.HerdbookError)}
    scans = {changes.NOTHING, changes.QUARANTINED, changes.UNASSESSED, changes.SERVICE_NEWS, changes.STOP_USE_NEWS}
    assert raised | scans | {accept.PASSED, accept.FAILED, accept.OPEN} <= KNOWN
    assert len(EXIT_CODES) == len(KNOWN)


def test_the_help_names_every_code() -> None:
    said = " ".join(CliRunner().invoke(build(), ["--help"]).output.split())
    assert [one.code for one in EXIT_CODES if f"{one.code} {one.short}" not in said] == []


def test_the_manual_has_the_same_list() -> None:
    page = (Path(readme.ROOT) / "pipeline" / "manual" / "trouble.md").read_text("utf-8")
    assert page.split("| exit code | meaning |\n|---|---|\n")[1].splitlines() == table()
