"""The command line in this process, as the tests of the commands have it."""

from tests.cli.conftest import run

__all__ = ["run"]
