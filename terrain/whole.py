"""Files that are there whole, or not at all."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from terrain.errors import OutputError, Place


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a free name beside `path`; what is written there takes the path when all went well.

    Raises
    ------
    OutputError
        It cannot be written there.
    """
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(suffix=path.suffix, prefix=".", dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        temporary.unlink()  # some writers refuse a file that is there
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise cannot_write(path, error.strerror or error) from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


@contextmanager
def written_into(folder: Path) -> Iterator[None]:
    """Make a folder that files are written into.

    Raises
    ------
    OutputError
        It, or what is written there, cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise cannot_write(folder, error.strerror or error) from None


def cannot_write(path: Path, reason: object) -> OutputError:
    """The error for a file, or a folder, that cannot be written."""
    return OutputError(
        f"cannot be written: {reason}",
        place=Place(path),
        expected=f"a folder that can be written to, with room for it; tried {path.parent}",
        mend="choose another folder with --out",
    )
