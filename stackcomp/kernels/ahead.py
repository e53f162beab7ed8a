"""Compiles kernels before the first frame needs them, side by side.

numba compiles one loop at a time in a process, and a loop takes up to two seconds. So where several kernels are
not on disk yet, a second process takes names from the same list until none is left. What it compiled comes from
disk.

A kernel is compiled by calling it on a few pixels: so it is compiled for the types that a render gives it, and for
no others.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
from numba.core.dispatcher import Dispatcher

from stackcomp.data.window import Window
from stackcomp.kernels import (
    aperture,
    carry,
    column_distance,
    cubic_code,
    cubic_filter,
    curve_chains,
    curve_coverage,
    curve_feather,
    curve_flatten,
    curve_picture,
    defocus,
    defocus_fast,
    disc_convolve,
    disc_finish,
    disc_gather,
    disc_mean,
    disc_morphology,
    disc_scatter,
    disc_shapes,
    disc_slopes,
    disc_sources,
    disc_tables,
    edges,
    foreground,
    gaussian,
    grain_field,
    grain_shape,
    id_coverage,
    lens_map,
    membrane,
    mixed_depth,
    motion_blur,
    motion_paths,
    motion_scatter,
    motion_views,
    nearest,
    nearest_distance,
    polygon,
    push_pull,
    pyramid,
    resample,
    softening,
    stack,
    stroke_coverage,
    stroke_picture,
    warp,
    warp_coordinates,
    warp_lens,
    warp_map,
    warp_tiles,
)
from stackcomp.kernels.distortion import Distortion

__all__ = ["KERNELS", "compile_ahead", "is_cold"]

_TINY = Window(0, 0, 8, 8)


def _plane(size: int = 8) -> np.ndarray:
    return np.zeros((size, size), np.float32)


def _defocus() -> None:
    # Pixels of two radii on a clear ground, so that what is missing, clear and hidden are part of it.
    plane = _plane(48)
    plane[14:24] = 1
    spread = np.full_like(plane, 1)
    spread[:, 24:] = -11
    mixed_depth.settle_mixed(spread, plane, spread.copy(), 0, 8)
    defocus_fast.defocus_fast([plane] * 4, spread, 11.0)
    defocus_fast.defocus_fast([plane] * 4, np.ones_like(plane), 1.0)


def _defocus_exact() -> None:
    # Without coverage, so that the distance to clear pixels is part of it.
    plane = _plane(8 + 2 * defocus.margin(1.0))
    defocus.defocus([plane] * 4, plane, 1.0)
    plane = _plane(40)
    plane[10:20] = 1
    mixed_depth.settle_mixed(plane, plane, plane.copy(), 0, 8)
    defocus_fast.defocus_fast([plane] * 4, np.full_like(plane, 5), 5.0, exact=True)


def _warp() -> None:
    warp.warp_planes([_plane()], _TINY, np.diag([0.5, 0.75, 1]), _TINY)
    warp.warp_over([_plane()] * 4, _TINY, np.diag([0.5, 0.75, 1]), [_plane()] * 3, _TINY)
    warp_map.warp_through([_plane()], _TINY, np.zeros((2, 10, 10)), _TINY)


def _lens() -> None:
    map = lens_map.LensMap(Distortion(k1=0.1), (8.0, 8.0), (4.0, 4.0), distorts=False)
    warp_lens.warp_by_lens([_plane()], _TINY, map, _TINY)
    warp_lens.warp_by_lens([_plane()], _TINY, map, _TINY, nearest=True)


def _coordinates() -> None:
    for nearest_alone in (False, True):
        looks = warp_coordinates.Looks(_plane(), _plane(), None, _TINY, (0.0, 0.0, 8.0, 8.0), upward=True)
        warp_coordinates.warp_by_coordinates([_plane()], _TINY, looks, _TINY, nearest=nearest_alone)


def _membrane() -> None:
    # Values that differ, or there is nothing to solve.
    known = np.zeros((8, 8), bool)
    known[0] = True
    membrane.membrane([np.arange(64, dtype=np.float32).reshape(8, 8)], known, ~known)


def _motion_blur() -> None:
    planes = [_plane(8 + 2 * motion_blur.margin(1.0, -0.25, 0.25))] * 7
    motion_blur.motion_blur(planes[:4], planes[4:6], planes[6], -0.25, 0.25, 1.0)


def _disc_morphology() -> None:
    disc_morphology.grow(_plane(8 + 2 * disc_morphology.margin(1.0)), 1.0)


def _disc_mean() -> None:
    disc_mean.disc_mean(_plane(8 + 2 * disc_mean.margin(2.0)), 2.0)


def _polygon() -> None:
    polygon.polygon_coverage([(0, 0), (4, 0), (0, 4)], _TINY)


def _gaussian() -> None:
    gaussian.gaussian(_plane(8 + 2 * gaussian.margin(6.0)), 6.0, 6.0)


def _softening() -> None:
    softening.soften(_plane(), _TINY, _TINY, 1.0)


def _grain() -> None:
    shape, _ = grain_shape.shape_at([np.ones((1, 1))] * 3, None, 1.0)
    law = grain_field.GrainLaw(np.ones(3, np.float32), *([np.ones((3, 1), np.float32)] * 2))
    grain_field.add_grain((_plane(),) * 3, _TINY, law, shape, frame=1, seed=0)


def _foreground() -> None:
    foreground.foreground([_plane(64)], _plane(64) + np.float32(0.5))


def _push_pull() -> None:
    push_pull.push_pull([_plane()], _plane())
    _edges()


def _carry() -> None:
    carry.carry([_plane()], _plane(), 0.0)
    _edges()


def _edges() -> None:
    planes = edges.weighted([_plane()], _plane(), _plane())
    edges.extend(planes, [_plane()], _plane(), _plane(), _plane(), kept=False, bare=False)
    edges.end(_plane(), _plane(), 1.0, 0.0)


def _nearest_distance() -> None:
    nearest_distance.nearest_distance(_plane() == 0)


def _resample() -> None:
    resample.shrink(_plane(), _TINY, 0.5)


def _id_coverage() -> None:
    for count in (1, 100):
        id_coverage.id_coverage([(_plane(), _plane())], range(count), _plane())


def _shapes() -> None:
    square = np.zeros((3, 8))
    square[1, 0] = square[2, 1] = 4
    square[:, 6] = 1
    drawn = curve_picture.DrawnShape(square, (0, 3))
    tilted = np.array([[1, 0, 0], [0, 1, 0], [1e-3, 0, 1]])
    for matrix in (np.eye(3), tilted):
        curve_picture.prepare([([drawn], matrix)], _TINY).painted(_TINY)


def _strokes() -> None:
    points = np.ones((2, 8))
    drawn = stroke_picture.DrawnStroke(points)
    stroke_picture.prepare([([drawn], np.eye(3))]).painted(_plane(), _TINY)


#: How each kernel is compiled; those that take longest first.
KERNELS: dict[str, Callable[[], None]] = {
    "motion_blur": _motion_blur,
    "defocus": _defocus,
    "defocus_exact": _defocus_exact,
    "warp": _warp,
    "lens": _lens,
    "coordinates": _coordinates,
    "membrane": _membrane,
    "grain": _grain,
    "disc_morphology": _disc_morphology,
    "disc_mean": _disc_mean,
    "shapes": _shapes,
    "strokes": _strokes,
    "polygon": _polygon,
    "gaussian": _gaussian,
    "softening": _softening,
    "id_coverage": _id_coverage,
    "resample": _resample,
    "foreground": _foreground,
    "push_pull": _push_pull,
    "carry": _carry,
    "nearest_distance": _nearest_distance,
}
_MODULES: dict[str, tuple[ModuleType, ...]] = {
    "motion_blur": (motion_paths, motion_views, motion_scatter),
    "defocus": (
        aperture,
        disc_convolve,
        disc_finish,
        disc_scatter,
        disc_slopes,
        disc_sources,
        disc_tables,
        mixed_depth,
    ),
    "defocus_exact": (aperture, column_distance, disc_finish, disc_gather, disc_shapes, disc_slopes, mixed_depth),
    "warp": (warp, warp_map, stack, cubic_filter, cubic_code),
    "lens": (lens_map, nearest, warp_tiles),
    "coordinates": (warp_coordinates, nearest, warp_tiles),
    "membrane": (membrane,),
    "grain": (grain_field,),
    "disc_morphology": (disc_morphology,),
    "disc_mean": (disc_mean,),
    "shapes": (curve_flatten, curve_chains, curve_feather, curve_coverage),
    "strokes": (curve_flatten, stroke_coverage),
    "polygon": (polygon,),
    "gaussian": (pyramid,),
    "softening": (softening,),
    "id_coverage": (id_coverage,),
    "resample": (resample,),
    "foreground": (foreground,),
    "push_pull": (push_pull, edges),
    "carry": (carry, edges),
    "nearest_distance": (nearest_distance, column_distance),
}


def compile_ahead(names: Collection[str], tell: Callable[[str], object]) -> None:
    """Compile kernels that are not on disk, in this process and in a second one.

    Nothing is done where fewer than two are missing: the one is compiled when it is used.

    Args:
        names: of `KERNELS`.
        tell: called with the name of what the second process compiles.
    """
    waiting = deque(name for name in KERNELS if name in names and is_cold(name))
    if len(waiting) < 2:
        return
    with _second_process(waiting, tell):
        while waiting:
            with contextlib.suppress(IndexError):  # the other process was faster
                KERNELS[waiting.popleft()]()


@contextlib.contextmanager
def _second_process(waiting: deque[str], tell: Callable[[str], object]) -> Iterator[None]:
    """A process that compiles what waits, from the end; it has ended afterwards.

    If it cannot be started, or breaks off, what it was given is compiled when it is used.
    """
    # The current folder is no place to import from.
    command = [sys.executable, "-P", "-m", __name__]
    quiet, pipe = subprocess.DEVNULL, subprocess.PIPE
    try:
        process = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=quiet, text=True)
    except OSError:
        yield
        return
    feeding = threading.Thread(target=_feed, args=(process, waiting, tell))
    feeding.start()
    try:
        yield
    except BaseException:
        process.kill()
        raise
    finally:
        feeding.join()
        process.wait()


def _feed(process: subprocess.Popen[str], waiting: deque[str], tell: Callable[[str], object]) -> None:
    """Give a process one name after the other, whenever it asks."""
    assert process.stdin is not None
    assert process.stdout is not None
    with contextlib.suppress(OSError), process.stdout, process.stdin:
        for _ in process.stdout:
            try:
                name = waiting.pop()
            except IndexError:
                return
            tell(name)
            print(name, file=process.stdin, flush=True)


def _serve() -> None:
    """The second process: ask for a name by a line, compile it, and so on until there is none."""
    print("ready", flush=True)
    for line in sys.stdin:
        KERNELS[line.strip()]()
        print("done", flush=True)


def is_cold(name: str) -> bool:
    """Whether a kernel is not on disk yet, as names of files tell.

    One whose loops were changed in place counts as there.
    """
    return not all(_is_stored(loop) for module in _MODULES[name] for loop in _loops(module))


def _loops(module: ModuleType) -> list[Dispatcher]:
    """What a module compiles by itself: its own functions but for those that others take into theirs."""
    own = (value for value in vars(module).values() if isinstance(value, Dispatcher))
    own = (loop for loop in own if loop.py_func.__module__ == module.__name__)
    return [loop for loop in own if loop.targetoptions.get("inline") != "always"]


def _is_stored(loop: Dispatcher) -> bool:
    function, folder = loop.py_func, loop.stats.cache_path
    if folder is None:
        return False
    code = function.__code__
    pattern = f"{Path(code.co_filename).stem}.{function.__qualname__}-{code.co_firstlineno}.py*.nbi"
    return any(Path(folder).glob(pattern))


if __name__ == "__main__":
    _serve()
