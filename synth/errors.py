"""What a user may be told: the one exception that the doors turn into a line and exit code 2.

In: the fact, where it is known. Out: one line such as
`designs/quay-rail.toml: group[2].stock: 'M7' is not in stock; have M2, M3.`
"""

from __future__ import annotations

from collections.abc import Iterable


class InputError(Exception):
    """Something the user gave cannot be used: file, place inside it, what was found, what would be right.

    Raised where the fact is known and caught only in `synth.doors`. Any part that is not known stays empty;
    a caller that knows the file adds it with `within`.
    """

    def __init__(self, finding: str, *, remedy: str = "", location: str = "", file: str = "") -> None:
        self.finding = finding
        self.remedy = remedy
        self.location = location
        self.file = file
        super().__init__(str(self))

    def __str__(self) -> str:
        where = [part for part in (self.file, self.location) if part]
        what = [part for part in (self.finding, self.remedy) if part]
        return " ".join(": ".join([*where, "; ".join(what)]).split())

    def within(self, file: str, location: str = "") -> InputError:
        """The same error, said of this file (and of this place, when it names none itself)."""
        return InputError(
            self.finding, remedy=self.remedy, location=self.location or location, file=self.file or file
        )


class ProcessLostError(Exception):
    """A process that shared the work ended before it was done: how, in a sentence. Exit code 1."""


def alike(name: str, known: Iterable[str]) -> list[str]:
    """What of `known` may be meant by `name`: exactly that, or else all that differ from it in case alone."""
    names = list(known)
    return [each for each in names if each == name] or [
        each for each in names if each.casefold() == name.casefold()
    ]


def named(name: str, known: Iterable[str], finding: str, *, location: str = "", file: str = "") -> str:
    """The one of `known` that is called `name`: exactly so, or else the only one that differs in case.

    Raises `InputError` with `finding` ("there is no group") where there is none, or several.
    """
    names = list(known)
    same = alike(name, names)
    if len(same) == 1:
        return same[0]
    remedy = f"write it as one of {', '.join(same)}" if same else nearest(name, names)
    raise InputError(f"{finding} '{name}'", remedy=remedy, location=location, file=file)


def nearest(name: str, known: Iterable[str]) -> str:
    """A remedy for a name that is not known: "did you mean ...?" where one is close, else what there is."""
    names = sorted(known)
    return guessed(name, names) + (f"have {', '.join(names)}" if names else "there are none")


def guessed(name: str, known: Iterable[str]) -> str:
    """The question "did you mean ...? " where one of `known` is close to a name, else nothing."""
    import difflib

    lower = {each.lower(): each for each in known}
    close = difflib.get_close_matches(name.lower(), lower, n=1, cutoff=0.6)
    return f"did you mean '{lower[close[0]]}'? " if close else ""
