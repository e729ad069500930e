"""How answers reach the person: tables on stdout, JSON on request, files whole or not at all."""

import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

from terrain.whole import whole_file

CAUTION = (
    "Screening aid. Local codes govern. Soil must be classified on site by a competent person; "
    "protective systems and deep or loaded faces are for a licensed engineer. Nothing here "
    "certifies an excavation as safe to enter."
)
SHORT_CAUTION = (
    "Screening aid: local codes govern, a competent person classifies the soil on site, and "
    "nothing here certifies a cut as safe to enter."
)


def print_table(
    title: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int] = (0,)
) -> None:
    """Print a table that is never wrapped or cut short.

    Parameters
    ----------
    title
        Stands on a line of its own.
    head
        Names of the columns; a line break begins a second line.
    rows
        Texts of the cells.
    left
        Columns that hold words and stand to the left; numbers stand to the right.
    """
    heads = [name.split("\n") for name in head]
    depth = max(len(lines) for lines in heads)
    top = [[lines[k] if k < len(lines) else "" for lines in heads] for k in range(depth)]
    widths = [max(_width(row[k]) for row in (*top, *rows)) for k in range(len(head))]
    typer.secho(title, bold=True)
    for number, row in enumerate((*top, *rows)):
        cells = []
        for k, text in enumerate(row):
            space = " " * (widths[k] - _width(text))
            cells.append(text + space if k in left else space + text)
        typer.secho(("  " + "   ".join(cells)).rstrip(), dim=number < depth)


def _width(text: str) -> int:
    from rich.cells import cell_len

    return cell_len(text)


def print_lines(*lines: str) -> None:
    """Print sentences: wrapped at words in a terminal, whole where they are piped."""
    wide = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    for line in lines:
        if 0 < wide < len(line):
            typer.echo(textwrap.fill(line, wide, break_long_words=False, break_on_hyphens=False))
        else:
            typer.echo(line)


def warn(line: str) -> None:
    """Say something on stderr that does not stop the work."""
    typer.echo(f"tarnwright: {line}", err=True)


@contextmanager
def progress_bar(what: str, count: int) -> Iterator[Callable[[], None]]:
    """A bar on stderr where that is a terminal; call what it yields after each step."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        row = bar.add_task(what, total=count)
        yield lambda: bar.advance(row)


def number(value: float, digits: int = 1) -> str:
    """A number in a table; a dash for nothing, so that what is there stands out."""
    text = f"{value:,.{digits}f}"
    return "–" if not text.strip("-0.,") else text


def counted(count: int, what: str) -> str:
    """`1 load`, `7 loads`."""
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def print_json(document: Mapping[str, Any]) -> None:
    """Print one JSON document."""
    typer.echo(json_text(document))


def json_text(document: Mapping[str, Any]) -> str:
    """One JSON document; numbers that are not known become null."""
    return json.dumps(_plain(document), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if abs(value) < float("inf") else None
    return value


def save_json(document: Mapping[str, Any], path: Path) -> Path:
    """Write a JSON document whole or not at all."""
    with whole_file(path) as temporary:
        temporary.write_text(json_text(document) + "\n", encoding="utf-8")
    return path
