"""Run the benchmarks and save their tables: ``python tests/benchmarks/run.py [chain] [memory]``.

Results go to ``tests/benchmarks/results/`` as Markdown, which git does not track.
"""

from __future__ import annotations

import argparse
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import chain
import memory
import numpy as np
from timing import in_turn, table

from stackcomp.kernels.strips import thread_count


def run_chain(rounds: int) -> str:
    """The chain of 20 pixel nodes against its peers and the copy floor."""
    pair = chain.pictures()
    reference = "copy of 12 planes"
    contestants = {
        reference: chain.copy_12(*pair),
        "stackcomp, one fused loop": chain.ours(*pair),
        "stackcomp, node by node": chain.ours(*pair, fused=False),
        "numpy": chain.in_numpy(*pair),
        "pyvips": chain.in_pyvips(*pair),
        "OpenImageIO": chain.in_openimageio(*pair),
    }
    truth = chain.result_of(*pair)
    worst = np.abs(np.stack(chain.in_numpy(*pair)(), -1) - truth).max()  # type: ignore[call-overload]
    assert worst < 1e-5, worst
    timings = in_turn(contestants, reference, rounds)
    return table("20 pixel operations, 3840×2160 RGBA float32", timings, reference)


def main() -> None:
    """Run the requested benchmarks, print and save their tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="chain, memory; all when none is given")
    parser.add_argument("--rounds", type=int, default=15)
    arguments = parser.parse_args()
    names = arguments.names or ["chain", "memory"]
    parts = [
        f"{platform.processor() or platform.machine()}, {thread_count()} threads, "
        f"Python {platform.python_version()}, numpy {np.__version__}\n"
    ]
    if "chain" in names:
        parts.append(run_chain(arguments.rounds))
    if "memory" in names:
        parts.append(memory.table([(20, True), (200, True), (20, False), (200, False)]))
        parts.append(memory.area_table())
    text = "\n".join(parts)
    print(text)
    folder = Path(__file__).parent / "results"
    folder.mkdir(exist_ok=True)
    (folder / "latest.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
