"""The desk itself: what all of its pages share, and how a question becomes an answer in a thread of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from anyio import CapacityLimiter, to_thread
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from herdbook.pipeline.desk import doors
from herdbook.pipeline.desk.asked import LONG_S, PAGE_S, Questions, StoppedError
from herdbook.pipeline.desk.made import Waiting
from herdbook.pipeline.desk.published import DeskStore, Publications
from herdbook.pipeline.errors import BusyError, HerdbookError, NotKnownError, SettingsError, StoreError, damage
from herdbook.pipeline.store.store import Store

if TYPE_CHECKING:
    from herdbook.pipeline.desk.preparing import Preparing

STATUS = ((NotKnownError, 404), (SettingsError, 400), (BusyError, 503), (StoreError, 503))
PAGES_AT_ONCE, LONG_AT_ONCE = 24, 6
Fields = dict[str, list[str]]


@dataclass
class Desk:
    """One store, open to its readers."""

    store: DeskStore
    publications: Publications
    doors: doors.Doors
    addresses: frozenset[str] = frozenset()  # of pages that there are
    questions: Questions = field(default_factory=Questions)
    pages: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(PAGES_AT_ONCE))
    long: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(LONG_AT_ONCE))
    made: Waiting = field(default_factory=Waiting)
    one_alone: Lock = field(default_factory=Lock)
    _preparing: Preparing | None = None

    @classmethod
    def open(cls, store: Store, port: int, password: str = "", names: frozenset[str] = frozenset()) -> Desk:
        publications = Publications(store)
        secret = doors.kept_secret(publications.folder)
        door = doors.Doors(secret, port, password, names)
        own = DeskStore(store.folder, store.settings, publications)
        return cls(own, publications, door)

    @property
    def preparing(self) -> Preparing:
        from herdbook.pipeline.desk.levels import Levels
        from herdbook.pipeline.desk.preparing import Preparing

        with self.one_alone:
            if self._preparing is None:
                levels = Levels(self.publications.folder / "levels", self.publications.scratch / "levels")
                self._preparing = Preparing(levels, self.questions)
        return self._preparing

    def close(self) -> None:
        self.questions.stop_all()
        self.publications.close()


@dataclass(frozen=True)
class Asked:
    """A request as pages read it: its address's values and, of a form, its fields."""

    desk: Desk
    path: str
    query: Fields
    form: Fields
    as_json: bool = False

    def one(self, name: str, default: str = "") -> str:
        return self.query.get(name, [default])[0]

    def many(self, name: str) -> list[str]:
        return self.query.get(name, [])

    def field(self, name: str) -> str:
        return self.form.get(name, [""])[0]

    @property
    def store(self) -> DeskStore:
        return self.desk.store

    def page(self, template: str, status: int = 200, **given: Any) -> Response:
        from herdbook.pipeline.desk import look

        shared = {"mark": self.desk.doors.mark, "here": self.path, "asked": self, "store_name": self.store.folder.name}
        return HTMLResponse(look.rendered(template, **shared, **given), status)


Answer = Callable[[Asked], Response]


def endpoint(desk: Desk, answer: Answer, long: bool = False) -> Callable[[Request], Any]:
    """answer in a thread of its own; errors in words, as a page or as JSON by what was asked for."""

    async def answered(request: Request) -> Response:
        query = parse_qs(request.url.query, keep_blank_values=True, max_num_fields=400)
        form: Fields = {}
        if request.method == "POST":
            form = parse_qs((await doors.body(request)).decode("utf-8", "replace"), keep_blank_values=True)
            if not desk.doors.mark_fits(request, form.get("mark", [""])[0]):
                return doors.plain(doors.NOT_OURS, 403)
        as_json = "application/json" in request.headers.get("accept", "")
        asked = Asked(desk, request.url.path, query, form, as_json)
        name = (form if request.method == "POST" else query).get("q", [""])[0]
        work = partial(answer, asked)
        seconds, limiter = (LONG_S, desk.long) if long else (PAGE_S, desk.pages)
        try:
            return await to_thread.run_sync(
                desk.questions.answer, name, seconds, work, limiter=limiter, abandon_on_cancel=True
            )
        except Exception as error:
            return told(asked, in_words(error, request.url.path), as_json)

    return answered


def in_words(error: Exception, path: str) -> HerdbookError:
    """What went wrong as people are told it; a fault of ours is also said in the terminal, in one line."""
    import duckdb

    if isinstance(error, HerdbookError):
        return error
    if isinstance(error, duckdb.CatalogException | duckdb.BinderException):
        what = f"the published catalogue is of another version of Herdbook: {str(error).splitlines()[0]}"
        return StoreError(what, "", "Run `herdbook store publish`, or the next scan")
    if isinstance(error, duckdb.Error):
        first = str(error).splitlines()[0]
        return damage(error) or StoreError(f"the catalogue did not answer: {first}", "", "Ask again, or scan first")
    if isinstance(error, OSError):
        reason = error.strerror or str(error)
        return StoreError(
            f"the store could not be read ({reason})", error.filename or "", "Check the disk, then ask again"
        )
    where = error.__traceback__
    while where and where.tb_next:
        where = where.tb_next
    place = f"{Path(where.tb_frame.f_code.co_filename).name}:{where.tb_lineno}" if where else "?"
    print(f"herdbook desk: a fault in {path}: {type(error).__name__}: {error} ({place})", file=sys.stderr)
    return HerdbookError("the desk met a fault of its own; the terminal says more", "", "Go back and try another way")


def told(asked: Asked, error: HerdbookError, as_json: bool) -> Response:
    from herdbook.pipeline.book.book import NotShownError  # brings polars with it, which the start does not wait for

    status = next((code for kind, code in STATUS if isinstance(error, kind)), 500)
    said = {"what": error.what, "where": error.where, "do": error.do, "stopped": isinstance(error, StoppedError)}
    said["entered"] = isinstance(error, NotShownError)
    if as_json:
        return JSONResponse(said, status)
    return asked.page("problem.html.j2", status, error=error)
