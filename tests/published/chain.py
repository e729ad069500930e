"""Run the command as a person does, and read its one JSON document."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest


def run_json(
    command: str,
    site: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> dict[str, Any]:
    """`tarnwright COMMAND SITE --json`: exit code 0, JSON and nothing else on stdout."""
    from cli.main import run

    monkeypatch.setattr(sys, "argv", ["tarnwright", command, str(site), "--json"])
    capsys.readouterr()
    try:
        code = run()
    except SystemExit as leaving:
        code = leaving.code
    said = capsys.readouterr()
    assert code in (0, None), said.err
    document: dict[str, Any] = json.loads(said.out)
    return document
