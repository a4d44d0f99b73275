"""Networks: one for each thread, a file that cannot be read told with what to do, answers laid out as they were taught."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from specimeter import networks
from specimeter.errors import SpecimeterError
from specimeter.scale.area_looks import OWN
from specimeter.scale.likely_face import MODEL

pytestmark = pytest.mark.usefixtures("asked_anew")


def test_threads_get_the_same_answers_each_from_a_network_of_its_own():
    """Four threads ask at once, each with another picture: every answer is the one it gets alone."""
    given = np.random.default_rng(1).normal(size=(4, 1, len(OWN), 64, 96)).astype(np.float32)
    alone = [networks.answer(MODEL, one).copy() for one in given]
    with ThreadPoolExecutor(4) as pool:
        for _ in range(3):
            for one, other in zip(alone, pool.map(lambda picture: networks.answer(MODEL, picture).copy(), given), strict=True):
                assert np.array_equal(one, other)


def test_a_file_that_is_no_network_is_told(tmp_path):
    (tmp_path / "spoilt.onnx").write_bytes(b"not a network")
    with pytest.raises(SpecimeterError, match="cannot be read") as caught:
        networks.answer(tmp_path / "spoilt.onnx", np.zeros((1, 1, 8, 8), np.float32), instead="openings")
    assert caught.value.mend == "install specimeter again, or use the segmenter 'openings'"


def test_answers_are_unfolded_as_they_were_taught():
    """Answer k of pixel (2 row + i, 2 column + j) is channel 4 k + 2 i + j, as the network's docstring says."""
    answer = np.arange(8 * 3 * 5).reshape(8, 3, 5)
    flat = networks.unfolded(answer)
    assert flat.shape == (2, 6, 10)
    for k, i, j in np.ndindex(2, 2, 2):
        assert np.array_equal(flat[k, i::2, j::2], answer[4 * k + 2 * i + j])
