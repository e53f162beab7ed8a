"""The loops of `defocus`: gather the discs that cover each pixel, from the nearest to the farthest.

Every loop visits the neighbours of a pixel in the same order, so a tile equals the whole bit for bit.
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = [
    "BLOCK",
    "END",
    "LEAST",
    "LISTED",
    "MORE",
    "SEEN",
    "STEPS",
    "block_reaches",
    "gather",
    "inverse_sums",
]

#: Radii are rounded to ``1 / STEPS`` pixels, so that the sum of each disc is in a table.
STEPS = 32
#: Radius in pixels up to which a disc is the pixel itself.
LEAST = 0.5
#: Radius in pixels up to which the table has sums even if the largest radius is smaller.
LISTED = 16
#: Side in pixels of the blocks that share a reach.
BLOCK = 16
#: Distance, in radii, up to which the end of a surface has an effect. Farther away a missing share is not
#: transparency.
END = 1.5
#: What is hidden behind nearer things is made up for by up to so many times what landed of it. With 4, traces were
#: no nearer, and bright pixels seen through gaps stood out more.
MORE = 1.0
#: Share below which nothing landed.
SEEN = 1e-6
# Width of the transition between both, in radii.
_SOFT = 0.25
# Missing share of the discs of a plane due to the pixel grid: not compensated near the end of the plane.
_GRID = 0.02
# Largest deviation (root mean square, pixels) of radii that count as those of a plane.
_EVEN = 0.05
# Variance of a pixel's own extent, with which a single row of pixels has no slope across itself.
_PIXEL = 1 / 12


@compiled
def inverse_sums(count: int) -> Array:
    """Return one over the sum of the disc of each radius ``k / STEPS``, float64 ``(count,)``."""
    result = np.ones(count, np.float64)
    for k in range(STEPS // 2, count):
        radius = k / STEPS
        reach = int(radius + 0.5)
        total = 0.0
        for y in range(-reach, reach + 1):
            for x in range(-reach, reach + 1):
                total += max(0.0, min(1.0, radius + 0.5 - np.sqrt(float(x * x + y * y))))
        result[k] = 1 / total
    return result


@compiled
def block_reaches(index: Array, most: int, around: int, result: Array, first: int, last: int) -> None:
    """Compute the reach of each block of the result in pixels: no disc from farther away covers it.

    A smaller reach leaves out only zeros, so the position of the blocks does not matter.

    Args:
        index: int16, radius of each pixel's disc in steps, with the margin.
        most: upper limit of reaches.
        around: the margin.
        result: int32, the reach of each block.
        first: first row of blocks.
        last: row of blocks behind the last.
    """
    height, width = index.shape
    for row in range(first, last):
        for column in range(result.shape[1]):
            top, left = row * BLOCK + around, column * BLOCK + around
            far = most
            while True:
                largest = np.int16(0)
                for y in range(top - far, min(top + BLOCK + far, height)):
                    line = index[y, left - far : min(left + BLOCK + far, width)]
                    for x in range(line.size):
                        largest = max(largest, line[x])
                enough = min(far, int(largest / STEPS + 0.5))
                if enough == far:
                    break
                far = enough
            result[row, column] = far


@compiled
def _distance(columns: Array, y: int, x: int, most: float) -> float:
    """Return the distance to the nearest marked pixel, given those in columns; above ``most`` if beyond it."""
    span = int(most) + 1
    nearest = float((span + 1) * (span + 1))
    for k in range(max(0, x - span), min(columns.shape[1], x + span + 1)):
        down = float(columns[y, k])
        nearest = min(nearest, down * down + float((k - x) * (k - x)))
    return float(np.sqrt(nearest))


@compiled
def _plane_share(
    to_clear: Array,
    views: tuple[Array, Array, Array, Array],
    alpha: Array,
    y: int,
    x: int,
    reach: int,
    table: Array,
) -> tuple[float, float, int, int]:
    """Return the share that would land from clear pixels if the discs here were a plane that continued there.

    Also returns the deviation of the radii from a plane (root mean square, pixels), and of the views with coverage
    that land here the largest disc and the mean disc, weighted by coverage. Discs are within ``reach``.
    """
    spread, index, share, _ = views
    weights = across = down = size = xx = xy = yy = xs = ys = ss = discs = 0.0
    widest = 0
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            disc, covers = int(index[y + dy, x + dx]), float(alpha[y + dy, x + dx])
            if disc > 0 and covers > 0:
                room = disc / STEPS + 0.5
                square = float(dx * dx + dy * dy)
                if square < room * room:
                    weight = covers * share[y + dy, x + dx] * min(1.0, room - np.sqrt(square))
                    radius = spread[y + dy, x + dx]
                    weights += weight
                    across += weight * dx
                    down += weight * dy
                    size += weight * radius
                    xx += weight * dx * dx
                    xy += weight * dx * dy
                    yy += weight * dy * dy
                    xs += weight * dx * radius
                    ys += weight * dy * radius
                    ss += weight * radius * radius
                    discs += weight * disc
                    widest = max(widest, disc)
    across, down, size = across / weights, down / weights, size / weights
    xx, yy, xy = xx / weights - across * across, yy / weights - down * down, xy / weights - across * down
    xs, ys, ss = xs / weights - across * size, ys / weights - down * size, ss / weights - size * size
    area = (xx + _PIXEL) * (yy + _PIXEL) - xy * xy
    slope_x = (xs * (yy + _PIXEL) - ys * xy) / area
    slope_y = (ys * (xx + _PIXEL) - xs * xy) / area
    ss += slope_x * slope_x * xx + slope_y * slope_y * yy + 2 * slope_x * slope_y * xy
    ss -= 2 * (slope_x * xs + slope_y * ys)
    # The plane's disc at this pixel, and its discs elsewhere by its slope; none from beyond `span` lands here.
    here = size - slope_x * across - slope_y * down
    steep = np.sqrt(slope_x * slope_x + slope_y * slope_y)
    span = int(END * (widest / STEPS + 0.5) + 1)
    if steep < 0.5:
        span = min(span, int((abs(here) + 1) / (1 - steep)) + 1)
    landing = 0.0
    for dy in range(-span, span + 1):
        clear = to_clear[y + dy, x - span : x + span + 1]
        for k in range(clear.size):
            if clear[k] == 0:
                dx = k - span
                held = here + slope_x * dx + slope_y * dy
                radius = abs(held)
                square = float(dx * dx + dy * dy)
                # A plane's disc is uneven too, see `disc_slopes`; here its share is as much as radii differ.
                uneven = max(0.0, here / held) if radius > LEAST else 1.0
                if square < (radius + 1) * (radius + 1):
                    # The sum of a disc does not depend on the largest radius.
                    if radius < LISTED:
                        disc = max(STEPS // 2, int(radius * STEPS + 0.5))
                        radius, inverse_sum = disc / STEPS, table[disc]
                    else:
                        inverse_sum = 1 / (np.pi * (radius * radius + 1 / 12))
                    landing += inverse_sum * uneven * max(0.0, min(1.0, radius + 0.5 - np.sqrt(square)))
    mean = min(widest, max(STEPS // 2, int(discs / weights + 0.5)))
    return landing, np.sqrt(max(0.0, ss)), widest, mean


@compiled
def _edge_share(
    to_clear: Array, index: Array, rings: Array, y: int, x: int, span: int, mean: int, table: Array
) -> float:
    """Return the share that would land from clear pixels if each edge continued with the disc at the edge.

    Visits the pixels around ring by ring. A clear pixel gets the disc of the pixel before it on the way from the
    centre, and so that of the last pixel before the edge; ``mean`` is the disc of a centre that is clear.
    """
    middle = rings.shape[0] // 2
    landing = 0.0
    for ring in range(span + 1):
        before = (ring - 1) / ring if ring > 0 else 0.0
        for dy in range(-ring, ring + 1):
            for dx in range(-ring, ring + 1, 1 if abs(dy) == ring else 2 * ring):
                clear = to_clear[y + dy, x + dx] == 0
                if not clear and index[y + dy, x + dx] > 0:
                    disc = int(index[y + dy, x + dx])
                elif ring == 0:
                    disc = mean
                else:
                    disc = int(rings[middle + int(np.rint(dy * before)), middle + int(np.rint(dx * before))])
                rings[middle + dy, middle + dx] = disc
                if clear:
                    room = disc / STEPS + 0.5
                    square = float(dx * dx + dy * dy)
                    if square < room * room:
                        landing += table[disc] * min(1.0, room - np.sqrt(square))
    return landing


@compiled
def _without_transparency(
    missing: float, to_clear: Array, views: tuple[Array, Array, Array, Array], alpha: Array, rings: Array, y: int,
    x: int, reach: int, table: Array,
) -> float:  # fmt: skip
    """Return the missing share of a pixel without the part that is transparency; discs are within ``reach``."""
    # Beyond this distance from clear pixels the end of no disc has an effect.
    far = END * (reach + 1) + 1
    if _distance(to_clear, y, x, far) > far:
        return missing
    empty, uneven, widest, mean = _plane_share(to_clear, views, alpha, y, x, reach, table)
    radius = widest / STEPS + 0.5
    soft, far = _SOFT * radius + 1, END * radius + 1
    ends = min(1.0, max(0.0, (far - _distance(to_clear, y, x, far)) / soft))
    if ends == 0:
        return missing
    less = max(0.0, missing - empty)
    less *= min(1.0, max(0.0, less / _GRID - 1))
    curved = min(1.0, max(0.0, uneven / _EVEN - 1))
    if curved > 0:
        empty = _edge_share(to_clear, views[1], rings, y, x, int(far), mean, table)
        less += curved * (max(0.0, missing - empty) - less)
    return missing + ends * (less - missing)


@compiled
def gather(
    planes: tuple[Array, Array, Array, Array],
    views: tuple[Array, Array, Array, Array],
    tilts: Array,
    to_clear: Array,
    table: Array,
    reaches: Array,
    most: int,
    around: int,
    result: tuple[Array, Array, Array, Array],
    first: int,
    last: int,
) -> None:
    """Compute rows ``first`` to ``last`` of the result.

    Args:
        planes: R, G, B and alpha, float32, with a margin.
        views: of each of their pixels the spread, the radius in steps (negative for pixels without a disc), one
            over the sum of its disc, and its step of spread: twice its number, plus 1 for light without coverage.
        tilts: by how much each pixel's disc becomes brighter a pixel down and across, as a share, float32
            ``(2, height, width)``.
        to_clear: rows to the nearest pixel without coverage in the column; an empty array if all are covered.
        table: one over the sum of the disc of each radius in steps.
        reaches: reach of each block in pixels.
        most: largest of all reaches.
        around: the margin.
        result: four planes without margin.
        first: first row.
        last: row behind the last.
    """
    red, green, blue, alpha = planes
    spread, index, share, step = views
    width = result[0].shape[1]
    # Per step of spread two rows: weight, light and coverage of views with coverage, then those of bare light.
    landed = np.zeros((2 * (2 * most + 1), 5))
    rings = np.zeros((2 * around + 1, 2 * around + 1) if to_clear.size else (0, 0), np.int16)
    for y in range(first, last):
        for x in range(width):
            py, px = y + around, x + around
            far = reaches[y // BLOCK, x // BLOCK]
            if far == 0:
                # Of an unknown radius nothing lands, not even here.
                known = np.float32(1) if index[py, px] >= 0 else np.float32(0)
                result[0][y, x] = known * red[py, px]
                result[1][y, x] = known * green[py, px]
                result[2][y, x] = known * blue[py, px]
                result[3][y, x] = known * alpha[py, px]
                continue
            own, own_spread = index[py, px] / STEPS, spread[py, px]
            own_share = share[py, px]
            fills = own > LEAST
            past = 0.0
            fill = fill_red = fill_green = fill_blue = fill_alpha = 0.0
            nearest, farthest = landed.shape[0], -1
            for dy in range(-far, far + 1):
                qy = py + dy
                for dx in range(-far, far + 1):
                    qx = px + dx
                    disc = index[qy, qx]
                    if disc < 0:
                        continue
                    square = float(dx * dx + dy * dy)
                    edge = disc / STEPS + 0.5
                    covers = alpha[qy, qx]
                    if square < edge * edge:
                        uneven = 1.0 - dy * tilts[0, qy, qx] - dx * tilts[1, qy, qx]
                        weight = share[qy, qx] * min(1.0, edge - np.sqrt(square)) * max(0.0, uneven)
                        k = step[qy, qx]
                        nearest = min(nearest, k)
                        farthest = max(farthest, k)
                        bin_ = landed[k]
                        bin_[0] += weight
                        bin_[1] += weight * red[qy, qx]
                        bin_[2] += weight * green[qy, qx]
                        bin_[3] += weight * blue[qy, qx]
                        bin_[4] += weight * covers
                    if fills and covers > 0:
                        farther = spread[qy, qx] - own_spread - 0.5
                        room = own + 0.5
                        if farther > 0 and square < room * room:
                            farther = min(1.0, farther) * min(1.0, covers)
                            past += farther * own_share * min(1.0, room - np.sqrt(square))
                            radius = disc / STEPS
                            weight = farther / (square + radius * radius + 1.0) ** 2
                            fill += weight
                            fill_red += weight * red[qy, qx]
                            fill_green += weight * green[qy, qx]
                            fill_blue += weight * blue[qy, qx]
                            fill_alpha += weight * covers
            full = clear = covering = 0.0
            sum_red = sum_green = sum_blue = sum_alpha = 0.0
            # What is as far as the pixel itself, or farther.
            back_red = back_green = back_blue = back_alpha = back_weight = 0.0
            back = step[py, px] & ~1 if index[py, px] >= 0 else landed.shape[0]
            for k in range(nearest, farthest + 1):
                bin_ = landed[k]
                if bin_[0] > 0:
                    part = min(1.0, max(0.0, 1.0 - full) / bin_[0])
                    full += part * bin_[4]
                    if k % 2 == 0:
                        covering += bin_[0]
                        clear += part * (bin_[0] - bin_[4])
                    sum_red += part * bin_[1]
                    sum_green += part * bin_[2]
                    sum_blue += part * bin_[3]
                    sum_alpha += part * bin_[4]
                    if k >= back:
                        back_red += part * bin_[1]
                        back_green += part * bin_[2]
                        back_blue += part * bin_[3]
                        back_alpha += part * bin_[4]
                        back_weight += part * (bin_[4] if k % 2 else bin_[0])
                    bin_[:] = 0
            full = min(1.0, full + clear)
            missing = 1.0 - full
            if covering == 0:
                # Light without coverage has no missing share.
                missing = 0.0
            elif missing > 0 and to_clear.size:
                missing = _without_transparency(missing, to_clear, views, alpha, rings, py, px, far, table)
            filled = min(missing, past) if fill > 0 else 0.0
            if filled > 0:
                part = filled / fill
                sum_red += part * fill_red
                sum_green += part * fill_green
                sum_blue += part * fill_blue
                sum_alpha += part * fill_alpha
            # Transparency there is a part of it.
            back_weight += max(0.0, 1.0 - full - missing)
            if missing > filled and back_weight > SEEN:
                more = min((missing - filled) / back_weight, MORE)
                sum_red += more * back_red
                sum_green += more * back_green
                sum_blue += more * back_blue
                sum_alpha += more * back_alpha
                filled += more * back_weight
            whole = 1 - (missing - filled)
            whole = 1 / whole if whole > 0 else 0.0
            result[0][y, x] = sum_red * whole
            result[1][y, x] = sum_green * whole
            result[2][y, x] = sum_blue * whole
            result[3][y, x] = sum_alpha * whole
