"""What a scene is: frozen records of specimen, openings, marks, weld, card, bench, lights and camera; no drawing here.

World ("bench") coordinates: millimetres, x right and y down along the bench, z away from the camera; the bench is z = 0
and what stands above it has negative z. The specimen's crown is at (0, 0, -crown_height_mm). Developed coordinates on the
bend face are [s, a]: s along the arc (0 at the crown line), a along the bend axis (0 at mid-width).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeVar, dataclass_transform

import numpy as np

Class = TypeVar("Class", bound=type)


@dataclass_transform(frozen_default=True, kw_only_default=True, eq_default=False, field_specifiers=(field,))
def record(described: Class) -> Class:
    """The class as a frozen record whose fields are given by name; two records are equal only if they are one."""
    return dataclass(frozen=True, slots=True, kw_only=True, eq=False)(described)  # type: ignore[return-value]


@record
class Specimen:
    """A bar of `thickness_mm` x `width_mm` bent over a former, standing on its legs."""

    test: str  # face-bend | root-bend | side-bend | longitudinal-bend
    former_diameter_mm: float
    thickness_mm: float
    width_mm: float
    angle_deg: float = 180.0
    corner_mm: float = 1.0  # radius of the four long edges
    crown_height_mm: float = 70.0  # over the bench
    axis_angle_deg: float = 90.0  # direction of the bend axis in the bench's x, y: 0 along x, 90 along y

    @property
    def radius_mm(self) -> float:
        """Outer radius of the bend."""
        return self.former_diameter_mm / 2 + self.thickness_mm


@record
class Zone:
    """A part of a broken specimen's end that is not the broken face."""

    kind: str  # saw-cut | disc-cut | machined | plate | cap
    outline_mm: np.ndarray  # (N, 2) developed [s, a], closed; it may reach over the body's outline
    level_mm: float  # of its middle over the broken face's mean plane
    slope_s: float = 0.0  # rise along s
    seed: int = 0


@record
class Broken:
    """One half of a specimen that was broken open, its broken face up; developed [s, a]: s through the wall, a along the weld.

    The mean plane of the broken face lies level, `crown_height_mm` over the bench; [0, 0] is the middle of the body.
    """

    test: str  # nick-break | fillet-break
    thickness_mm: float  # through the wall, along s
    width_mm: float  # along the weld, along a, notches included
    body_mm: np.ndarray  # (N, 2) outline of the whole end
    face_mm: np.ndarray  # (N, 2) outline of the broken face: without notches and machined ends
    zones: tuple[Zone, ...] = ()
    root: float = -1.0  # on which side along s the root lies
    crown_height_mm: float = 30.0
    axis_angle_deg: float = 90.0
    half: str = "a"  # a | b: the mating half shows the same break mirrored

    @property
    def radius_mm(self) -> float:
        """Half the extent along s."""
        return self.thickness_mm / 2


@record
class Fracture:
    """How the broken metal looks."""

    name: str
    grain_mm: float  # size of the facets; 0: none
    tilt: float  # r.m.s. slope of the facets
    dimple: float  # r.m.s. slope of the fine relief
    dimple_mm: float
    waves_mm: float  # r.m.s. height of the coarse relief
    ridges: float  # r.m.s. slope of the ridges
    ridge_mm: float
    ridge_deg: float  # their direction, from s towards a
    fan: float  # 0: ridges run parallel, 1: they fan out from one place
    lip_mm: float  # width of the shear lips along the long edges
    lip: float  # their slope
    level: float  # reflectance of the metal
    warm: float
    diffuse: float
    rough: float
    rim_mm: float = 0.0  # width of a duller, finer rim round a crystalline middle
    rust: float = 0.0
    tint: float = 0.0
    seed: int = 0


@record
class Cut:
    """How a cut surface looks."""

    name: str
    level: float  # reflectance of the metal
    warm: float
    diffuse: float
    rough: float
    lay_mm: tuple[float, float]  # widths of grinding marks
    lay_deg: float
    lay: float  # their r.m.s. slope
    saw: float = 0.0  # r.m.s. slope of saw marks that were not ground away
    saw_mm: float = 0.6
    etch: float = 0.0  # 0: not etched; 1: strongly
    weld_tone: float = -0.3  # tone of weld metal against parent, at full etch
    line: float = 0.5  # darkness of the fusion line
    haz_tone: float = -0.25
    haz_mm: float = 2.0
    columns: float = 0.25  # contrast of the weld's grain
    column_mm: float = 0.5
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)  # colour of what is etched dark
    stain: float = 0.0
    patchy: float = 0.0  # 0: etched evenly; 1: half of it hardly at all
    rust: float = 0.0
    chamfer_mm: float = 0.0  # broken edge round the cut
    runs: float = 0.4
    seed: int = 0
    extra: dict[str, float] = field(default_factory=dict)


