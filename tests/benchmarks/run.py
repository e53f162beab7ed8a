"""Run the benchmarks and save their tables: ``python tests/benchmarks/run.py [NAME …]``.

The names are those of `NAMES`; without one, all are run. Results go to ``tests/benchmarks/results/`` as Markdown,
which git does not track. The plot of ``scaling`` is the one that the README shows; ``--plot`` says where it goes.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import batch
import chain
import defocusing
import edges
import frame
import graining
import ids
import kinds
import lens_warping
import mattes
import memory
import motion
import numpy as np
import placing
import plugin
import scaling
import softening
import spreading
from timing import in_turn, table

from stackcomp.kernels.strips import thread_count

NAMES = (
    "chain",
    "kinds",
    "frame",
    "window",
    "scaling",
    "memory",
    "batch",
    "plugin",
    "ids",
    "placing",
    "edges",
    "mattes",
    "softening",
    "spreading",
    "graining",
    "motion",
    "lens",
    "defocusing",
)
_TITLES = {
    "plain": "20 pixel operations, 3840×2160 RGBA float32: ten times exposure and over",
    "powers": "20 pixel operations with 10 powers: ten times a shadow with a gamma and over",
    "grades": "10 gradings with 30 powers, 3840×2160 RGB float32",
}


def run_chains(rounds: int) -> str:
    """The chains against their peers and the copy floor."""
    some = chain.pictures()
    reference = "copy of 12 planes"
    peers = {
        "numpy": chain.in_numpy,
        "numexpr": chain.in_numexpr,
        "pyvips": chain.in_pyvips,
        "OpenImageIO": chain.in_openimageio,
        "OpenCV": chain.in_opencv,
    }
    tables = []
    for name, title in _TITLES.items():
        truth = np.stack(chain.in_numpy(some, name, np.float64)(), -1)
        worst = np.max(np.abs(chain.rendered(some, name) - truth) / np.maximum(np.abs(truth), 0.01))
        assert worst < 1e-5, worst
        contestants = {
            reference: chain.copy_12(some),
            "stackcomp": chain.ours(some, name),
            "stackcomp, picture handed out": chain.ours(some, name, handed_out=True),
            "stackcomp, node by node": chain.ours(some, name, fused=False),
            **{peer: make(some, name) for peer, make in peers.items()},
        }
        if name == "grades":
            contestants["OpenColorIO"] = chain.in_opencolorio(some, name)
        tables.append(table(title, in_turn(contestants, reference, rounds), reference))
    return "\n".join(tables)


def main() -> None:
    """Run the requested benchmarks, print and save their tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help=f"{', '.join(NAMES)}; all when none is given")
    parser.add_argument("--rounds", type=int, default=9)
    folder = Path(__file__).parent / "results"
    parser.add_argument("--plot", type=Path, default=folder / "scaling.png")
    arguments = parser.parse_args()
    folder.mkdir(exist_ok=True)
    names, rounds = arguments.names or NAMES, arguments.rounds
    parts = [
        f"{platform.processor() or platform.machine()}, {thread_count()} threads, "
        f"Python {platform.python_version()}, numpy {np.__version__}\n"
    ]

    def add(text: str) -> None:
        print(text, flush=True)
        parts.append(text)
        (folder / "latest.md").write_text("\n".join(parts), encoding="utf-8")

    if "chain" in names:
        add(run_chains(rounds))
    if "kinds" in names:
        add(kinds.table(rounds))
    if "window" in names:
        add(frame.windows(rounds))
    if "frame" in names:
        with tempfile.TemporaryDirectory() as files:
            add(frame.whole_frames(Path(files), max(3, rounds // 3)))
            add(frame.memory(Path(files)))
    if "scaling" in names:
        add(scaling.table(rounds, arguments.plot))
    if "batch" in names:
        with tempfile.TemporaryDirectory() as files:
            add(batch.all_batches(Path(files), max(3, rounds // 3)))
    if "ids" in names:
        add(table("id_matte, 12 ranks, 3840×2160", in_turn(ids.contestants(), ids.COPY, rounds), ids.COPY))
        add(table("A manifest of 32,166 names", in_turn(ids.manifests(), "json alone", rounds), "json alone"))
    if "edges" in names:
        add(edges.tables(rounds))
    if "defocusing" in names:
        add(defocusing.tables(rounds))
    if "plugin" in names:
        add(plugin.table(max(15, rounds)))
    if "mattes" in names:
        add(mattes.table(rounds))
    if "softening" in names:
        add(softening.tables(max(3, rounds // 2)))
        add(softening.memory_table())
    if "spreading" in names:
        add(spreading.tables(rounds))
    if "graining" in names:
        for part in (graining.table(rounds), graining.distance(), graining.memory()):
            add(part)
    if "motion" in names:
        add(motion.tables(max(3, rounds // 3)))
    if "lens" in names:
        add(lens_warping.tables(rounds))
    if "placing" in names:
        add(placing.tables(max(3, rounds // 2)))
    if "memory" in names:
        add(memory.table([(20, True), (200, True), (20, False), (200, False)]))
        add(memory.area_table())


if __name__ == "__main__":
    main()
