"""Reading with GDAL without a word on stderr: what it says becomes errors of ours."""

import logging
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

for _name in ("rasterio", "pyogrio"):
    logging.getLogger(_name).addHandler(logging.NullHandler())


@contextmanager
def hushed() -> Iterator[list[warnings.WarningMessage]]:
    """Collect warnings instead of printing them.

    rasterio's log fails on messages of GDAL that are not UTF-8, as damaged tags make them, and has
    Python print that through both of its hooks; what fails otherwise still raises.
    """
    hooks = sys.excepthook, sys.unraisablehook
    sys.excepthook, sys.unraisablehook = (lambda *_: None), (lambda _: None)
    try:
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            yield warned
    finally:
        sys.excepthook, sys.unraisablehook = hooks
