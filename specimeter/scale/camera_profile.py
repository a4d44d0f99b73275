"""A lens's profile: principal distance, principal point and distortion, found once from photographs of the printed board."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import cv2
import numpy as np
from pydantic import Field

from specimeter.errors import ScaleError
from specimeter.scale.card_layout import BOARD
from specimeter.sheet import Sheet
from specimeter.toml_file import Table, validated
from specimeter.toml_file import read as read_toml

FORMAT: Final = "specimeter-camera"
VERSION: Final = 1
LEAST_PHOTOS, LEAST_CORNERS = 6, 12
LEAST_LEAN_DEG = 12.0  # some photographs must lean so much, or distance and size cannot be told apart
LEAST_REACH = 0.7  # of the way to the picture's corner that the board's corners must reach, or distortion there is a guess
MOST_RESIDUAL = 1 / 1500  # of the picture's long side: more, and it was not this board, not flat, or shaken
U_FOCUS_REL = 0.015  # focusing moves the lens from photograph to photograph (judgement)
U_K1, U_K2 = 0.003, 0.005  # floors: what focus and model leave (judgement)
U_CENTRE = 0.001  # floor, share of the long side: stabilisers shift the lens (judgement)
SAME_FOCAL_REL = 0.01

Size = Annotated[int, Field(ge=64, le=100_000)]


class Profile(Table):
    """One lens at one focal length and picture size; distortion as in `View`; the u are standard uncertainties."""

    format: Literal["specimeter-camera"]
    version: Literal[1]
    camera: str | None = None  # maker, model and lens as the photographs' EXIF say
    focal_mm: float | None = None
    width_px: Size
    height_px: Size
    focal_px: float = Field(gt=0)
    u_focal_rel: float = Field(gt=0, lt=1)
    centre_x_px: float
    centre_y_px: float
    u_centre_px: float = Field(gt=0)
    k1: float = Field(gt=-1, lt=1)
    u_k1: float = Field(gt=0)
    k2: float = Field(gt=-3, lt=3)
    u_k2: float = Field(gt=0)
    photographs: int = Field(ge=1)
    residual_rms_px: float = Field(ge=0)

    @property
    def centre_px(self) -> np.ndarray:
        """Principal point [x, y]."""
        return np.array([self.centre_x_px, self.centre_y_px])

    @property
    def name(self) -> str:
        """The lens in words."""
        at = "" if self.focal_mm is None else f" at {self.focal_mm:g} mm"
        return f"{self.camera or 'a camera that did not give its name'}{at}, {self.width_px} x {self.height_px} px"

    def for_photo(self, photo: Any) -> Profile:
        """The profile as it applies to a photograph: itself, or turned with a picture that stands upright.

        Raises
        ------
        ScaleError
            If the photograph has another size, or its EXIF names another lens or focal length.
        """
        here, there = (photo.width_px, photo.height_px), (self.width_px, self.height_px)
        if here not in (there, there[::-1]):
            raise _other(photo, f"of {here[0]} x {here[1]} pixels, and the lens profile is for {there[0]} x {there[1]}")
        camera = getattr(photo, "camera", None)
        if camera and self.camera and camera != self.camera:
            raise _other(photo, f"taken with {camera}, and the lens profile is for {self.camera}")
        focal = photo.focal_mm
        if focal and self.focal_mm and abs(focal / self.focal_mm - 1) > SAME_FOCAL_REL:
            raise _other(photo, f"taken at {focal:g} mm, and the lens profile is for {self.focal_mm:g} mm")
        if here == there:
            return self
        # which way it was turned the picture no longer says: the principal point lies as far off its middle, some way
        off = np.hypot(self.centre_x_px - (self.width_px - 1) / 2, self.centre_y_px - (self.height_px - 1) / 2)
        middle = {"centre_x_px": (here[0] - 1) / 2, "centre_y_px": (here[1] - 1) / 2}
        spread = float(np.hypot(self.u_centre_px, off / np.sqrt(2)))
        return self.model_copy(update={"width_px": here[0], "height_px": here[1], "u_centre_px": spread, **middle})


def read(path: str | Path) -> Profile:
    """Read a profile.

    Raises
    ------
    ScaleError
        No such file, not TOML, or not a lens profile; names the file and the field.
    """
    return validated(Profile, read_toml(path, what="the lens profile", error=ScaleError), file=path, error=ScaleError)


def of_sheet(sheet: Sheet) -> Profile | None:
    """The profile that a sheet names, looked for beside the sheet; None where it names none. Raises ScaleError."""
    if sheet.photo is None or sheet.photo.camera_file is None:
        return None
    return read((sheet.folder or Path()) / sheet.photo.camera_file)


def to_toml(profile: Profile) -> str:
    """The profile as a TOML file."""
    lines = ['# Lens profile made by specimeter camera; name it in a sheet: [photo] camera_file = "..."']
    for key, value in profile.model_dump(exclude_none=True).items():
        lines.append(f"{key} = {json.dumps(value)}")  # JSON's strings and numbers are TOML's too
    return "\n".join(lines) + "\n"


def from_board(photos: Sequence[Any]) -> tuple[Profile, tuple[str, ...]]:
    """Profile from photographs of the printed board, and what is to be said about it.

    Parameters
    ----------
    photos : sequence of Photo
        Of one camera, lens, focal length and size; the board flat, from several sides, up to the picture's corners.

    Raises
    ------
    ScaleError
        Photographs of different cameras or sizes, too few with the board, none leaning, or a residual that is no board's.
    """
    first = photos[0]
    for photo in photos[1:]:
        for what, one, other in (
            ("size", (first.width_px, first.height_px), (photo.width_px, photo.height_px)),
            ("camera", first.camera, photo.camera),
            ("focal length", first.focal_mm, photo.focal_mm),
        ):
            if one != other:
                raise ScaleError(f"{what} {other}, and {first.file} has {one}", file=photo.file,
                                 expected="photographs of one camera, lens, focal length and size, not turned")  # fmt: skip
    detector = cv2.aruco.CharucoDetector(BOARD.charuco())
    places = np.asarray(BOARD.charuco().getChessboardCorners(), np.float32).reshape(-1, 3)
    views, said = [], []
    for photo in photos:
        grey = photo.rgb[..., 1]
        grey = np.ascontiguousarray(grey if grey.dtype == np.uint8 else (grey >> 8).astype(np.uint8))
        corners, ids, *_ = detector.detectBoard(grey)
        found = np.empty(0, int) if ids is None else np.ravel(ids).astype(int)  # type: ignore[redundant-expr]  # there may be none
        if len(found) < LEAST_CORNERS:
            said.append(f"{photo.file}: {len(found)} of the board's corners were found, so it was left out")
            continue
        views.append((places[found], np.asarray(corners, np.float32).reshape(-1, 2)))
    if len(views) < LEAST_PHOTOS:
        raise ScaleError(
            f"the board was found in {len(views)} of {len(photos)} photographs",
            file=first.file,
            expected=f"at least {LEAST_PHOTOS} photographs of the printed board, sharp, flat and evenly lit",
            mend="print it with `specimeter card board`, and photograph it from a dozen sides, up to the picture's corners",
        )
    solved = calibrate(views, first.width_px, first.height_px)
    middle = np.array([(first.width_px - 1) / 2, (first.height_px - 1) / 2])
    reach = max(float(np.linalg.norm(points - middle, axis=1).max()) for _, points in views) / float(np.linalg.norm(middle))
    if solved.lean_deg < LEAST_LEAN_DEG:
        raise ScaleError(
            f"the photographs look at the board from almost one side (they lean at most {solved.lean_deg:.0f} degrees)",
            file=first.file,
            expected=f"some that lean by {LEAST_LEAN_DEG:.0f} degrees or more, to different sides",
            mend="take more photographs from the left, right, above and below",
        )
    if solved.residual_rms_px > MOST_RESIDUAL * max(first.width_px, first.height_px):
        raise ScaleError(
            f"the board's corners miss a flat board by {solved.residual_rms_px:.2f} px",
            file=first.file,
            expected="the printed board, glued flat, photographed sharply by one camera at one focal length",
            mend="glue the board onto something flat, and photograph again",
        )
    if reach < LEAST_REACH:
        said.append(f"the board reaches {100 * reach:.0f} % of the way to the pictures' corners: distortion beyond is a guess")
    return solved.profile(first), tuple(said)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved:
    """A calibration: the lens, its standard uncertainties from the residuals, and how the views leaned."""

    focal_px: float
    centre_px: np.ndarray
    k1: float
    k2: float
    u: np.ndarray  # of focal_px, centre x, centre y, k1, k2
    residual_rms_px: float  # root mean square distance, as OpenCV states it
    lean_deg: float
    views: int

    def profile(self, photo: Any) -> Profile:
        """As a profile for photographs like this one."""
        long_px = max(photo.width_px, photo.height_px)
        return Profile(
            format=FORMAT,
            version=VERSION,
            camera=photo.camera,
            focal_mm=photo.focal_mm,
            width_px=photo.width_px,
            height_px=photo.height_px,
            focal_px=round(self.focal_px, 3),
            u_focal_rel=round(float(np.hypot(self.u[0] / self.focal_px, U_FOCUS_REL)), 6),
            centre_x_px=round(float(self.centre_px[0]), 3),
            centre_y_px=round(float(self.centre_px[1]), 3),
            u_centre_px=round(float(np.hypot(max(self.u[1:3]), U_CENTRE * long_px)), 3),
            k1=round(self.k1, 6),
            u_k1=round(float(np.hypot(self.u[3], U_K1)), 6),
            k2=round(self.k2, 6),
            u_k2=round(float(np.hypot(self.u[4], U_K2)), 6),
            photographs=self.views,
            residual_rms_px=round(self.residual_rms_px, 4),
        )


def calibrate(views: Sequence[tuple[np.ndarray, np.ndarray]], width_px: int, height_px: int) -> Solved:
    """Square pixels, principal point, k1 and k2 from points of a plane (N, 3) in mm and their pixels (N, 2), by OpenCV.

    Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. PAMI 22 (2000) 1330.
    """
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    start = np.array(
        [[max(width_px, height_px), 0, (width_px - 1) / 2], [0, max(width_px, height_px), (height_px - 1) / 2], [0, 0, 1.0]]
    )
    rms, matrix, distortion, turns, _, spread, _, _ = cv2.calibrateCameraExtended(  # type: ignore[call-overload]  # None: no start
        [np.asarray(places, np.float32).reshape(-1, 1, 3) for places, _ in views],
        [np.asarray(points, np.float32).reshape(-1, 1, 2) for _, points in views],
        (width_px, height_px),
        start,
        None,
        flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS,
    )
    normals = np.array([cv2.Rodrigues(np.asarray(turn, float).reshape(3, 1))[0][:, 2] for turn in turns])
    lean = np.degrees(np.arccos(np.clip(np.abs(normals[:, 2]), 0, 1)))
    distortion, spread = np.ravel(distortion), np.ravel(spread)
    return Solved(
        focal_px=float(matrix[0, 0]),
        centre_px=np.array([matrix[0, 2], matrix[1, 2]]),
        k1=float(distortion[0]),
        k2=float(distortion[1]),
        u=spread[[1, 2, 3, 4, 5]],  # with one focal length for both directions OpenCV states its u in the second place
        residual_rms_px=float(rms),
        lean_deg=float(lean.max()),
        views=len(views),
    )


def _other(photo: Any, what: str) -> ScaleError:
    return ScaleError(
        f"the photograph is {what}",
        file=photo.file,
        field="photo.camera_file",
        expected="a photograph by the lens, at the focal length and of the size that the profile was made for",
        mend="make a profile of this lens with `specimeter camera`, or remove camera_file from the sheet",
    )
