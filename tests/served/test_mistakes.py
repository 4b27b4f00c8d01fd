"""A mistake in a design is told with the line on which it stands."""

import pytest

from synth.design.decode import decode
from synth.design.file import parsed
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.served.mistakes import mistake

from .conftest import DESIGN

SLIPS = [
    ('stock = "M4"\nstart_mm = 190.0', 'stock = "M77"\nstart_mm = 190.0', 'stock = "M77"'),
    ("height_mm = 12.0", "height_mm = 12000.0", "height_mm = 12000.0"),
    ("height_mm = 12.0", "hight_mm = 12.0", "hight_mm"),
    ("start_mm = 190.0", "start_mm = 1900.0", "[[group]]"),
    ('root = "A3"', 'root = "H3"', 'root = "H3"'),
    ('at_in = 15.0, kind = "cord"', 'at_in = 15.0, kind = "rope"', "rope"),
    ("x_mm = 247.0", "x_mm = 2470.0", "x_mm = 2470.0"),
    ("[bar]\n", "[bar\n", "[bar"),
    ("free_length_mm = 120.0", "free_length_mm = 120.0.0", "120.0.0"),
    ('nut = "M4 hex", at_mm = 60.0', 'nut = "M9 hex", at_mm = 60.0', "M9 hex"),
]


@pytest.mark.parametrize(("old", "new", "there"), SLIPS)
def test_the_line_is_the_one_where_it_stands(old, new, there):
    text = DESIGN.replace(old, new, 1)
    assert text != DESIGN
    with pytest.raises(InputError) as refused:
        resolve(decode(parsed(text), Design), "slat.toml")
    found = mistake(text, refused.value)
    assert there in text.split("\n")[found.line - 1]
    assert "slat.toml" not in found.words


def test_what_stands_nowhere_has_no_line():
    found = mistake(DESIGN, InputError("something is wrong", location="nowhere.at_all"))
    assert found.line == 0
    assert found.words == "nowhere.at_all: something is wrong"
