"""Meshes and what they are made of, for Cycles: steel as it was finished, walls of openings, noise over a surface in mm."""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np

# isort: split
import bmesh  # only there once bpy is


def mesh(name: str, vertices: np.ndarray, faces: Sequence, made_of, uv_mm: np.ndarray | None = None):
    """A thing of vertices (N, 3) and faces (indices); `uv_mm` (N, 2): where each vertex lies on the developed surface."""
    held = bpy.data.meshes.new(name)
    held.from_pydata(np.asarray(vertices, float).tolist(), [], [list(map(int, face)) for face in faces])
    if uv_mm is not None:
        layer = held.uv_layers.new(name="mm")
        corner = np.zeros(len(held.loops), np.int32)
        held.loops.foreach_get("vertex_index", corner)
        layer.data.foreach_set("uv", np.asarray(uv_mm, np.float32)[corner].ravel())
    held.materials.append(made_of)
    _outwards(held)
    own = bpy.data.objects.new(name, held)
    bpy.context.scene.collection.objects.link(own)
    return own


def quads(name: str, vertices: np.ndarray, corners: np.ndarray, made_of):
    """A large thing of vertices (N, 3) and faces of four corners (M, 4), which already look outwards."""
    held = bpy.data.meshes.new(name)
    held.vertices.add(len(vertices))
    held.vertices.foreach_set("co", np.ascontiguousarray(vertices, np.float32).ravel())
    held.loops.add(corners.size)
    held.loops.foreach_set("vertex_index", np.ascontiguousarray(corners, np.int32).ravel())
    held.polygons.add(len(corners))
    held.polygons.foreach_set("loop_start", np.arange(0, corners.size, 4, dtype=np.int32))
    held.update(calc_edges=True)
    held.materials.append(made_of)
    own = bpy.data.objects.new(name, held)
    bpy.context.scene.collection.objects.link(own)
    return own


def _outwards(held) -> None:
    """Let the faces of a closed mesh look out of it."""
    shape = bmesh.new()
    shape.from_mesh(held)
    bmesh.ops.recalc_face_normals(shape, faces=shape.faces)
    shape.to_mesh(held)
    shape.free()


def carve(body, cutter) -> None:
    """Take the cutter's room out of the body; the walls are of the cutter's material."""
    step = body.modifiers.new("carve", "BOOLEAN")
    step.operation, step.object = "DIFFERENCE", cutter
    step.solver, step.material_mode = "EXACT", "TRANSFER"
    bpy.context.view_layer.update()
    done = bpy.data.meshes.new_from_object(body.evaluated_get(bpy.context.evaluated_depsgraph_get()))
    body.modifiers.clear()
    body.data = done
    bpy.data.objects.remove(cutter)


def carve_all(body, cutters: Sequence) -> None:
    """The same for many cutters that keep apart, in one step and much faster."""
    if not cutters:
        return
    held = bpy.data.collections.new("cutters")
    for one in cutters:
        held.objects.link(one)
    step = body.modifiers.new("carve", "BOOLEAN")
    step.operation, step.operand_type, step.collection = "DIFFERENCE", "COLLECTION", held
    step.solver, step.material_mode = "MANIFOLD", "TRANSFER"
    bpy.context.view_layer.update()
    done = bpy.data.meshes.new_from_object(body.evaluated_get(bpy.context.evaluated_depsgraph_get()))
    body.modifiers.clear()
    body.data = done
    for one in cutters:
        bpy.data.objects.remove(one)
    bpy.data.collections.remove(held)


def material(name: str, **inputs):
    """A principled surface and its shader node; keywords name inputs, `_` for a blank: Base_Color, Metallic, Roughness."""
    held = bpy.data.materials.new(name)
    if held.node_tree is None:
        held.use_nodes = True
    shader = held.node_tree.nodes["Principled BSDF"]
    for key, value in inputs.items():
        value = (*value, 1.0) if key == "Base_Color" and len(value) == 3 else value
        shader.inputs[key.replace("_", " ")].default_value = value
    return held, shader


def node(tree, kind: str, inputs: dict | None = None, **settings):
    made = tree.nodes.new(kind)
    for key, value in settings.items():
        setattr(made, key, value)
    for key, value in (inputs or {}).items():
        if hasattr(value, "node"):
            tree.links.new(value, made.inputs[key])
        else:
            made.inputs[key].default_value = value
    return made


