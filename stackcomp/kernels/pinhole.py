"""The pinhole camera of one frame: points to pixels, pixels to rays and points, planes to homographies.

World: metres, z up. Camera space: x right, y down, z forward along the optical axis, as in OpenCV's camera model.
Pixels: of the display window, x right, y down, origin at its top left, pixel centres at half pixels. Pixels are
square, and the width of the gate covers the width of the display window.

Source: Hartley and Zisserman, Multiple View Geometry in Computer Vision, 2004, chapters 6 and 13.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.errors import BadValueError
from stackcomp.kernels.compiled import Array

__all__ = ["Camera"]

#: The least share of a camera's distance from a point of a plane that its distance from the plane may have.
_LEAST_DISTANCE = 1e-6


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera at one frame.

    Attributes:
        to_world: 4×4 float64, camera space to world, for column vectors; rotation and translation only.
        focal_length: in mm.
        gate: width and height in mm.
        shift: of the principal point from the middle of the gate, right and down, in mm.
    """

    to_world: Array
    focal_length: float
    gate: tuple[float, float]
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def position(self) -> Array:
        """Centre of projection in the world, ``(3,)``."""
        return self.to_world[:3, 3]

    @property
    def to_camera(self) -> Array:
        """4×4, world to camera space."""
        return np.asarray(np.linalg.inv(self.to_world))

    def inner(self, width: float, height: float) -> Array:
        """3×3 from camera space to homogeneous pixels.

        Args:
            width: of the display window in pixels, at the scale that is meant.
            height: likewise.
        """
        per_mm = width / self.gate[0]
        focal = self.focal_length * per_mm
        x, y = width / 2 + self.shift[0] * per_mm, height / 2 + self.shift[1] * per_mm
        return np.array([[focal, 0, x], [0, focal, y], [0, 0, 1.0]])

    def unlike_gate(self, width: float, height: float) -> float:
        """How much taller the gate is than a picture of its width, as a share: -0.25 where it is a quarter lower.

        The height of the gate is not used for anything else, since pixels are square. Where it does not fit, the
        picture is probably not all of what the camera took, or has other pixels, and all places are wrong.
        """
        return self.gate[1] / self.gate[0] * width / height - 1

    def project(self, points: npt.ArrayLike, width: float, height: float) -> tuple[Array, Array]:
        """Where points of the world are seen.

        Args:
            points: ``(n, 3)`` in metres.
            width: of the display window in pixels.
            height: likewise.

        Returns:
            Pixels ``(n, 2)``, NaN for points that do not lie in front of the camera; and metres along the optical
            axis ``(n,)``, 0 or less for those.
        """
        world = np.asarray(points, np.float64).reshape(-1, 3)
        # The position is subtracted first: in worlds of kilometres this keeps the last digits.
        seen = (world - self.position) @ np.linalg.inv(self.to_world[:3, :3]).T
        depth = seen[:, 2]
        homogeneous = seen @ self.inner(width, height).T
        with np.errstate(divide="ignore", invalid="ignore"):
            pixels = homogeneous[:, :2] / depth[:, None]
        pixels[~(depth > 0)] = np.nan
        return pixels, depth

    def rays(self, pixels: npt.ArrayLike, width: float, height: float) -> Array:
        """Directions in the world of the rays through pixels.

        Args:
            pixels: ``(…, 2)``.
            width: of the display window in pixels.
            height: likewise.

        Returns:
            ``(…, 3)``, so long that they go 1 metre along the optical axis: a point is `position` + depth · ray.
        """
        at = np.asarray(pixels, np.float64)
        inner = self.inner(width, height)
        x, y = (at[..., 0] - inner[0, 2]) / inner[0, 0], (at[..., 1] - inner[1, 2]) / inner[1, 1]
        directions: Array = np.stack([x, y, np.ones_like(x)], axis=-1) @ self.to_world[:3, :3].T
        return directions

    def unproject(self, pixels: npt.ArrayLike, depth: npt.ArrayLike, width: float, height: float) -> Array:
        """Points of the world at pixels.

        Args:
            pixels: ``(…, 2)``.
            depth: ``(…)`` metres along the optical axis.
            width: of the display window in pixels.
            height: likewise.

        Returns:
            ``(…, 3)`` in metres; NaN where the depth is 0 or less or not finite: nothing is there.
        """
        metres = np.asarray(depth, np.float64)
        metres = np.where(np.isfinite(metres) & (metres > 0), metres, np.nan)
        return np.asarray(self.position + metres[..., None] * self.rays(pixels, width, height))

    def plane_homography(
        self,
        other: Camera,
        point: npt.ArrayLike,
        normal: npt.ArrayLike,
        size: tuple[float, float],
        other_size: tuple[float, float] | None = None,
    ) -> Array:
        """The homography from pixels of this camera to those of another, for what lies on a plane.

        Args:
            other: the other camera.
            point: any point of the plane, in metres.
            normal: of the plane, of any length but 0, on either side.
            size: width and height of this camera's display window in pixels.
            other_size: of the other one's; the same when None.

        Returns:
            3×3 float64. For a pixel ``(x, y, 1)`` in which this camera sees the plane, the third coordinate of the
            result is the depth in the other camera divided by the depth in this one: 0 or less where the other
            camera has the point behind it. `plane_seen` says in which pixels the plane is seen.

        Raises:
            BadValueError: a camera stands in the plane, so that it sees of it a line at most; or a normal of 0.
        """
        toward, distance = self._plane(point, normal)
        other._plane(point, normal)
        # World points of the plane are position + depth · ray, and toward · ray · depth is the distance to the
        # plane: so 1 / depth is linear in the pixel.
        turn = np.linalg.inv(other.to_world[:3, :3])
        rotation = turn @ self.to_world[:3, :3]
        offset = turn @ (self.position - other.position)
        moved = rotation + np.outer(offset, toward @ self.to_world[:3, :3]) / distance
        result: Array = (
            other.inner(*(size if other_size is None else other_size)) @ moved @ np.linalg.inv(self.inner(*size))
        )
        return result

    def plane_seen(self, point: npt.ArrayLike, normal: npt.ArrayLike, size: tuple[float, float]) -> Array:
        """One over the depth of a plane, as a linear function of the pixel.

        Args:
            point: any point of the plane, in metres.
            normal: of the plane.
            size: width and height of the display window in pixels.

        Returns:
            ``(a, b, c)``: ``a x + b y + c`` is 1 / depth; 0 at the plane's horizon, and below 0 in pixels whose
            rays do not meet the plane in front of the camera.

        Raises:
            BadValueError: as `plane_homography`.
        """
        toward, distance = self._plane(point, normal)
        result: Array = (toward @ self.to_world[:3, :3]) @ np.linalg.inv(self.inner(*size)) / distance
        return result

    def _plane(self, point: npt.ArrayLike, normal: npt.ArrayLike) -> tuple[Array, float]:
        """The unit normal of a plane, and the distance along it from the camera to the plane."""
        place = np.asarray(point, np.float64)
        direction = np.asarray(normal, np.float64)
        length = float(np.linalg.norm(direction))
        if not (np.isfinite(direction).all() and np.isfinite(place).all() and length > 0):
            raise BadValueError(
                f"the plane with the normal {_text(direction)} has no direction",
                "give a normal that is not 0, such as [0, 0, 1] of a plane that lies flat",
            )
        toward = direction / length
        away = place - self.position
        distance = float(toward @ away)
        if not abs(distance) > _LEAST_DISTANCE * max(float(np.linalg.norm(away)), 1e-9):
            raise BadValueError(
                f"the camera at {_text(self.position)} stands in the plane through {_text(place)} with the normal "
                f"{_text(direction)}, and sees a line of it at most",
                "give a plane that lies before the camera, such as one through the surface that the patch lies on",
            )
        return toward, distance


def _text(numbers: Array) -> str:
    return "[" + ", ".join(f"{number:g}" for number in numbers) + "]"
