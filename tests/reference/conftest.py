"""How these tests run a command."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from stackcomp.cli.app import app


@pytest.fixture
def run():
    def run(*words):
        return CliRunner().invoke(app, [str(word) for word in words], prog_name="stackcomp")

    return run
