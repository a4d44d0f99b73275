"""A search gives what fits and nothing else, the best examples first."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.errors import LibraryError
from specimeter.library import facets
from specimeter.library.find import Query, expression, find


def titles(library, **wanted):
    return [one.entry.title for one in find(library, Query(**wanted)).hits]


def test_the_best_examples_come_first(filled):
    assert titles(filled)[:3] == ["Straight gap along the wall", "Root not joined", "Round pore"]


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ({"words": "pore"}, ["Round pore", "Torn pore"]),
        ({"words": "por tor"}, ["Torn pore"]),
        ({"words": "sidewall"}, ["Straight gap along the wall"]),
        ({"kind": "pore", "test": "nick-break"}, ["Round pore"]),
        ({"least_mm": 2.0, "most_mm": 3.0}, ["Round pore", "Crack from the crater"]),
        ({"kind": "pore", "least_mm": 1.5}, ["Round pore"]),
        ({"most_mm": 0.69}, []),
        ({"most_mm": 0.7}, ["Notch at the toe"]),
        ({"clean": True}, ["Nothing to see"]),
        ({"clean": False, "test": "side-bend"}, ["Straight gap along the wall", "Torn pore"]),
        ({"words": "nothing else fits this"}, []),
        ({"process": "111"}, []),
    ],
)
def test_each_filter(filled, wanted, expected):
    assert titles(filled, **wanted) == expected


def test_like_this_one_leaves_itself_out_and_obeys_the_filters(filled):
    assert len(titles(filled, like=1)) == 7
    assert titles(filled, like=1, kind="slag") == ["Line of slag"]
    with pytest.raises(LibraryError, match="no entry 99"):
        find(filled, Query(like=99))


def test_a_picture_turned_darker_is_the_most_alike(filled, tmp_path):
    """The same face photographed darker is more alike than any other picture of the library."""
    import numpy as np
    from PIL import Image

    from specimeter.library import catalogue, picture
    from specimeter.library.entry import made

    source = np.array(Image.open(next(filled.folder.glob(f"pictures/*/{catalogue.get(filled, 5).sha256}*"))))
    Image.fromarray((source * 0.85).astype(np.uint8)).save(tmp_path / "dark.png")
    done = catalogue.add(filled, picture.copy_of(tmp_path / "dark.png"), made({"title": "darker"}))
    assert find(filled, Query(like=done.id)).hits[0].id == 5


@pytest.mark.parametrize(
    "words", ['"', "a OR b", "words : x", "NEAR(a b)", "pore*", "(", "-pore", "'; DROP TABLE entry; --", "\x00"]
)
def test_typed_words_are_never_an_operator(filled, words):
    """Whatever is typed is looked for as words; nothing in it is obeyed and nothing raises."""
    find(filled, Query(words=words))
    assert len(titles(filled)) == 8


def test_an_unknown_kind_is_named_with_the_nearest(filled):
    with pytest.raises(LibraryError, match='did you mean "pore"'):
        Query(kind="pores")
    with pytest.raises(LibraryError, match="at most"):
        Query(least_mm=3, most_mm=2)


@given(st.floats(0.011, 9000), st.floats(0.011, 9000), st.floats(0.011, 9000))
@settings(deadline=None, max_examples=60)
def test_a_length_within_a_range_lies_in_one_of_its_bins(a, b, c):
    """The index never hides a feature that the exact comparison would find."""
    low, length, high = sorted((a, b, c))
    assert facets.size_token(facets.size_bin(length)) in facets.size_tokens(low, high)


@given(st.text(max_size=40), st.text(max_size=40))
@settings(deadline=None, max_examples=60)
def test_two_values_never_share_a_token(one, other):
    """A facet's token is a single word; tokens differ unless the values are the same but for case and hyphens."""
    first, second = facets.token("g", one), facets.token("g", other)
    assert first.isalnum()
    assert first.isascii()
    if first == second:
        assert one.lower().replace("-", "") == other.lower().replace("-", "") or any(not c.isalnum() for c in one + other)


def test_no_filter_asks_nothing():
    assert expression(Query()) is None
