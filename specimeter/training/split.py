"""What the network may learn from and what judges it: seeds, and whole finishes, lights and benches held out."""

from __future__ import annotations

from typing import TypedDict

from specimeter.scene.bench import BENCHES
from specimeter.scene.random import FINISHES, LIGHTS


class Groups(TypedDict):
    """Keywords for `random_scene`: the groups that a scene is drawn from."""

    finish: tuple[str, ...]
    light: tuple[str, ...]
    bench: tuple[str, ...]


HELD_OUT: Groups = {
    "finish": ("linished", "heat-tinted", "as-rolled"),
    "light": ("flash", "low-lamp"),
    "bench": ("cloth", "cutting-mat"),
}
TRAINED_ON: Groups = {
    "finish": tuple(name for name in FINISHES if name not in HELD_OUT["finish"]),
    "light": tuple(name for name in LIGHTS if name not in HELD_OUT["light"]),
    "bench": tuple(name for name in BENCHES if name not in HELD_OUT["bench"]),
}
TRAINING_SEEDS = range(1_000_000, 2_000_000)  # scenes and composites
TUNING_SEEDS = range(700_000, 710_000)  # thresholds and confidence; groups trained on and held out in turn
CHECK_SEEDS = range(720_000, 730_000)  # the table of the model card; seen by nothing else
CLEAN_EVERY = 5


def groups_for(seed: int) -> Groups:
    """Keywords for `random_scene`: for training never a held-out group; for tuning and checks nothing but, every other seed."""
    if seed in TRAINING_SEEDS or seed % 2:
        return TRAINED_ON
    return HELD_OUT
