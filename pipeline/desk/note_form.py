"""A form that was sent: entered into the book, or shown again with what was typed."""

from __future__ import annotations

from starlette.responses import JSONResponse, RedirectResponse, Response

from herdbook.pipeline.desk import vehicle
from herdbook.pipeline.desk.desk import Asked, in_words
from herdbook.pipeline.desk.look import address
from herdbook.pipeline.desk.notes import entered
from herdbook.pipeline.errors import HerdbookError


def enter(asked: Asked) -> Response:
    """Raises: HerdbookError, where the page itself shows what went wrong."""
    name = asked.field("v")
    try:
        said = entered(asked, name)
    except (HerdbookError, OSError) as error:
        if asked.as_json:
            raise
        told = in_words(error, asked.path)
        return vehicle.shown(asked, name, 409, typed=asked.form, problem=f"{told} What you typed stands below.")
    if asked.as_json:
        return JSONResponse({"said": said, "to": asked.field("back")})
    return RedirectResponse(address("/vehicle", v=name) + "#book", 303)
