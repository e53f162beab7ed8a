"""``stackcomp check`` of a sequence file: every shot, from headers alone."""

from __future__ import annotations

from collections.abc import Sequence

from stackcomp.cli.endings import DONE, WRONG, print_json, say

__all__ = ["check_sequence"]


def check_sequence(
    path: str,
    frames: list[int] | None,
    root: str | None,
    variables: Sequence[str] | None,
    sets: Sequence[str] | None,
    *,
    replace_foreign: bool,
    as_json: bool,
) -> int:
    """Print what is wrong with the shots of a sequence; return the exit code."""
    from stackcomp.batch.checking import check_everything
    from stackcomp.batch.run import Options
    from stackcomp.cli.request import count
    from stackcomp.cli.shots import open_batch
    from stackcomp.errors import DocumentError

    shots, number = None, 0
    try:
        batch = open_batch(path, root, variables, sets)
    except DocumentError as error:
        problems = list(error.problems)
    else:
        chosen = batch.chosen(Options(frames=None if frames is None else tuple(frames)))
        shots, number = len(chosen), sum(len(numbers) for _, numbers in chosen)
        problems = [*batch.warnings, *check_everything(chosen, replace_foreign=replace_foreign)]
        problems += batch.planned(replace_foreign=replace_foreign)[1]
    errors = sum(problem.severity == "error" for problem in problems)
    code = WRONG if errors else DONE
    if as_json:
        print_json(
            {
                "sequence": path,
                "ok": not errors,
                "exit_code": code,
                "shots": shots,
                "frames": number,
                "problems": [problem.as_dict() for problem in problems],
            }
        )
        return code
    for problem in problems:
        warns = problem.severity == "warning"
        say(f"warning: {problem}" if warns else str(problem), style="yellow" if warns else "red")
    where = "" if shots is None else f" in {count(shots, 'shot')}, {count(number, 'frame')}"
    doubts = len(problems) - errors
    found = [count(n, word) for n, word in ((errors, "error"), (doubts, "warning")) if n]
    say((" and ".join(found) or "no problems") + where)
    return code
