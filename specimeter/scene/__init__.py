"""Random photographs of specimens with exact truth, for demos, tests, validation and training.

`random.random_scene(seed, ...)` describes a scene, `render.render(scene)` photographs it, `files.save(picture, folder, stem)`
writes photograph, sheet and truth. Nothing here imports scale, segment or measure: the truth is independent of them.
"""
