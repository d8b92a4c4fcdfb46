"""The list of verbs in a help: each with its whole first sentence, on as many lines as it takes."""

from __future__ import annotations

from typing import Any

from typer.core import TyperGroup

WHOLE = 10_000  # characters that a sentence may have


class VerbList(TyperGroup):
    """A group that does not break off what a verb does at the width of a terminal."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        verbs = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        rows = [(name, verb.get_short_help_str(WHOLE)) for name, verb in verbs if verb and not verb.hidden]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)
