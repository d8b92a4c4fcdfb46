"""Every address of the desk, and who answers it."""

from __future__ import annotations

from importlib import import_module

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from herdbook.pipeline.desk.desk import Answer, Asked, Desk, endpoint
from herdbook.pipeline.desk.doors import NOT_OURS, plain

ROOM = "herdbook.pipeline.desk"
# By module and function: a module is loaded when its page is first asked for, so that the desk starts at once.
PAGES = {
    "/fleet": "fleet.page",
    "/vehicle": "vehicle.page",
    "/night": "night.page",
    "/window": "window.page",
    "/window/data": "window.data",
    "/window/copies": "window.copies",
    "/batch": "batch.page",
    "/scatter": "scatter.page",
    "/made/{name}": "files.fetch",
}
LONG = {
    "/history": "history.page",
    "/window/file": "take_signals.file",
    "/scatter/data": "scatter.data",
    "/ask": "ask.page",
    "/ask/rows": "ask.data",
    "/ask/file": "ask.file",
    "/history/file": "history.file",
    "/table/{name}": "tables_asked.file",
}
TAKEN = {  # by POST: what a form sends
    "/window/stop": "window.stop",
    "/note": "note_form.enter",
}


def answer_of(name: str) -> Answer:
    def answer(asked: Asked) -> Response:
        module, _, function = name.partition(".")
        found: Response = getattr(import_module(f"{ROOM}.{module}"), function)(asked)
        return found

    return answer


def application(desk: Desk) -> Starlette:
    desk.addresses = frozenset({*PAGES, *LONG, *TAKEN})

    async def root(_: Request) -> Response:
        return RedirectResponse("/fleet", 303)

    async def asset(request: Request) -> Response:
        from herdbook.pipeline.desk import look

        name = request.path_params["name"]
        if name not in look.ASSETS:
            return plain("There is no such file.", 404)
        kind = look.KINDS[name[name.rindex(".") :]]
        kept = {"Cache-Control": "private, max-age=31536000, immutable"}
        return Response(look.asset_text(name), media_type=kind, headers=kept)

    async def progress(request: Request) -> Response:
        """How far a question is; nothing of it when it is over."""
        found = desk.questions.known(request.query_params.get("q", ""))
        said = {"done": found.done, "of": found.of, "words": found.words} if found else {}
        return JSONResponse({"open": found is not None, **said})

    async def stop(request: Request) -> Response:
        if not desk.doors.mark_fits(request, ""):
            return plain(NOT_OURS, 403)
        return JSONResponse({"stopped": desk.questions.stop(request.query_params.get("q", ""))})

    async def missing(request: Request, _: Exception) -> Response:
        return plain(f"The desk has no page {request.url.path}. Begin at /fleet.", 404)

    routes = [
        Route("/", root),
        Route("/assets/{digest}/{name}", asset),
        Route("/progress", progress),
        Route("/stop", stop, methods=["POST"]),
        *(Route(path, endpoint(desk, answer_of(name))) for path, name in PAGES.items()),
        *(Route(path, endpoint(desk, answer_of(name), long=True)) for path, name in LONG.items()),
        *(Route(path, endpoint(desk, answer_of(name), long=True), methods=["POST"]) for path, name in TAKEN.items()),
    ]
    guard = Middleware(BaseHTTPMiddleware, dispatch=desk.doors)
    return Starlette(routes=routes, middleware=[guard], exception_handlers={404: missing})