@record
class Weld:
    """Where the weld shows on the bend face and how strongly."""

    layout: str  # across (its lines run along the bend axis) | along (around the arc) | section (a slice: V or K)
    half_width_mm: float  # where it is widest
    root_half_width_mm: float  # section: where it is narrowest
    shape: str = "V"  # section: V (narrow at one edge) | K (narrow at mid-width)
    wobble_mm: float = 0.4
    contrast: float = 0.0  # relative difference of reflectance, weld against parent; 0 is unetched
    line: float = 0.0  # darkness of the fusion line, 0 to 1
    haz_mm: float = 2.0
    haz: float = 0.0
    ripple_mm: float = 0.0  # spacing of weld ripples on an unmachined cap; 0 is machined
    seed: int = 0


@record
class Opening:
    """One true imperfection: a void whose visible separation ends at the outline."""

    outline_mm: np.ndarray  # (N, 2) developed [s, a], closed, last point not repeated
    kind: str  # opening | crack | pore; broken faces also elongated-cavity | slag | lack-of-... | fisheye
    form: str  # how it was made: lens, ragged, cavity, fusion-line, pulled-pore, corner-tear, ...
    depth_mm: float
    fill: str = "dark"  # dark | slag | facets; broken faces: shiny | oxidised | dark | glass | smooth | scaled | crystals
    lip_mm: float = 0.0
    lip_gain: float = 0.0
    at_corner: bool = False
    seed: int = 0


@record
class Mark:
    """Something on the face that is not an imperfection."""

    kind: str  # stamp | ink | scratch | grinding | pit | dent | dust | fibre | stain | oil | rust | gauge-line | punch | ...
    lines_mm: tuple[np.ndarray, ...]  # polylines (N, 2) in developed [s, a]; one point is a spot
    size_mm: float  # stroke width or spot diameter
    strength: float
    colour: tuple[float, float, float] = (0.0, 0.0, 0.0)  # linear reflectance, where it matters
    seed: int = 0


@record
class Finish:
    """How the metal's surface scatters light."""

    name: str
    colour: tuple[float, float, float]  # specular reflectance, linear
    diffuse: float  # share of light scattered evenly
    gloss_along: float  # roughness (r.m.s. slope of the facets) along the lay
    gloss_across: float  # the same across the lay
    lay_deg: float  # 0: the lay runs along s; 90: along a
    streak: float  # relief of the lay, r.m.s. slope
    streak_mm: tuple[float, ...]  # widths of its streaks
    scale: float = 0.0  # share of the face under mill scale
    rust: float = 0.0  # strength of light rust blooms
    tint: float = 0.0  # strength of heat tint
    peel: float = 0.0  # strain roughening at the crown, r.m.s. slope
    peel_mm: float = 0.35
    seed: int = 0


@record
class Lamp:
    """A light of finite size."""

    place_mm: tuple[float, float, float]
    radius_mm: float
    power: float  # irradiance it gives at the crown if square on
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    edge: tuple[float, float, float] | None = (
        None  # something's shadow: direction it lies in (deg), its edge (mm), softness (mm)
    )


@record
class Light:
    """All light of a scene: lamps, and what comes from everywhere."""

    name: str
    lamps: tuple[Lamp, ...]
    ambient: float
    ambient_colour: tuple[float, float, float] = (1.0, 1.0, 1.0)


@record
class Card:
    """What the scale is taken from: kind "strip" or "frame" (printed cards), "rule" (see Rule), or "none"."""

    kind: str
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)  # its top-left corner
    angle_deg: float = 0.0  # of its x axis in the bench's x, y
    shrink: tuple[float, float] = (1.0, 1.0)  # printed size over nominal, along its x and y
    white: float = 0.8
    black: float = 0.04
    block: bool = False  # it lies on a block


