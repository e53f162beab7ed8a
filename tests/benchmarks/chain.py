"""Chains of 20 pixel operations on 3840×2160 RGBA float32, against peers that do the same arithmetic.

- ``plain``: ten times exposure and over;
- ``powers``: ten times a coverage-style shadow with a gamma, one power a pixel, and over;
- ``grades``: ten gradings with a power of each channel, 30 powers a pixel, without alpha.

The floor is a plain copy that moves the planes of the first chain, 8 read and 4 written, with the same threads.
Peers: numpy on whole arrays, numexpr (compiled expressions in blocks, all cores), pyvips (streaming, all cores),
OpenImageIO's and OpenCV's operations, and for gradings OpenColorIO, whose processor joins them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

import stackcomp
from stackcomp.execute.frame import Request
from stackcomp.kernels.strips import over_strips, thread_count

WIDTH, HEIGHT, PAIRS = 3840, 2160, 10
STOPS = [0.1 * (-1) ** k for k in range(PAIRS)]
GAMMAS = [1.2 if k % 2 else 0.85 for k in range(PAIRS)]
SLOPES, POWERS = (1.05, 1.0, 0.95), [(1.1, 0.95, 1.05) if k % 2 else (0.92, 1.04, 0.96) for k in range(PAIRS)]
Pictures = dict[str, stackcomp.Image]


def pictures() -> Pictures:
    """Return a backdrop, a premultiplied source and a plate without alpha, of random light."""
    rng = np.random.default_rng(7)
    some = [rng.random((HEIGHT, WIDTH, 4), dtype=np.float32) for _ in range(2)]
    some[1][..., :3] *= some[1][..., 3:]
    made = [stackcomp.Image.from_array(pixels) for pixels in (*some, some[0][..., :3])]
    return dict(zip(("backdrop", "source", "plate"), made, strict=True))


def graph_of(chain: str) -> tuple[stackcomp.Graph, str, set[str]]:
    """Return a chain as a graph, its last node, and the pictures that it reads."""
    graph = stackcomp.Graph(frames="1")
    used = {"plate"} if chain == "grades" else {"backdrop", "source"}
    for name in sorted(used):
        graph.add("flat", name, size=[WIDTH, HEIGHT])
    last = "plate" if chain == "grades" else "backdrop"
    for k in range(PAIRS):
        if chain == "grades":
            last = graph.add("cdl", f"grade_{k}", image=last, slope=SLOPES, power=POWERS[k])
            continue
        if chain == "powers":
            last = graph.add("multiply_shadow", f"shadow_{k}", backdrop=last, shadow="source", gamma=GAMMAS[k])
        else:
            last = graph.add("exposure", f"exposure_{k}", image=last, stops=STOPS[k])
        last = graph.add("over", f"over_{k}", source="source", backdrop=last)
    return graph, last, used


def ours(some: Pictures, chain: str, *, fused: bool = True, handed_out: bool = False) -> Callable[[], object]:
    """Return a run of a chain as a graph: as between files, or with the picture handed out in memory of its
    own."""
    graph, last, used = graph_of(chain)
    executor = stackcomp.Composition(graph).executor([last], replace={n: some[n] for n in used}, fused=fused)

    def run() -> None:
        for result in executor.results(1) if handed_out else executor._run(Request(1)).finished():
            del result

    return run


def rendered(some: Pictures, chain: str) -> np.ndarray:
    """Return our result."""
    graph, last, used = graph_of(chain)
    return stackcomp.Composition(graph).render(last, 1, replace={n: some[n] for n in used}).to_array()


def in_numpy(some: Pictures, chain: str, dtype: type = np.float32) -> Callable[[], Any]:
    """Whole-array numpy on the same planes."""
    start = [some["backdrop"][c].astype(dtype) for c in "RGBA"]
    over = [some["source"][c].astype(dtype) for c in "RGBA"]
    plate = [some["plate"][c].astype(dtype) for c in "RGB"]

    def run() -> list[np.ndarray]:
        planes = list(plate if chain == "grades" else start)
        for k in range(PAIRS):
            if chain == "grades":
                planes = [(p * dtype(s)) ** dtype(e) for p, s, e in zip(planes, SLOPES, POWERS[k], strict=True)]
                continue
            keep = 1 - over[3]
            if chain == "powers":
                shadow = np.maximum(keep, 0) ** dtype(GAMMAS[k])
                planes = [p * shadow + s * planes[3] for p, s in zip(planes[:3], over[:3], strict=True)] + [
                    planes[3]
                ]
            else:
                planes = [plane * dtype(2.0 ** STOPS[k]) for plane in planes[:3]] + [planes[3]]
            planes = [s + b * keep for s, b in zip(over, planes, strict=True)]
        return planes

    return run


def in_numexpr(some: Pictures, chain: str) -> Callable[[], object]:
    """One compiled expression for each channel and the whole chain, in cache-sized blocks."""
    import numexpr

    numexpr.set_num_threads(thread_count())
    b, s = ({c: some[name][c] for c in "RGBA"} for name in ("backdrop", "source"))
    plate = some["plate"]
    alphas: list[np.ndarray] = []

    def evaluate(channel: str, k: int, x: np.ndarray) -> np.ndarray:
        names = {"x": x, "s": s[channel], "a": s["A"]}
        if chain == "powers" and channel != "A":
            names |= {"g": np.float32(GAMMAS[k]), "b": alphas[k]}
            return numexpr.evaluate("s + (x * (1 - a) ** g + s * b) * (1 - a)", names)
        names["g"] = np.float32(1 if channel == "A" else 2.0 ** STOPS[k])
        return numexpr.evaluate("s + x * g * (1 - a)", names)

    def run() -> None:
        alphas.clear()
        for channel in "RGB" if chain == "grades" else "ARGB":
            x = plate[channel] if chain == "grades" else b[channel]
            for k in range(PAIRS):
                if channel == "A":
                    alphas.append(x)
                if chain == "grades":
                    names = {
                        "x": x,
                        "g": np.float32(SLOPES["RGB".index(channel)]),
                        "e": np.float32(POWERS[k]["RGB".index(channel)]),
                    }
                    x = numexpr.evaluate("(x * g) ** e", names)
                else:
                    x = evaluate(channel, k, x)

    return run


def in_pyvips(some: Pictures, chain: str) -> Callable[[], object]:
    """pyvips on interleaved pixels, evaluated into memory."""
    import pyvips

    pyvips.cache_set_max(0)

    def image(name: str) -> Any:
        pixels = np.ascontiguousarray(some[name].to_array())
        return pyvips.Image.new_from_memory(pixels.tobytes(), WIDTH, HEIGHT, pixels.shape[2], "float")

    b, s, plate = image("backdrop"), image("source"), image("plate")

    def run() -> object:
        picture = plate if chain == "grades" else b
        keep = s[3].linear(-1, 1)
        for k in range(PAIRS):
            if chain == "grades":
                picture = picture.linear(list(SLOPES), [0, 0, 0]) ** list(POWERS[k])
                continue
            if chain == "powers":
                shadow = keep ** GAMMAS[k]
                light = picture.extract_band(0, n=3) * shadow + s.extract_band(0, n=3) * picture[3]
                picture = light.bandjoin(picture[3])
            else:
                gain = 2.0 ** STOPS[k]
                picture = picture.linear([gain, gain, gain, 1], [0, 0, 0, 0])
            picture = s + picture * keep
        return picture.cast("float").write_to_memory()

    return run


def in_openimageio(some: Pictures, chain: str) -> Callable[[], object]:
    """OpenImageIO's ImageBufAlgo on interleaved pixels."""
    import OpenImageIO as oiio  # noqa: N813 - its own usual short name

    oiio.attribute("threads", thread_count())
    algorithms = oiio.ImageBufAlgo

    def buffer(pixels: np.ndarray) -> Any:
        made = oiio.ImageBuf(oiio.ImageSpec(WIDTH, HEIGHT, pixels.shape[2], oiio.FLOAT))
        made.set_pixels(oiio.ROI(0, WIDTH, 0, HEIGHT), np.ascontiguousarray(pixels))
        return made

    b, s, plate = (buffer(some[name].to_array()) for name in ("backdrop", "source", "plate"))
    keep = buffer(np.repeat(1 - some["source"]["A"][..., None], 4, 2))

    def run() -> object:
        picture = plate if chain == "grades" else b
        for k in range(PAIRS):
            if chain == "grades":
                picture = algorithms.pow(algorithms.mul(picture, SLOPES), POWERS[k])
                continue
            if chain == "powers":
                # The alpha of the backdrop is left alone: to the power of 0 its factor is 1, and 0 is added to it.
                shadow = algorithms.pow(keep, (GAMMAS[k], GAMMAS[k], GAMMAS[k], 0.0))
                alpha = algorithms.channels(picture, (3, 3, 3, 3))
                light = algorithms.mul(algorithms.mul(s, alpha), (1.0, 1.0, 1.0, 0.0))
                picture = algorithms.mad(picture, shadow, light)
            else:
                gain = 2.0 ** STOPS[k]
                picture = algorithms.mul(picture, (gain, gain, gain, 1.0))
            picture = algorithms.over(s, picture)
        return picture

    return run


