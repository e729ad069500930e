"""Invented sites that ship with the package: plans, surveys, and the scripts that made them."""

from importlib.resources import files
from pathlib import Path

from terrain.errors import TerrainError

SITES = ("sallowrigg",)


def site_folder(name: str = SITES[0]) -> Path:
    """Folder of a sample site, with its `site.toml` and surveys.

    Parameters
    ----------
    name
        One of `SITES`.

    Raises
    ------
    TerrainError
        There is no such sample.
    """
    if name not in SITES:
        raise TerrainError(
            f"there is no sample site {name!r}",
            expected=f"one of: {', '.join(SITES)}",
            mend="name one of these, or give the path of a site folder of your own",
        )
    return Path(str(files(__name__))) / name
