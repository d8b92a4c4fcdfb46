"""A night on the terminal: how far it is, then its change list, and the exit code that pipeline/night/changes.py lays
down."""

from __future__ import annotations

import typer

from herdbook.flows.request import Ended, Request
from herdbook.flows.supervise import run_once
from herdbook.pipeline.commands.terminal import news, screen


def run_shown(request: Request, title: str) -> Ended:
    """The night or backfill with its progress on the terminal."""
    with screen.progress(title) as told:
        return run_once(request, told)


def show(ended: Ended, json: bool) -> None:
    """What is new, for a person or as JSON. Raises: typer.Exit with the night's exit code."""
    if ended.note:
        screen.warn(f"herdbook: {ended.note}.")
    if json:
        screen.as_json(ended.result)
        raise typer.Exit(ended.exit_code)
    news.show(ended.result)
    if "inbox" in ended.result:
        screen.say(ended.result["inbox"]["in_words"])
    for sent in ended.result["messages"]:
        screen.say(f"Message to {sent['target']}: {sent['state']} {sent['detail']}".rstrip())
    raise typer.Exit(ended.exit_code)
