"""A file of the record that is damaged or missing: its rows are measured again from the lake.

The vehicles are judged without these rows until then, so this comes before they are: at the start of a scan, and in
`store check --repair`. Rows of logs that have expired from the lake cannot be measured again, and are counted as lost.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.intake.ledger import touch
from herdbook.pipeline.lake.part import file_hash
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.file_ledger import unfile
from herdbook.pipeline.store.record_files import LEDGER, RecordFile, files_of, vouch
from herdbook.pipeline.store.record_writing import let_go
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import now_us

ASIDE = "damaged"  # in the store's folder


@dataclass(frozen=True, slots=True)
class RecordTrouble:
    """A file that is not what it was. problem: missing or damaged. lost: sessions whose rows no scan can measure again
    in full."""

    file: RecordFile
    problem: str
    vehicles: tuple[str, ...]
    lost: int

    @property
    def in_words(self) -> str:
        """What becomes of its rows."""
        if self.file.kind in LEDGER:
            return "its rows are written again from the catalogue; nothing is lost"
        n = len(self.vehicles)
        again = f"{n:,} {'vehicle is' if n == 1 else 'vehicles are'} measured again from the lake by the next scan"
        if not self.lost:
            return again
        gone = "1 session is" if self.lost == 1 else f"{self.lost:,} sessions are"
        return f"{again}; figures of {gone} lost, since rows of its logs have expired"


def record_troubles(store: Store, whole: bool = True) -> list[RecordTrouble]:
    """whole: read every file; else only those that were touched, or not compared with their hash for [keep] check_days.

    Raises: StoreError, BusyError."""
    with visit(store.catalogue, read_only=True) as con:
        files, found = files_of(con), []
        if not whole and _all_sound(store, files):
            return []
        for file in files:
            problem = _problem(store, file, whole)
            if problem:
                if file.kind in LEDGER:
                    found.append(RecordTrouble(file, problem, (), 0))
                    continue
                about = ask(con, __name__, "of_record_file", id=file.id)[0]
                found.append(RecordTrouble(file, problem, tuple(about["vehicles"]), about["lost"]))
    return found


def _all_sound(store: Store, files: Sequence[RecordFile]) -> bool:
    """All at once, which is quicker than one by one."""
    try:
        vouch(store.folder, files, store.settings.check_days)
    except DamagedPartError:
        return False
    return True


def _problem(store: Store, file: RecordFile, whole: bool) -> str:
    path = store.folder / file.file
    if not path.is_file():
        return "missing"
    if whole:
        return "" if file_hash(path) == file.hash else "damaged"
    try:
        vouch(store.folder, [file], store.settings.check_days)
    except DamagedPartError:
        return "damaged"
    return ""


def mend_record(store: Store, troubles: list[RecordTrouble], now: int | None = None) -> None:
    """Under the store's lock. The damaged file is kept aside, in the store's folder `damaged`. now: microseconds UTC.

    Raises: StoreError when there is no room for it: everything is as it was."""
    for trouble in troubles:
        _keep_aside(store, trouble.file)
        moment = now_us() if now is None else now
        with transaction(store.catalogue) as con:
            if trouble.file.kind in LEDGER:
                unfile(con, trouble.file.kind, moment)
                continue
            con.execute(statement(__name__, "measure_again"), {"id": trouble.file.id})
            touch(con, list(trouble.vehicles))
            let_go(con, [trouble.file], moment)


def _keep_aside(store: Store, file: RecordFile) -> None:
    source, target = store.folder / file.file, store.folder / ASIDE / file.file.replace("/", "_")
    if not source.is_file():
        return
    try:
        target.parent.mkdir(exist_ok=True, mode=0o750)
        target.unlink(missing_ok=True)
        shutil.copyfile(source, target)
    except OSError as error:
        target.unlink(missing_ok=True)
        what = f"a damaged file cannot be kept aside ({error.strerror or error})"
        raise StoreError(what, target.parent, "Make room and run again; the file was left as it is") from None


def mended_at_start(store: Store, now: int | None = None) -> list[str]:
    """Mend what a scan meets, so that one damaged file holds up nobody: a sentence each for what the night tells."""
    troubles = record_troubles(store, whole=False)
    mend_record(store, troubles, now)
    return [f"The file {t.file.file} of the record is {t.problem}: {t.in_words}." for t in troubles]