def noise(tree, per_mm: Sequence[float], *, turn: float = 0.0, detail: float = 2.0, seed: float = 0.0):
    """A socket of noise from 0 to 1 over the developed surface, with so many bumps a mm along u and v."""
    at = node(tree, "ShaderNodeUVMap").outputs["UV"]
    turned = node(tree, "ShaderNodeMapping", {"Vector": at, "Rotation": (0, 0, turn)})
    scaled = node(
        tree, "ShaderNodeMapping", {"Vector": turned.outputs[0], "Scale": (*per_mm, 1.0), "Location": (seed, 3 * seed, 0)}
    )
    inputs = {"Vector": scaled.outputs[0], "Scale": 1.0, "Detail": detail}
    return node(tree, "ShaderNodeTexNoise", inputs, noise_dimensions="2D").outputs[0]


def ramp(tree, value, low: float, high: float, first, last):
    """A socket of colours: `first` where the value is below `low`, `last` above `high`."""
    made = node(tree, "ShaderNodeValToRGB", {0: value})
    for stop, at, colour in zip(made.color_ramp.elements, (low, high), (first, last), strict=True):
        stop.position, stop.color = at, (*colour, 1.0) if len(colour) == 3 else colour
    return made.outputs[0]


def mixed(tree, share, one, two):
    """A socket of colours: `one` where share is 0, `two` where it is 1."""
    made = node(tree, "ShaderNodeMix", data_type="RGBA")
    for place, value in ((0, share), (6, one), (7, two)):
        if hasattr(value, "node"):
            tree.links.new(value, made.inputs[place])
        else:
            made.inputs[place].default_value = value if isinstance(value, float) else (*value, 1.0)
    return made.outputs[2]


def bumped(tree, shader, height, distance_mm: float) -> None:
    """Let a socket of heights, 0 to 1, tilt the shader's normals as if it rose by so much."""
    made = node(tree, "ShaderNodeBump", {"Height": height, "Distance": distance_mm, "Strength": 1.0})
    tree.links.new(made.outputs[0], shader.inputs["Normal"])


def grained(tree, shader, tilt, grain_mm: float) -> None:
    """Let every grain of a size tilt the shader's normals its own way, by as much as a socket says."""
    at = node(tree, "ShaderNodeTexCoord").outputs["Object"]
    cells = node(tree, "ShaderNodeTexVoronoi", {"Vector": at, "Scale": 1.0 / grain_mm}, voronoi_dimensions="3D")
    way = node(tree, "ShaderNodeVectorMath", {0: cells.outputs["Color"], 1: (0.5, 0.5, 0.5)}, operation="SUBTRACT")
    tilted = node(tree, "ShaderNodeVectorMath", {0: way.outputs[0], "Scale": tilt}, operation="SCALE")
    plain = node(tree, "ShaderNodeNewGeometry").outputs["Normal"]
    total = node(tree, "ShaderNodeVectorMath", {0: plain, 1: tilted.outputs[0]}, operation="ADD")
    normal = node(tree, "ShaderNodeVectorMath", {0: total.outputs[0]}, operation="NORMALIZE")
    tree.links.new(normal.outputs[0], shader.inputs["Normal"])


FINISHES = ("ground", "brushed", "blasted", "scaled", "tinted", "machined")


def steel(
    name: str,
    finish: str,
    rng: np.random.Generator,
    painted: np.ndarray | None = None,
    extent_mm=(1.0, 1.0),
    begin_mm=(0.0, 0.0),
):
    """Steel as it was finished, over UVs in mm; returns the material and its node tree's colour socket is set.

    `painted`: (H, W, 4) float32, drawn over the surface from `begin_mm` over `extent_mm`, row 0 at the least v: colour, and
    how much of the metal it hides. Ink, stains, paint, weld metal of another tone.
    """
    grey = rng.uniform(0.35, 0.65)
    tone = grey * (1 + rng.normal(0, 0.03, 3))
    held, shader = material(name, Base_Color=tuple(tone), Metallic=1.0, Roughness=rng.uniform(0.28, 0.5))
    tree, seed = held.node_tree, float(rng.uniform(0, 500))
    turn = float(rng.choice([0.0, np.pi / 2])) + float(rng.normal(0, 0.12))
    large = noise(tree, (0.12, 0.12), seed=seed)
    if finish in ("ground", "brushed", "machined"):
        along, across = {"ground": (0.25, 9.0), "brushed": (0.06, 16.0), "machined": (0.02, 2.5)}[finish]
        lay = noise(tree, (along, across * rng.uniform(0.7, 1.4)), turn=turn, seed=seed + 3, detail=1.0)
        bumped(tree, shader, lay, {"ground": 0.012, "brushed": 0.006, "machined": 0.03}[finish] * rng.uniform(0.5, 1.6))
        colour = ramp(tree, lay, 0.3, 0.7, tuple(0.8 * tone), tuple(1.1 * tone))
        shader.inputs["Anisotropic"].default_value = float(rng.uniform(0.2, 0.7))
        shader.inputs["Anisotropic Rotation"].default_value = turn / (2 * np.pi) % 1.0
        tree.links.new(node(tree, "ShaderNodeTangent", direction_type="UV_MAP").outputs[0], shader.inputs["Tangent"])
    else:
        grain = noise(tree, (6.0, 6.0), seed=seed + 3, detail=3.0)
        bumped(tree, shader, grain, {"blasted": 0.09, "scaled": 0.06, "tinted": 0.02}[finish] * rng.uniform(0.6, 1.3))
        colour = ramp(tree, grain, 0.35, 0.65, tuple(0.75 * tone), tuple(1.1 * tone))
        shader.inputs["Roughness"].default_value = float(rng.uniform(0.45, 0.65))
    if finish == "scaled":
        scale = ramp(tree, noise(tree, (0.5, 0.5), seed=seed + 7, detail=6.0), 0.44, 0.56, (0, 0, 0), (1, 1, 1))
        colour = mixed(tree, scale, colour, tuple(rng.uniform(0.03, 0.12) * np.array([0.9, 0.95, 1.1])))
        tree.links.new(ramp(tree, scale, 0, 1, (1, 1, 1), (0.1, 0.1, 0.1)), shader.inputs["Metallic"])
    elif finish == "tinted":
        blue = ramp(tree, large, 0.35, 0.6, (0.45, 0.3, 0.12), (0.12, 0.14, 0.3))
        colour = mixed(tree, float(rng.uniform(0.3, 0.7)), colour, blue)
    else:
        colour = mixed(tree, ramp(tree, large, 0.45, 0.75, (0, 0, 0), (0.3, 0.3, 0.3)), colour, tuple(tone * [0.6, 0.5, 0.4]))
    if painted is not None:
        colour, hides = painted_over(tree, painted, extent_mm, begin_mm, colour)
        dull = node(tree, "ShaderNodeMath", {0: 1.0, 1: hides}, operation="SUBTRACT")
        if not shader.inputs["Metallic"].is_linked:
            tree.links.new(dull.outputs[0], shader.inputs["Metallic"])
    tree.links.new(colour, shader.inputs["Base Color"])
    return held


def painted_over(tree, painted: np.ndarray, extent_mm, begin_mm, colour):
    height, width = painted.shape[:2]
    image = bpy.data.images.new("painted", width, height, alpha=True, float_buffer=True)
    image.colorspace_settings.name = "Non-Color"
    image.alpha_mode = "CHANNEL_PACKED"
    image.pixels.foreach_set(np.ascontiguousarray(painted, np.float32).ravel())
    image.update()
    at = node(tree, "ShaderNodeUVMap").outputs["UV"]
    moved = node(tree, "ShaderNodeMapping", {"Vector": at, "Location": (-begin_mm[0], -begin_mm[1], 0)})
    scale = (1 / extent_mm[0], 1 / extent_mm[1], 1.0)
    placed = node(tree, "ShaderNodeMapping", {"Vector": moved.outputs[0], "Scale": scale})
    texture = node(
        tree, "ShaderNodeTexImage", {"Vector": placed.outputs[0]}, image=image, extension="CLIP", interpolation="Cubic"
    )
    return mixed(tree, texture.outputs["Alpha"], colour, texture.outputs["Color"]), texture.outputs["Alpha"]


def hollow(name: str, rng: np.random.Generator, fill: str):
    """What the walls of an opening are of: `oxide` (dark, dull), `torn` (bright, rough metal), `slag` (glassy, dark)."""
    tone = {"oxide": rng.uniform(0.015, 0.06), "torn": rng.uniform(0.25, 0.5), "slag": rng.uniform(0.02, 0.05)}[fill]
    tint = np.array([1.15, 1.0, 0.85]) if fill == "oxide" else np.ones(3)
    held, shader = material(
        name,
        Base_Color=tuple(tone * tint),
        Metallic=1.0 if fill == "torn" else 0.0,
        Roughness={"oxide": 0.9, "torn": 0.55, "slag": 0.15}[fill],
    )
    tree = held.node_tree
    rough = node(
        tree, "ShaderNodeTexNoise", {"Vector": node(tree, "ShaderNodeTexCoord").outputs["Object"], "Scale": 4.0, "Detail": 3.0}
    )
    bumped(tree, shader, rough.outputs[0], 0.25 if fill != "slag" else 0.05)
    return held