def in_opencv(some: Pictures, chain: str) -> Callable[[], object]:
    """OpenCV on planes, into buffers of its own."""
    import cv2

    cv2.setNumThreads(thread_count())
    b, s = ([some[name][c] for c in "RGBA"] for name in ("backdrop", "source"))
    plate = [some["plate"][c] for c in "RGB"]

    def run() -> list[np.ndarray]:
        planes = list(plate if chain == "grades" else b)
        keep = cv2.subtract(1.0, s[3])
        for k in range(PAIRS):
            if chain == "grades":
                planes = [
                    cv2.pow(cv2.multiply(p, g), e) for p, g, e in zip(planes, SLOPES, POWERS[k], strict=True)
                ]
                continue
            if chain == "powers":
                shadow = cv2.pow(keep, GAMMAS[k])
                light = [
                    cv2.add(cv2.multiply(p, shadow), cv2.multiply(x, planes[3]))
                    for p, x in zip(planes[:3], s[:3], strict=True)
                ]
            else:
                light = [cv2.multiply(p, 2.0 ** STOPS[k]) for p in planes[:3]]
            planes = [cv2.add(x, cv2.multiply(p, keep)) for x, p in zip(s, [*light, planes[3]], strict=True)]
        return planes

    return run


def in_opencolorio(some: Pictures, chain: str) -> Callable[[], object]:
    """OpenColorIO: ten transforms in one processor, on interleaved pixels, in strips on all threads."""
    import PyOpenColorIO

    group = PyOpenColorIO.GroupTransform()
    for powers in POWERS:
        cdl = PyOpenColorIO.CDLTransform()
        cdl.setSlope(SLOPES)
        cdl.setPower(powers)
        group.appendTransform(cdl)
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(group).getDefaultCPUProcessor()
    pixels = np.ascontiguousarray(some["plate"].to_array())
    result = pixels.copy()

    def run() -> object:
        np.copyto(result, pixels)
        over_strips(lambda first, last: processor.applyRGB(result[first:last]), HEIGHT)
        return result

    return run


def copy_12(some: Pictures) -> Callable[[], object]:
    """Copy six planes to six others: 12 planes of memory traffic, as in the loop."""
    outputs = [np.zeros((HEIGHT, WIDTH), np.float32) for _ in range(6)]
    inputs = [some["backdrop"][c] for c in "RGBA"] + [some["source"][c] for c in "RG"]

    def strip(first: int, last: int) -> None:
        for output, plane in zip(outputs, inputs, strict=True):
            np.copyto(output[first:last], plane[first:last])

    return lambda: over_strips(strip, HEIGHT)
