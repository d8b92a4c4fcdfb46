"""The command line: verbs from commands/, and the promise that a person never sees a traceback.

What its exit codes mean: pipeline/commands/terminal/exit_codes.py.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator, Sequence
from importlib import import_module
from pkgutil import iter_modules
from types import ModuleType
from typing import Annotated, NoReturn

import typer

from herdbook.pipeline.commands.terminal.exit_codes import closing_words
from herdbook.pipeline.commands.terminal.verb_list import VerbList

VERBS = ("herdbook.pipeline.commands",)  # folders whose modules are verbs
ABOUT = """CAN logs of a light electric vehicle fleet, turned into answers with evidence.

Begin with one unit: herdbook look LOG --profile PROFILE. With a fleet: herdbook scan INBOX --profiles PROFILES. With
nothing of your own: herdbook demo FOLDER. The manual: herdbook help."""


def verbs(folders: Sequence[str] = VERBS) -> list[ModuleType]:
    """The verbs in these folders, in the order of --help. The folder is the registry: a module in it is a verb."""
    return sorted(_modules(folders), key=lambda verb: getattr(verb, "ORDER", 1000))


def _modules(folders: Sequence[str]) -> Iterator[ModuleType]:
    for folder in folders:
        for found in iter_modules(import_module(folder).__path__):
            if not found.ispkg:
                yield import_module(f"{folder}.{found.name}")


def build(folders: Sequence[str] = VERBS, asked: Sequence[str] = ()) -> typer.Typer:
    """The application with its verbs; importing a verb's file is cheap, running it is not. asked: what was typed behind
    the command: where it begins with the name of a verb, only that one is made ready (a tenth of a second less)."""
    app = typer.Typer(
        name="herdbook",
        cls=VerbList,
        help=ABOUT,
        epilog=closing_words(),
        no_args_is_help=True,
        add_completion=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"max_content_width": 116},
    )
    app.callback()(_before_any_verb)
    for verb in _named(folders, asked[0] if asked else "") or verbs(folders):
        verb.register(app)
    return app


def _named(folders: Sequence[str], name: str) -> list[ModuleType]:
    """The module of that name, which registers a verb of its own name; none where no verb is called so."""
    known = [(f, m) for f in folders for m in iter_modules(import_module(f).__path__)]
    return [import_module(f"{f}.{name}") for f, m in known if m.name == name and not m.ispkg]


def say_version(asked: bool) -> None:
    if asked:
        from herdbook import __version__

        print(f"herdbook {__version__}")
        raise typer.Exit


LITTER = 50_000  # objects made before Python looks for circles of litter; its usual 700 cost a short command 5 to 10 %
VERSION = typer.Option("--version", callback=say_version, is_eager=True, help="Say which Herdbook this is, and leave.")


def _before_any_verb(version: Annotated[bool, VERSION] = False) -> None:
    """Options of the command itself; each does its work in its callback."""


def run(app: typer.Typer) -> NoReturn:
    """Run the application; errors a person can mend become one line and an exit code."""
    from herdbook.decoders.errors import DecoderError
    from herdbook.pipeline.commands.terminal.screen import warn
    from herdbook.pipeline.errors import HerdbookError
    from herdbook.pipeline.extras import missing_extra

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: at small matrices threads only wait
    speak_anyhow()
    gc.set_threshold(LITTER)
    try:
        app(standalone_mode=True)
    except HerdbookError as error:
        warn(f"herdbook: {error}")
        sys.exit(error.exit_code)
    except DecoderError as error:
        warn(f"herdbook: {error}")
        sys.exit(4)
    except SystemExit as leaving:
        if leaving.code == 130:  # typer leaves so on Ctrl-C, without a word
            warn("herdbook: stopped; what was committed stays, and the next run goes on from there.")
        raise
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except ImportError as error:
        if not (known := missing_extra(error)):
            sys.exit(own_fault(error))
        warn(f"herdbook: {known}")
        sys.exit(known.exit_code)
    except OSError as error:
        where = error.filename or "no file named"
        warn(f"herdbook: {error.strerror or error}: {where}. Check the path, its rights and the room left.")
        sys.exit(5)
    except OverflowError as error:
        if "date" not in str(error):
            sys.exit(own_fault(error))
        warn(f"herdbook: {error}. Give dates that lie some days inside the years 1 to 9999.")
        sys.exit(2)
    except Exception as error:
        sys.exit(damaged_or_ours(error))
    finally:
        gc.freeze()  # nothing is worth looking through on the way out: a tenth of a second
    sys.exit(0)


def speak_anyhow() -> None:
    """Make sure that something can be printed: to nowhere when an output was closed before the start, and with what an
    encoding does not have written as \\xNN, so that nothing is lost."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def damaged_or_ours(error: Exception) -> int:
    """The exit code of what nobody has put into words yet: a damaged file of the engine, else a fault of ours."""
    from herdbook.pipeline.commands.terminal.screen import warn
    from herdbook.pipeline.errors import damage

    if (known := damage(error)) is None:
        return own_fault(error)
    warn(f"herdbook: {known}")
    return known.exit_code


def own_fault(error: Exception) -> int:
    """A fault of ours: the details go to a file to send in, not over the screen."""
    import tempfile
    import traceback

    from herdbook.pipeline.commands.terminal.screen import warn

    with tempfile.NamedTemporaryFile("w", prefix="herdbook-fault-", suffix=".txt", delete=False, encoding="utf-8") as f:
        traceback.print_exception(error, file=f)
    warn(f"herdbook: a fault of Herdbook itself ({type(error).__name__}: {error}). Please report it with {f.name}.")
    return 70
