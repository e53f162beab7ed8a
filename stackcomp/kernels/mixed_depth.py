"""Pixels at the edges of things whose depth is a mean of two surfaces, brought back to one of them.

Where depth was filtered like colour, a pixel on an edge has a distance at which nothing stands, and would draw a
line of its own along the edge. It is known by its neighbours in a row or column: two surfaces that are flat
compared with the jump between them, and a pixel between them that lies on neither. A slope has no flat sides
and is left as it is.
"""

from __future__ import annotations

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["AROUND", "settle_mixed"]

#: Pixels around each that are looked at.
AROUND = 3
# Smallest jump in pixels of radius that is seen at all; how flat both sides are, and how far from both a mixed
# pixel lies at least, as shares of the jump. Found on edges of known mixtures, see the tests.
_JUMP, _FLAT = 1.0, 1 / 8


@compiled
def settle_mixed(spread: Array, alpha: Array, result: Array, first: int, last: int) -> None:
    """Give pixels of mixed depth the spread of the surface in front.

    Light of both surfaces cannot be told apart any more. In front, a sharp edge stays smooth, and a blurred one
    takes the light of the pixel with it; behind, it would stand still, as a line. A pixel that is covered in
    part, with nothing on one side, takes the spread of the surface on its other side.

    Args:
        spread: signed radii in pixels, finite.
        alpha: coverage.
        result: receives the spread of these rows; `AROUND` pixels at all borders are copied.
        first: first row.
        last: row behind the last.
    """
    height, width = spread.shape
    for y in range(first, last):
        for x in range(width):
            own = spread[y, x]
            result[y, x] = own
            if y < AROUND or y >= height - AROUND or x < AROUND or x >= width - AROUND or alpha[y, x] <= 0:
                continue
            found = False
            for far in range(1, AROUND):
                for axis in range(2):
                    if found:
                        continue
                    dy, dx = (far, 0) if axis else (0, far)
                    ny, nx = (far + 1, 0) if axis else (0, far + 1)
                    one, two = spread[y - dy, x - dx], spread[y + dy, x + dx]
                    bend_one = abs(one - spread[y - ny, x - nx])
                    bend_two = abs(two - spread[y + ny, x + nx])
                    clear_one, clear_two = alpha[y - dy, x - dx] <= 0, alpha[y + dy, x + dx] <= 0
                    if clear_one or clear_two:
                        if (clear_one and clear_two) or alpha[y, x] >= 1 or far > 1:
                            continue
                        other, bend = (two, bend_two) if clear_one else (one, bend_one)
                        if abs(own - other) > _JUMP and bend < _FLAT * abs(own - other):
                            result[y, x] = other
                            found = True
                        continue
                    jump = abs(two - one)
                    if jump > _JUMP and max(bend_one, bend_two) < _FLAT * jump:
                        inside = min(abs(own - one), abs(own - two))
                        if inside > _FLAT * jump and max(abs(own - one), abs(own - two)) < jump:
                            result[y, x] = min(one, two)
                            found = True
