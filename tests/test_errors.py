"""What a user is told: the place, the finding, the remedy; which of several names was meant."""

import pytest

from synth.errors import InputError, alike, guessed, named, nearest


def test_an_error_is_one_line_of_the_parts_that_are_known():
    assert str(InputError("is wrong")) == "is wrong"
    whole = InputError("is\nwrong", remedy="write  2", location="bar.path", file="a.toml")
    assert str(whole) == "a.toml: bar.path: is wrong; write 2"
    assert vars(whole) == {
        "finding": "is\nwrong",
        "remedy": "write  2",
        "location": "bar.path",
        "file": "a.toml",
    }


@pytest.mark.parametrize(
    ("own", "given", "told"),
    [
        ({}, ("a.toml", "bar"), "a.toml: bar: is wrong; mend it"),
        ({"location": "bar.path"}, ("a.toml", "bar"), "a.toml: bar.path: is wrong; mend it"),
        ({"file": "b.wav"}, ("a.toml", "bar"), "b.wav: bar: is wrong; mend it"),
        ({"file": "b.wav", "location": "x"}, ("a.toml",), "b.wav: x: is wrong; mend it"),
    ],
)
def test_the_place_that_an_error_knows_itself_stays(own, given, told):
    assert str(InputError("is wrong", remedy="mend it", **own).within(*given)) == told


NAMES = ["D3", "d3", "A2", "High"]


@pytest.mark.parametrize(
    ("name", "meant"),
    [("D3", ["D3"]), ("d3", ["d3"]), ("a2", ["A2"]), ("HIGH", ["High"]), ("hi", []), ("ß", [])],
)
def test_a_name_is_exactly_that_or_else_what_differs_in_case_alone(name, meant):
    assert alike(name, NAMES) == meant


def test_of_two_that_differ_in_case_alone_neither_is_taken():
    assert named("high", NAMES, "there is no group") == "High"
    with pytest.raises(InputError) as refused:
        named("D3", ["d3", "A2", "d3"], "there is no group", location="--group", file="a.toml")
    assert str(refused.value) == "a.toml: --group: there is no group 'D3'; write it as one of d3, d3"
    with pytest.raises(InputError) as refused:
        named("Hihg", NAMES, "there is no group")
    assert str(refused.value) == "there is no group 'Hihg'; did you mean 'High'? have A2, D3, High, d3"
    assert nearest("x", []) == "there are none"
    assert guessed("hgih", NAMES) == "did you mean 'High'? "
    assert guessed("quay", NAMES) == ""
