"""`tarnwright`: the command line's root."""

import sys
from typing import Any

import typer
from typer.core import TyperGroup

from cli import compare, demo, draw, haul, new, progress, slopes, stake, survey, volumes
from cli.options import CHECK_FAILED
from terrain.errors import MethodsDisagree, TerrainError


class _SayErrors(TyperGroup):
    """Turns what is wrong with an input into a message and exit code 1, or 3 for a check."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise
        except TerrainError as error:
            _say(str(error))
            raise typer.Exit(CHECK_FAILED if isinstance(error, MethodsDisagree) else 1) from error
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            _say(f"{where}{error.strerror or error}")
            raise typer.Exit(1) from error
        except MemoryError as error:
            _say("there is not enough memory for this; take a coarser cell in [site]")
            raise typer.Exit(1) from error


def _say(message: str) -> None:
    """Print an error; what a file holds cannot steer the terminal."""
    plain = (c if c.isprintable() or c == "\n" else repr(c)[1:-1] for c in message)
    typer.echo(f"tarnwright: {''.join(plain)}", err=True)


app = typer.Typer(
    name="tarnwright",
    cls=_SayErrors,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="From a survey to a dig: how much comes out, goes back, and leaves.",
)
for module in (new, demo, survey, volumes, haul, slopes, draw, stake, compare, progress):
    app.command(module.__name__.rpartition(".")[2])(module.command)


def run() -> None:
    """Entry point of the console script."""
    sys.exit(app())
