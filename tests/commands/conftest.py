"""Run a command in this process and see what it says."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from dashboard.commands import main

SCHEMAS = Path(__file__).parent / "schemas"


@cache
def validator(command: str) -> jsonschema.Draft202012Validator:
    """Return what holds an answer to a command's schema, which is itself held to the draft."""
    schema = json.loads((SCHEMAS / f"{command}.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@dataclass(frozen=True)
class Said:
    """What a command left behind."""

    code: int
    out: str
    err: str
    command: str

    @property
    def json(self) -> dict[str, Any]:
        """The answer, held to the command's schema; it must be all of standard output."""
        answer: dict[str, Any] = json.loads(self.out)
        validator(self.command).validate(answer)
        assert self.out.count("\n") == 1
        return answer

    def refused(self, words: str, code: int = 2) -> None:
        """Hold a refusal to its form: one plain sentence on standard error, and the exit code."""
        assert words in self.err
        assert self.out == ""
        assert self.code == code
        assert self.err.endswith((".\n", "?\n", "--help\n"))
        assert self.err.count("\n") == 1
        assert self.err.startswith("feedtally")
        assert "Traceback" not in self.err


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Said]:
    """Run a command as the command line does; no store of the machine is ever met."""
    monkeypatch.delenv("FEEDTALLY_STORE", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))

    def call(*words: object) -> Said:
        capsys.readouterr()
        try:
            code = main([str(word) for word in words])
        except SystemExit as leaving:
            code = int(leaving.code or 0)
        out, err = capsys.readouterr()
        return Said(code, out, err, str(words[0]) if words else "")

    return call


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty folder, which the command is run in."""
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder
