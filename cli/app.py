"""The `lightgap` command: collects the commands, and maps every error to one line and an exit status."""

from __future__ import annotations

import atexit
import gc
import re
import sys
from typing import Annotated

import typer

from lightgap.neck.errors import FileProblem, LightgapError

from . import advise, batch, book, clearance, crosscheck, instrument, measure, render, season, tension, turn, visit
from .output import say, show

app = typer.Typer(
    name="lightgap",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Measure neck relief from one side-lit photo of a straightedge on the frets, and plan the next safe step.",
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        show(f"lightgap {version('lightgap')}")
        raise typer.Exit


@app.callback()
def root(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Measure neck relief from one side-lit photo of a straightedge on the frets, and plan the next safe step."""


app.command()(measure.measure)
app.command()(batch.batch)
app.command(epilog=render.EXAMPLES)(render.render)
app.command("advise", help=advise.HELP)(advise.advise)
app.command("tension", help=tension.HELP)(tension.tension)
app.command("clearance", help=clearance.HELP)(clearance.clearance)
app.command("crosscheck", help=crosscheck.HELP)(crosscheck.crosscheck)
app.add_typer(instrument.app, name="instrument")
app.add_typer(visit.app, name="visit")
app.command(help=turn.HELP)(turn.turn)
app.command(help=season.HELP)(season.season)
app.add_typer(book.app, name="book")


def main() -> None:
    """Run the command line; every expected error is one line on standard error and a documented exit status."""
    # What was loaded need not be looked through for garbage once more at the end, which takes a tenth of a second.
    atexit.register(gc.freeze)
    try:
        app()
    except LightgapError as problem:
        say(f"lightgap: {problem}")
        sys.exit(problem.exit_status)
    except ImportError as problem:
        say(f"lightgap: {_library_advice(problem)}")
        sys.exit(FileProblem.exit_status)


def _library_advice(problem: ImportError) -> str:
    """Return one line on a library that cannot be loaded: which, why, and what to install."""
    name = (problem.name or "").partition(".")[0]
    cause = " ".join(str(problem).split())
    shared = re.search(r"\S+\.so\b\S*", cause)
    if shared is not None and (name in ("", "cv2") or "cv2" in cause):
        return (
            f"OpenCV cannot be loaded ({cause}): install the system libraries it needs, "
            "on Debian and Ubuntu: apt-get install libgl1 libglib2.0-0"
        )
    return f"{name or 'a library'} cannot be loaded ({cause}): reinstall with pip install --force-reinstall lightgap"


if __name__ == "__main__":
    main()
