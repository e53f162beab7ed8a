"""Time against the number of nodes and of pixels, as a table and a plot."""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import numpy as np

import stackcomp
from stackcomp.execute.frame import Request

SIZES = {"HD": (1920, 1080), "UHD": (3840, 2160), "8K": (7680, 4320)}
NODES = (10, 20, 50, 100, 200)


def chain_of(count: int, size: tuple[int, int], *, powers: bool) -> stackcomp.Graph:
    """Exposure, or a grading with one power, and over, in turn."""
    graph = stackcomp.Graph(frames="1")
    for name in ("backdrop", "source"):
        graph.add("flat", name, size=list(size))
    last = "backdrop"
    for k in range(count // 2):
        if powers:
            gamma = 1.2 if k % 2 else 0.85
            last = graph.add("multiply_shadow", f"n{k}", backdrop=last, shadow="source", gamma=gamma)
        else:
            last = graph.add("exposure", f"n{k}", image=last, stops=0.1 * (-1) ** k)
        last = graph.add("over", f"o{k}", source="source", backdrop=last)
    return graph


def measured(rounds: int) -> dict[tuple[str, bool], list[float]]:
    """Milliseconds by size, with powers or without, for each number of nodes."""
    times: dict[tuple[str, bool], list[float]] = {}
    for name, size in SIZES.items():
        pixels = np.random.default_rng(3).random((size[1], size[0], 4), dtype=np.float32)
        pixels[..., :3] *= pixels[..., 3:]
        image = stackcomp.Image.from_array(pixels)
        for powers in (False, True):
            row = times[name, powers] = []
            for count in NODES:
                graph = chain_of(count, size, powers=powers)
                comp = stackcomp.Composition(graph)
                executor = comp.executor([f"o{count // 2 - 1}"], replace={"backdrop": image, "source": image})
                own = []
                for _ in range(rounds + 1):
                    started = time.perf_counter()
                    for _ in executor._run(Request(1)).finished():
                        pass
                    own.append((time.perf_counter() - started) * 1e3)
                row.append(statistics.median(own[1:]))
    return times


def table(rounds: int, plot: Path) -> str:
    """A table; the plot is saved beside it."""
    times = measured(rounds)
    lines = [
        "### Time against nodes and pixels: exposure and over, or a gamma and over, in one loop",
        "",
        f"| ms | {' | '.join(f'{count} nodes' for count in NODES)} |",
        f"|---|{'---:|' * len(NODES)}",
    ]
    for (name, powers), row in times.items():
        label = (
            f"{name} {'×'.join(map(str, SIZES[name]))}, {'a power every second node' if powers else 'arithmetic'}"
        )
        lines.append(f"| {label} | {' | '.join(f'{value:.0f}' for value in row)} |")
    draw(times, plot)
    return "\n".join(lines) + "\n"


def draw(times: dict[tuple[str, bool], list[float]], path: Path) -> None:
    """Save the plot."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(7, 4), dpi=110)
    colours = dict(zip(SIZES, ("#2b6f8a", "#b0622b", "#5b7f3a"), strict=True))
    for (name, powers), row in times.items():
        style = "--" if powers else "-"
        axes.plot(
            NODES,
            row,
            style,
            marker="o",
            markersize=4,
            color=colours[name],
            label=name + (", powers" if powers else ""),
        )
    axes.set(xscale="log", yscale="log", xlabel="nodes in the graph", ylabel="milliseconds a frame")
    axes.set_xticks(NODES, [str(count) for count in NODES])
    axes.minorticks_off()
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, fontsize=8)
    figure.tight_layout()
    figure.savefig(path)
    pyplot.close(figure)
