"""The distortion of a lens, from corners of a checkerboard in several pictures. Uses OpenCV.

Source: Zhang, A Flexible New Technique for Camera Calibration, 2000, as OpenCV's `calibrateCamera` does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from stackcomp.data.opencv import opencv
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.files.lens_file import COEFFICIENTS, LensFile
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.lens_map import LensMap

__all__ = ["LensMatch", "match_lens"]

# Common practice, no source: what a calibration should have.
_PICTURES, _TURNED, _NEAR_EDGE, _RESIDUAL, _WORST, _UNSURE, _LARGE = 6, 15.0, 0.12, 1.0, 2.5, 0.02, 20.0


@dataclass(frozen=True, eq=False)
class LensMatch:
    """A calibrated lens.

    Attributes:
        model: of the distortion.
        size: width and height of the pictures.
        focal: in pixels, across and down.
        centre: in pixels with centres at half pixels.
        coefficients: by name.
        residual: root mean square distance of corners from where the lens puts them, in pixels.
        of_pictures: the same of each picture.
        reach: distance of the corners nearest to each side, as a share of the width or height: left, top, right,
            bottom.
        turned: the largest angle between two boards, in degrees.
        overscan: pixels that a CG render needs on each side: left, top, right, bottom.
        doubts: sentences about what may be wrong.
    """

    model: Literal["brown", "rational"]
    size: tuple[int, int]
    focal: tuple[float, float]
    centre: tuple[float, float]
    coefficients: dict[str, float]
    residual: float
    of_pictures: tuple[float, ...]
    reach: tuple[float, float, float, float]
    turned: float
    overscan: tuple[int, int, int, int]
    doubts: tuple[str, ...]

    def file_fields(self, about: str = "") -> dict[str, Any]:
        """What a lens file holds of it."""
        return {
            "about": about,
            "model": self.model,
            "size": list(self.size),
            "focal": [round(part, 4) for part in self.focal],
            "centre": [round(part, 4) for part in self.centre],
            "coefficients": {name: float(f"{value:.9g}") for name, value in self.coefficients.items()},
            "residual": round(self.residual, 4),
            "overscan": self._sides,
        }

    @property
    def _sides(self) -> dict[str, int]:
        return dict(zip(("left", "top", "right", "bottom"), self.overscan, strict=True))

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        fields = self.file_fields()
        del fields["about"]
        more = {"of_pictures": [round(error, 4) for error in self.of_pictures], "turned": round(self.turned, 2)}
        reach = {name: round(share, 4) for name, share in zip(self._sides, self.reach, strict=True)}
        return {**fields, **more, "reach": reach, "doubts": list(self.doubts)}


def match_lens(
    corners: Sequence[Array],
    board: tuple[int, int],
    size: tuple[int, int],
    *,
    model: Literal["brown", "rational"] = "brown",
    prism: bool = False,
    names: Sequence[str] = (),
) -> LensMatch:
    """Calibrate a lens.

    Args:
        corners: for each picture the inner corners of the board, ``(across · down, 2)``, row by row, in pixels
            with centres at half pixels.
        board: inner corners across and down.
        size: width and height of the pictures.
        model: of the distortion.
        prism: whether a rational model has the four coefficients of a thin prism.
        names: of the pictures, for doubts.

    Raises:
        RequestError: the corners do not determine a lens.
    """
    cv2 = opencv("calibrating a lens")
    across, down = board
    flat = np.zeros((across * down, 3), np.float32)
    flat[:, :2] = np.mgrid[:across, :down].T.reshape(-1, 2)
    flags = 0
    if model == "rational":
        flags |= cv2.CALIB_RATIONAL_MODEL | (cv2.CALIB_THIN_PRISM_MODEL if prism else 0)
    if len(corners) == 1:
        # One picture of a plane does not tell the centre, nor whether pixels are square.
        flags |= cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3
    seen = [np.ascontiguousarray(some - 0.5, np.float32).reshape(-1, 1, 2) for some in corners]
    first = np.array([[max(size), 0, size[0] / 2 - 0.5], [0, max(size), size[1] / 2 - 0.5], [0, 0, 1.0]])
    guess = first if len(corners) == 1 else None
    if guess is not None:
        flags |= cv2.CALIB_USE_INTRINSIC_GUESS
    try:
        rms, inner, found, turns, _, spread, _, errors = cv2.calibrateCameraExtended(
            [flat] * len(seen), seen, size, guess, None, flags=flags
        )
    except cv2.error as error:
        raise RequestError(_undetermined(str(error.err))) from None
    numbers = np.asarray(found, np.float64).ravel()
    names_of = COEFFICIENTS["rational"][: len(numbers)] if model == "rational" else COEFFICIENTS["brown"]
    coefficients = {name: float(value) for name, value in zip(names_of, numbers, strict=False)}
    if model == "rational" and not prism:
        coefficients = {name: value for name, value in coefficients.items() if not name.startswith("s")}
    focal = float(inner[0, 0]), float(inner[1, 1])
    centre = float(inner[0, 2]) + 0.5, float(inner[1, 2]) + 0.5
    if not all(np.isfinite([rms, *focal, *centre, *numbers])) or min(focal) <= 0:
        raise RequestError(_undetermined("numbers that are not finite"))
    frame = Window.of_size(*size)
    fields = {"model": model, "size": size, "focal": focal, "centre": centre, "coefficients": coefficients}
    lens = LensFile.model_validate({"stackcomp_lens": 1, **fields})
    lens_map = LensMap.in_frame(lens.distortion, size, focal, centre, frame, distorts=True)
    of_pictures = tuple(float(error) for error in np.ravel(errors))
    everywhere = np.concatenate([np.asarray(some) for some in corners])
    low, high = everywhere.min(axis=0) / size, 1 - everywhere.max(axis=0) / size
    reach = float(low[0]), float(low[1]), float(high[0]), float(high[1])
    turned = _turned([cv2.Rodrigues(np.asarray(turn))[0][:, 2] for turn in turns])
    unsure = float(np.ravel(spread)[0]) / focal[0]
    doubts = [
        *_doubts_of_poses(len(corners), turned, unsure),
        *_doubts_of_reach(reach),
        *_doubts_of_errors(float(rms), of_pictures, names),
    ]
    if model == "rational" and max(map(abs, numbers)) > _LARGE:
        doubts.append(
            "the coefficients of the rational model are large and cancel each other: the pictures do not "
            "determine them; use --model brown, unless the lens is a very wide one"
        )
    if lens_map.folds(frame):
        doubts.append(
            "the formula folds back within the frame: the corners of the frame are beyond what the boards tell; "
            "take pictures with the board in the corners, or use --model brown"
        )
    return LensMatch(
        model, size, focal, centre, coefficients, float(rms), of_pictures, reach, turned, lens_map.overscan(frame),
        tuple(doubts),
    )  # fmt: skip


def _undetermined(reason: str) -> Problem:
    return Problem(
        "lens-board",
        f"the pictures do not determine a lens: {reason}",
        "take pictures of the board from several sides, near and far, up to the corners of the frame",
    )


def _turned(normals: Sequence[Array]) -> float:
    """The largest angle between two boards, in degrees."""
    cosines = np.stack(normals) @ np.stack(normals).T
    return float(np.degrees(np.arccos(np.clip(cosines.min(), -1, 1))))


def _doubts_of_poses(count: int, turned: float, unsure: float) -> list[str]:
    doubts = []
    if count < _PICTURES:
        doubts.append(
            f"{count} picture{'s' if count > 1 else ''} of the board: {_PICTURES} or more make the result surer"
            + ("; the centre of the lens was taken to be that of the frame" if count == 1 else "")
        )
    if count > 1 and turned < _TURNED:
        doubts.append(
            f"the poses are too alike: no two boards are turned by more than {turned:.0f}° against each other, "
            "so the focal length is uncertain; tilt the board by 30° or so, to all sides"
        )
    elif count > 1 and unsure > _UNSURE:
        doubts.append(f"the focal length is uncertain by {unsure:.0%}: tilt the board more, to all sides")
    return doubts


def _doubts_of_reach(reach: Sequence[float]) -> list[str]:
    far = [
        f"{share:.0%} {name}"
        for share, name in zip(reach, ("left", "top", "right", "bottom"), strict=True)
        if share > _NEAR_EDGE
    ]
    if not far:
        return []
    return [
        f"no corner lies near these edges of the frame: {', '.join(far)}; there the lens is guessed: take "
        "pictures with the board at the edges and in the corners"
    ]


def _doubts_of_errors(rms: float, errors: Sequence[float], names: Sequence[str]) -> list[str]:
    doubts = []
    if rms > _RESIDUAL:
        doubts.append(
            f"the residual of {rms:.2f} px is large: is the board flat, are the pictures sharp, with one focus, "
            "and does --board count its corners?"
        )
    usual = float(np.median(errors))
    for k, error in enumerate(errors):
        if error > _WORST * usual and error > 0.3:
            name = names[k] if k < len(names) else f"picture {k + 1}"
            doubts.append(f"{name} fits worse than the others ({error:.2f} px against {usual:.2f}): leave it out?")
    return doubts
