"""Our frozen records against the standard library's."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import Any, ClassVar

import pytest

from synth.frozen import frozen

Made = pytest.mark.parametrize("made", [frozen, dataclass(frozen=True)], ids=["ours", "the library's"])


def _kinds(made: Any) -> tuple[Any, Any]:
    @made
    class Rod:
        """A rod."""

        length: float
        name: str = "rod"
        nuts: list[int] = field(default_factory=list)
        origin: str = field(default="", compare=False, repr=False)
        kinds: ClassVar[int] = 3

        @cached_property
        def double(self) -> float:
            return 2 * self.length

    @made
    class Thread(Rod):
        pitch: float = 0.5

        def __post_init__(self) -> None:
            if self.pitch <= 0:
                raise ValueError("pitch")

    return Rod, Thread


@Made
def test_fields_are_set_in_their_order_by_name_and_by_default(made):
    rod, thread = _kinds(made)
    one = thread(2.0, "M3", pitch=0.7)
    assert (one.length, one.name, one.nuts, one.origin, one.pitch) == (2.0, "M3", [], "", 0.7)
    assert rod(1.0).nuts is not rod(1.0).nuts
    assert rod(1.0, nuts=[4]).nuts == [4]
    assert [each.name for each in fields(thread)] == ["length", "name", "nuts", "origin", "pitch"]
    assert asdict(rod(1.0)) == {"length": 1.0, "name": "rod", "nuts": [], "origin": ""}
    assert rod.__match_args__ == ("length", "name", "nuts", "origin")


@Made
@pytest.mark.parametrize(
    "words", [((), {}), ((1.0,) * 6, {}), ((1.0,), {"length": 2.0}), ((1.0,), {"width": 1.0})]
)
def test_what_does_not_fit_is_refused(made, words):
    rod, _ = _kinds(made)
    with pytest.raises(TypeError, match="__init__"):
        rod(*words[0], **words[1])


@Made
def test_what_is_made_cannot_be_changed(made):
    for kind in _kinds(made):
        one = kind(1.0)
        for name in ("length", "anything"):
            with pytest.raises(FrozenInstanceError, match=f"cannot assign to field '{name}'"):
                setattr(one, name, 2.0)
        with pytest.raises(FrozenInstanceError, match="cannot delete field 'length'"):
            del one.length
        assert one.length == 1.0
        assert one.double is one.double  # kept beside the fields all the same


@Made
def test_equal_is_what_has_equal_fields_and_is_of_one_kind(made):
    rod, thread = _kinds(made)
    assert rod(1.0, nuts=[2]) == rod(1.0, nuts=[2], origin="another")
    assert rod(1.0) != rod(1.5)
    assert rod(1.0, "a") != rod(1.0, "b")
    assert rod(1.0) != thread(1.0)
    assert thread(1.0, pitch=0.6) != thread(1.0)
    assert rod(1.0) != 1.0
    assert hash(rod(1.0, nuts=(2,))) == hash(rod(1.0, nuts=(2,), origin="another"))
    with pytest.raises(TypeError, match="unhashable"):
        hash(rod(1.0))


@Made
def test_it_is_shown_and_replaced_by_its_fields(made):
    rod, thread = _kinds(made)
    shown = repr(thread(1.0, "M3"))
    assert shown.endswith("Thread(length=1.0, name='M3', nuts=[], pitch=0.5)")
    assert replace(thread(1.0, "M3"), pitch=0.8) == thread(1.0, "M3", pitch=0.8)
    with pytest.raises(ValueError, match="pitch"):
        replace(thread(1.0), pitch=0.0)
    one = rod(1.0)
    one.nuts.append(one)
    assert "..." in repr(one)


def test_what_is_only_itself_equals_itself_alone_and_shows_no_field():
    @frozen(eq=False, repr=False)
    class Alone:
        value: int

    one, other = Alone(1), Alone(1)
    assert one == one
    assert one != other
    assert len({one, other}) == 2
    assert "value" not in repr(one)


def test_what_a_class_defines_itself_is_kept():
    @frozen
    class Own:
        value: int

        def __eq__(self, other: object) -> bool:
            return True

        def __repr__(self) -> str:
            return "own"

    assert Own(1) == Own(2)
    assert repr(Own(1)) == "own"
    assert hash(Own(1)) == hash((1,))  # as the library has it


def test_of_one_field_and_of_none():
    @frozen
    class One:
        value: int

    @frozen
    class Nothing:
        pass

    assert (One(1) == One(1), One(1) == One(2), Nothing() == Nothing()) == (True, False, True)
    assert (hash(One(1)), hash(Nothing())) == (hash((1,)), hash(()))
    assert repr(Nothing()).endswith("Nothing()")


def test_a_field_that_nobody_here_uses_is_refused():
    class Named:
        value: int = field(kw_only=True)

    class Left:
        value: int = field(init=False)

    for kind in (Named, Left):
        with pytest.raises(TypeError, match="does not know"):
            frozen(kind)


@frozen
class Kept:
    value: int
    more: tuple[int, ...] = ()


def test_it_is_copied_and_pickled():
    one = Kept(1, (2, 3))
    assert copy.copy(one) == copy.deepcopy(one) == pickle.loads(pickle.dumps(one)) == one
