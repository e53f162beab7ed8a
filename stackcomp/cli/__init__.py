"""The command line: one thin file for each command. `app` joins them; `endings` defines exit codes and output.

Nothing here computes: commands read the request, call the library, and print. Heavy modules are imported
inside the commands, so that ``stackcomp --help`` is fast.
"""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Run the command ``stackcomp``. Exits with 0, 1, 2 or 130, see `stackcomp.cli.endings`."""
    try:
        from stackcomp.cli.run import run
    except KeyboardInterrupt:
        # Stopped during the import: nothing had begun.
        raise SystemExit(130) from None
    run()
