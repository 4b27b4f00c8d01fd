"""Counts with their nouns."""

import pytest

from synth.many import many


@pytest.mark.parametrize(
    ("count", "nouns", "said"),
    [
        (1, ("group",), "1 group"),  # it was "1 groups"
        (0, ("group",), "0 groups"),
        (3, ("group",), "3 groups"),
        (1, ("foot", "feet"), "1 foot"),
        (4, ("foot", "feet"), "4 feet"),
    ],
)
def test_one_of_a_thing_is_told_in_the_singular(count, nouns, said):
    assert many(count, *nouns) == said
