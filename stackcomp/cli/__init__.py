"""The command line: one thin file a command. `app` joins them, `endings` says how all of them end.

Nothing here computes: commands read the request, call the library, and print. Heavy modules are imported
inside the commands, so that ``stackcomp --help`` need not wait for them.
"""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """What the command ``stackcomp`` runs. Exits with 0, 1, 2 or 130, see `stackcomp.cli.endings`."""
    try:
        from stackcomp.cli.run import run
    except KeyboardInterrupt:
        # Stopped so early that nothing had begun.
        raise SystemExit(130) from None
    run()
