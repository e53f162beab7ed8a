"""A chain of 20 pixel operations on 3840×2160 RGBA float32, ten times exposure and over.

The floor is a plain copy that moves the same 12 planes (8 read, 4 written) with the same threads. Peers do the
same arithmetic: numpy on whole arrays, pyvips (streaming, all cores), OpenImageIO's buffer algorithms.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

import stackcomp
from stackcomp.kernels.strips import over_strips, thread_count

WIDTH, HEIGHT, PAIRS = 3840, 2160, 10
STOPS = [0.1 * (-1) ** k for k in range(PAIRS)]


def pictures() -> tuple[stackcomp.Image, stackcomp.Image]:
    """Return a backdrop and a premultiplied source of random light."""
    rng = np.random.default_rng(7)
    some = [rng.random((HEIGHT, WIDTH, 4), dtype=np.float32) for _ in range(2)]
    some[1][..., :3] *= some[1][..., 3:]
    backdrop, source = (stackcomp.Image.from_array(pixels) for pixels in some)
    return backdrop, source


def ours(backdrop: stackcomp.Image, source: stackcomp.Image, *, fused: bool = True) -> Callable[[], object]:
    """Return a run of the chain as a graph."""
    graph = stackcomp.Graph(frames="1")
    for name in ("backdrop", "source"):
        graph.add("flat", name, size=[WIDTH, HEIGHT])
    last = "backdrop"
    for k, stops in enumerate(STOPS):
        graph.add("exposure", f"exposure_{k}", image=last, stops=stops)
        last = graph.add("over", f"over_{k}", source="source", backdrop=f"exposure_{k}")
    executor = stackcomp.Composition(graph).executor(
        [last], replace={"backdrop": backdrop, "source": source}, fused=fused
    )

    def run() -> None:
        for result in executor.results(1):
            del result

    return run


def result_of(backdrop: stackcomp.Image, source: stackcomp.Image) -> np.ndarray:
    """Return the chain's result in float64, to check that all contestants compute the same."""
    b, s = (np.stack([i[c] for c in "RGBA"], -1).astype(np.float64) for i in (backdrop, source))
    for stops in STOPS:
        b[..., :3] *= 2.0**stops
        b = s + b * (1 - s[..., 3:])
    return b


def in_numpy(backdrop: stackcomp.Image, source: stackcomp.Image) -> Callable[[], object]:
    """Whole-array numpy on the same planes."""
    start = [backdrop[c] for c in "RGBA"]
    over = [source[c] for c in "RGBA"]

    def run() -> list[np.ndarray]:
        planes = list(start)
        for stops in STOPS:
            gain = np.float32(2.0**stops)
            planes = [plane * gain for plane in planes[:3]] + [planes[3]]
            keep = 1 - over[3]
            planes = [s + b * keep for s, b in zip(over, planes, strict=True)]
        return planes

    return run


def in_pyvips(backdrop: stackcomp.Image, source: stackcomp.Image) -> Callable[[], object]:
    """pyvips on interleaved pixels, evaluated into memory."""
    import pyvips

    pyvips.cache_set_max(0)
    b, s = (
        pyvips.Image.new_from_memory(
            np.ascontiguousarray(np.stack([i[c] for c in "RGBA"], -1)).tobytes(), WIDTH, HEIGHT, 4, "float"
        )
        for i in (backdrop, source)
    )

    def run() -> object:
        picture = b
        keep = s[3].linear(-1, 1)
        for stops in STOPS:
            gain = 2.0**stops
            picture = picture.linear([gain, gain, gain, 1], [0, 0, 0, 0])
            picture = s + picture * keep
        return picture.cast("float").write_to_memory()

    return run


def in_openimageio(backdrop: stackcomp.Image, source: stackcomp.Image) -> Callable[[], object]:
    """OpenImageIO's ImageBufAlgo on interleaved pixels."""
    import OpenImageIO as oiio  # noqa: N813 - its own usual short name

    oiio.attribute("threads", thread_count())

    def buffer(image: stackcomp.Image) -> oiio.ImageBuf:
        pixels = np.ascontiguousarray(np.stack([image[c] for c in "RGBA"], -1))
        spec = oiio.ImageSpec(WIDTH, HEIGHT, 4, oiio.FLOAT)
        made = oiio.ImageBuf(spec)
        made.set_pixels(oiio.ROI(0, WIDTH, 0, HEIGHT), pixels)
        return made

    b, s = buffer(backdrop), buffer(source)

    def run() -> object:
        picture = b
        for stops in STOPS:
            gain = 2.0**stops
            picture = oiio.ImageBufAlgo.over(s, oiio.ImageBufAlgo.mul(picture, (gain, gain, gain, 1.0)))
        return picture

    return run


def copy_12(backdrop: stackcomp.Image, source: stackcomp.Image) -> Callable[[], object]:
    """Copy six planes to six others: 12 planes of memory traffic, as in the loop."""
    outputs = [np.zeros((HEIGHT, WIDTH), np.float32) for _ in range(6)]
    inputs = [backdrop[c] for c in "RGBA"] + [source[c] for c in "RG"]

    def strip(first: int, last: int) -> None:
        for output, plane in zip(outputs, inputs, strict=True):
            np.copyto(output[first:last], plane[first:last])

    return lambda: over_strips(strip, HEIGHT)
