"""How the program starts and ends."""

from __future__ import annotations

import json
import signal
import subprocess
import sys

import pytest
import typer

from stackcomp.cli import endings
from stackcomp.errors import FileError
from stackcomp.version import __version__

_HEAVY = ("numpy", "numba", "OpenEXR", "PyOpenColorIO", "networkx", "imageio")


# Behind a command's name typer itself needs pydantic.
@pytest.mark.parametrize(
    ("arguments", "heavy"),
    [
        (["--help"], (*_HEAVY, "pydantic")),
        (["--version"], (*_HEAVY, "pydantic")),
        (["render", "--help"], _HEAVY),
        (["kinds", "-h"], _HEAVY),
    ],
)
def test_help_waits_for_no_heavy_module(arguments, heavy, environment):
    program = (
        "import sys, json\n"
        "from stackcomp.cli import main\n"
        f"sys.argv = ['stackcomp', *{arguments!r}]\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n"
        f"    print(json.dumps([end.code, [m for m in {heavy!r} if m in sys.modules]]), file=sys.stderr)\n"
    )
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=environment())
    assert json.loads(done.stderr) == [0, []]
    assert "stackcomp" in done.stdout


def test_version(process):
    done = process("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"stackcomp {__version__}\n", "")


def test_help_tells_commands_and_exit_codes(run):
    shown = run("--help").stdout
    for word in ("check", "render", "dump", "kinds", "schema", "Exit codes", "130"):
        assert word in shown
    assert "Exit codes" in run("dump", "--help").stdout


@pytest.mark.parametrize("arguments", [["rendr"], ["render"], ["check", "g.json", "--wrong"], ["dump", "g.json"],
                                       ["render", "g.json", "--threads", "0"]])  # fmt: skip
def test_a_wrong_command_line_is_a_wrong_request(process, arguments):
    done = process(*arguments)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr or "Usage" in done.stdout


def ending(error):
    """How a command ends that raises this, as exit code."""

    @endings.guarded
    def command(as_json: bool = False) -> int:
        raise error

    with pytest.raises(typer.Exit) as ended:
        command(as_json=True)
    return ended.value.exit_code


def test_failures_end_in_a_sentence(capsys):
    assert ending(FileError("a.exr", "is cut short", "render it again")) == 1
    assert capsys.readouterr().err == "a.exr: is cut short — render it again\n"
    assert ending(ZeroDivisionError("by\nzero")) == 1
    told = capsys.readouterr()
    assert told.err.startswith("stackcomp command: bug in stackcomp: ZeroDivisionError: by")
    assert json.loads(told.out)["exit_code"] == 1
    assert ending(KeyboardInterrupt()) == 130


@pytest.mark.slow
def test_debug_shows_where(shot, process, save_graph):
    save_graph(final={"kind": "over", "source": "plate", "backdrop": "shaded"})
    for arguments in (("--debug", "render", "graph.json"), ("render", "graph.json", "--debug")):
        done = process(*arguments)
        assert "Traceback (most recent call last)" in done.stderr
        assert done.returncode == 2


def test_names_cannot_steer_the_terminal(shot, run, save_graph, capsys):
    assert endings.visible("a\x1b[31mb\n\tü\x07") == "a\\x1b[31mb\n\tü\\x07"
    save_graph(**{"[bold]x[/bold]": {"kind": "exposure", "image": ":smile:"}})
    shown = run("check", "graph.json").stdout
    assert 'node "[bold]x[/bold]"' in shown
    assert '":smile:"' in shown


@pytest.mark.slow
def test_a_reader_that_goes_away_is_no_failure_worth_words(environment):
    command = f"{sys.executable} -m stackcomp schema | head -c 10"
    shell = ["bash", "-c", command]
    done = subprocess.run(shell, capture_output=True, text=True, timeout=60, check=False, env=environment())
    assert done.stderr == ""


@pytest.mark.slow
def test_an_output_without_letters_gets_escapes(shot, process, save_graph):
    save_graph(ü={"kind": "flat", "size": [4, 4]})
    done = process("check", "graph.json", env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0
    assert 'node "\\xfc"' in done.stdout


def test_ctrl_c_again_while_the_program_ends_leaves_no_traceback(environment):
    """The first press unwinds, the second ends the process as any program that does not know of it."""
    program = (
        "import os, signal\n"
        "from stackcomp.cli import run\n"
        "def busy(**options):\n"
        "    try:\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "    finally:\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "run.app = busy\n"
        # In the background of a script, processes begin with the signal ignored.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "run.run()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False, env=environment()
    )
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, "", "")
