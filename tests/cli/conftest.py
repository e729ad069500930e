"""Small site folders and the command line in this process."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.sites import write_site


@dataclass(frozen=True)
class Said:
    """What a command left behind."""

    code: int
    out: str
    err: str


Run = Callable[..., Said]


def fingerprint(folder: Path) -> dict[str, str]:
    """Hash of every file under a folder, results left out."""
    return {
        str(file.relative_to(folder)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.rglob("*"))
        if file.is_file() and "out" not in file.relative_to(folder).parts
    }


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one command; whatever it does not catch itself fails the test."""
    from cli.main import app

    def run_command(*words: object) -> Said:
        with pytest.raises(SystemExit) as left:
            app([str(word) for word in words], prog_name="tarnwright")
        said = capsys.readouterr()
        code = left.value.code
        return Said(code if isinstance(code, int) else int(code is not None), said.out, said.err)

    return run_command


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A good site in metres."""
    return write_site(tmp_path / "hollow", "m")


@pytest.fixture(params=["m", "ft", "us-ft"])
def any_site(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The same site written in each unit."""
    return write_site(tmp_path / "hollow", request.param)
