"""Frozen records, as `dataclasses.dataclass(frozen=True)` makes them, in a quarter of the time.

A command defines a hundred and more of them before it begins, and for each the standard library writes six methods
as text and has them compiled. Here one is, what makes an instance, and that when there is a first, which half of
them never have; the others are shared functions that know the fields. What a field is stays the library's: `field`,
`fields`, `replace`, `asdict` and `match` work as they do.
"""

from __future__ import annotations

import dataclasses
import operator
import reprlib
from collections.abc import Callable
from dataclasses import MISSING, Field, FrozenInstanceError, field
from typing import Any, Final, dataclass_transform

_LATER: Final = object()  # stands for a default that is made for each instance


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(kind: type[Any] | None = None, *, eq: bool = True, repr: bool = True) -> Any:
    """A class whose annotations are the fields of its instances, which cannot be changed.

    `eq=False`: an instance equals itself alone. `repr=False`: its fields are not shown. What the class defines
    itself is kept. TypeError for fields given by name alone or left out of what makes an instance: none is.
    """

    def made(kind: type[Any]) -> type[Any]:
        kind.__doc__ = kind.__doc__ or kind.__name__  # the library would write its signature there: long work
        kind = dataclasses.dataclass(init=False, repr=False, eq=False)(kind)
        own = dataclasses.fields(kind)
        if any(each.kw_only or not each.init for each in own):
            raise TypeError(f"{kind.__name__} has a field that `frozen` does not know how to set")
        methods = {"__init__": _maker(kind, own), **_refusals(kind, {each.name for each in own})}
        if repr:
            methods["__repr__"] = _shown(tuple(each.name for each in own if each.repr))
        if eq:
            methods |= _compared(tuple(each.name for each in own if each.compare))
        for name, method in methods.items():
            if vars(kind).get(name) is None:  # a class that says what is equal has None for its hash
                setattr(kind, name, method)
        return kind

    return made if kind is None else made(kind)


def _maker(kind: type[Any], own: tuple[Field[Any], ...]) -> Callable[..., None]:
    """`__init__` until there is a first instance; then what is written takes its place."""

    def first(self: Any, *given: Any, **named: Any) -> None:
        make = _written(kind, own)
        if vars(kind)["__init__"] is first:
            setattr(kind, "__init__", make)  # noqa: B010
        make(self, *given, **named)

    return first


def _written(kind: type[Any], own: tuple[Field[Any], ...]) -> Callable[..., None]:
    """`__init__`, written for its fields: by far the most used of the methods."""
    given, values, names = [], [], {"_later": _LATER}
    for each in own:
        value, name = each.name, each.name
        if each.default is not MISSING:
            names[f"_default_{name}"] = each.default
            given.append(f"{name}=_default_{name}")
        elif each.default_factory is not MISSING:
            names[f"_make_{name}"] = each.default_factory
            given.append(f"{name}=_later")
            value = f"_make_{name}() if {name} is _later else {name}"
        else:
            given.append(name)
        values.append(f" _self.__dict__[{name!r}] = {value}\n")
    then = " _self.__post_init__()\n" if hasattr(kind, "__post_init__") else ""
    exec(f"def __init__(_self, {', '.join(given)}):\n{''.join(values)}{then or ' pass'}", names)
    return names["__init__"]  # type: ignore[return-value]


def _refusals(kind: type[Any], own: set[str]) -> dict[str, Callable[..., Any]]:
    def set_(self: Any, name: str, value: Any) -> None:
        if type(self) is kind or name in own:
            raise FrozenInstanceError(f"cannot assign to field {name!r}")
        super(kind, self).__setattr__(name, value)

    def delete(self: Any, name: str) -> None:
        if type(self) is kind or name in own:
            raise FrozenInstanceError(f"cannot delete field {name!r}")
        super(kind, self).__delattr__(name)

    return {"__setattr__": set_, "__delattr__": delete}


def _shown(names: tuple[str, ...]) -> Callable[..., Any]:
    @reprlib.recursive_repr()
    def shown(self: Any) -> str:
        return f"{type(self).__qualname__}({', '.join(f'{name}={getattr(self, name)!r}' for name in names)})"

    return shown


def _compared(names: tuple[str, ...]) -> dict[str, Callable[..., Any]]:
    values = _values(names)

    def equal(self: Any, other: Any) -> Any:
        return values(self) == values(other) if type(self) is type(other) else NotImplemented

    return {"__eq__": equal, "__hash__": lambda self: hash(values(self))}


def _values(names: tuple[str, ...]) -> Callable[[Any], tuple[Any, ...]]:
    if len(names) > 1:
        return operator.attrgetter(*names)
    return lambda record: tuple(getattr(record, name) for name in names)