@record
class Rule:
    """A steel, plastic or paper rule that lies flat; x along it, y across it from the first graduated edge."""

    body: str
    length_mm: float
    width_mm: float
    divisions_mm: tuple[float, float]  # smallest division along either edge; 0: none
    lengths_mm: tuple[float, float, float, float]  # of marks at halves, ones, fives and tens
    mark_mm: float  # width of a mark
    inset_mm: float = 0.0  # from the edge to the marks
    edge_line: bool = False  # a line joins the marks' ends
    numerals: str = "cm"  # cm | mm | none
    stretch: float = 0.0  # true over nominal length, less 1
    reflectance: float = 0.5
    mark_reflectance: float = 0.04
    shine: float = 0.0  # share of mirror-like scattering
    wear: float = 0.0  # 0 to 1
    seed: int = 0
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)  # of x = y = 0 on the bench
    angle_deg: float = 0.0  # of its x axis in the bench's x, y
    skew: float = 0.0  # radians by which its marks stand off square


@record
class Bench:
    """What everything stands on."""

    name: str
    clutter: int = 0
    seed: int = 0


@record
class Camera:
    """Where the camera stands and how its lens draws: a pinhole with radial distortion."""

    name: str
    width_px: int
    height_px: int
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: np.ndarray  # world to camera, (3, 3)
    eye_mm: np.ndarray  # (3,)
    focal_35mm_mm: float | None = None  # as EXIF says it; None: EXIF does not


@record
class Imaging:
    """What lens, sensor and software do to the light."""

    psf_px: float = 0.6  # Gaussian sigma of the sharp lens, pixel integration apart
    focus_height_mm: float = 0.0  # height of the plane in focus, relative to the crown
    defocus_px_per_mm: float = 0.0  # growth of the blur's sigma with distance from it
    vignette: float = 0.0
    flare: float = 0.0  # share of the whole picture's light that the lens scatters evenly over it
    exposure: float = 0.32  # linear level that the face's median reaches
    paper: float = 0.85  # linear level that a card's paper may reach at most
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    photons: float = 8000.0  # electrons at full level
    read_noise: float = 0.0008
    chroma_blur_px: float = 0.0
    sharpen: float = 0.0
    sharpen_px: float = 1.2
    curve: float = 0.0
    jpeg_quality: int = 92
    off: bool = False  # True: no lens, no noise, no curve (for checks)
    seed: int = 0


@record
class Scene:
    """Everything that a picture is made from."""

    seed: int
    id: str
    specimen: Specimen | Broken
    finish: Finish | Fracture | Cut
    weld: Weld | None  # None on broken faces
    light: Light
    bench: Bench
    card: Card
    camera: Camera
    imaging: Imaging
    openings: tuple[Opening, ...] = ()
    marks: tuple[Mark, ...] = ()
    width_calliper_mm: float = 0.0
    parent_thickness_mm: float = 0.0
    printed_length_mm: float | None = None
    surface_height_mm: float | None = None  # as the sheet states it; None: it does not
    surface_height_U_mm: float = 1.0
    camera_distance_mm: float | None = None
    rule: Rule | None = None  # where the card is of kind "rule"
    groups: dict[str, str] = field(default_factory=dict)

    @property
    def true_surface_height_mm(self) -> float:
        """Height of the crown over the card's plane (over the bench where there is no card)."""
        return self.specimen.crown_height_mm + (self.card.origin_mm[2] if self.card.kind != "none" else 0.0)


def bent_bar(scene: Scene) -> tuple[Specimen, Finish, Weld]:
    """The bar of a scene that shows a bend, its metal and its weld; TypeError if the scene shows something else."""
    if isinstance(scene.specimen, Specimen) and isinstance(scene.finish, Finish) and scene.weld is not None:
        return scene.specimen, scene.finish, scene.weld
    raise TypeError(shows_no(scene, "bent bar with its Finish and its Weld"))


def broken_end(scene: Scene) -> tuple[Broken, Fracture]:
    """The half of a scene that shows a break, and its metal; TypeError if the scene shows something else."""
    if isinstance(scene.specimen, Broken) and isinstance(scene.finish, Fracture):
        return scene.specimen, scene.finish
    raise TypeError(shows_no(scene, "broken end with its Fracture"))


def shows_no(scene: Scene, expected: str) -> str:
    """The sentence of a scene that was asked for something that it does not show."""
    seen = f"a {type(scene.specimen).__name__} of {scene.specimen.test!r} with a {type(scene.finish).__name__}"
    return f"scene {scene.id} shows no {expected}: it shows {seen}{'' if scene.weld else ' and no Weld'}"


@record
class Picture:
    """A rendered photograph with its truth and its sheet."""

    rgb: np.ndarray  # (H, W, 3) uint8
    truth: dict[str, Any]
    sheet_toml: str
    focal_35mm_mm: float | None
    jpeg_quality: int
