"""The one way numba compiles here: no Python objects, cached in the user's cache folder."""

import os
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryFile
from typing import TypeVar, cast

import numba
import platformdirs

Function = TypeVar("Function", bound=Callable[..., object])


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _choose_cache() -> bool:
    """Point numba at the user's cache folder; say whether it can be written to."""
    if os.environ.get("NUMBA_CACHE_DIR"):
        return True
    folder = Path(platformdirs.user_cache_dir("tarnwright")) / "kernels"
    if not _writable(folder):
        return False
    vars(numba.config)["CACHE_DIR"] = str(folder)
    return True


_CACHED = _choose_cache()


def kernel(function: Function) -> Function:
    """Compile `function` with numba; the compiled code outlives the process where it can."""
    return cast("Function", numba.njit(cache=_CACHED, nogil=True)(function))
