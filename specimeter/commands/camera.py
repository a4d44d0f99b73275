"""`specimeter camera`: photographs of the printed board become a lens profile."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE
from specimeter.errors import SpecimeterError

HELP = "make a lens profile from photographs of the printed board"
DESCRIPTION = (
    "Find principal distance, principal point and distortion of a lens from photographs of the board that\n"
    "`specimeter card board` prints. The profile is for that lens, focal length and picture size, and refuses others."
)
EPILOG = (
    "Example: specimeter camera board-*.jpg --out bench-camera.toml\n"
    'then in the sheet: [photo] camera_file = "bench-camera.toml"\n\n'
    "Glue the board onto something flat. Photograph it from a dozen sides, leaning up to 40 degrees, at the distance at\n"
    "which specimens are photographed, at one focal length, the board reaching into the pictures' corners."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photographs of the board: at least 6")
    parser.add_argument("--out", required=True, metavar="FILE.toml", help="the lens profile to write")
    parser.add_argument("--replace", action="store_true", help="write over an existing file")


def run(options: argparse.Namespace) -> int:
    """Read, solve, write, say what was found."""
    from pathlib import Path

    from specimeter import files
    from specimeter import photo as photos
    from specimeter.scale import camera_profile

    path = Path(options.out)
    if path.suffix.lower() != ".toml":
        raise SpecimeterError("a lens profile is a TOML file", file=path, expected="a file name ending in .toml")
    if path.exists() and not options.replace:
        raise SpecimeterError("the file is there already", file=path, mend="give another name, or --replace")
    profile, said = camera_profile.from_board([photos.read(photo) for photo in options.photos])
    try:
        files.write(path, camera_profile.to_toml(profile).encode())
    except OSError as error:
        raise SpecimeterError(f"the profile cannot be written: {error.strerror or error}", file=path) from error
    print(f"{path}: {profile.name}")
    print(f"  principal distance  {profile.focal_px:.1f} px, U {200 * profile.u_focal_rel:.1f} % (k = 2, focus included)")
    print(
        f"  principal point     [{profile.centre_x_px:.1f}, {profile.centre_y_px:.1f}] px, U {2 * profile.u_centre_px:.1f} px"
    )
    print(f"  distortion          k1 {profile.k1:+.4f}, k2 {profile.k2:+.4f}")
    print(f"  residual            {profile.residual_rms_px:.2f} px over {profile.photographs} photographs")
    for sentence in said:
        print(f"  caution: {sentence}")
    return DONE
