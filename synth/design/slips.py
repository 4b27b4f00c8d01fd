"""The usual slips in a TOML file, told in the maker's words: what stands there and what to write.

In: the text and what the parser says of it. Out: an `InputError` of one line, with the line's number.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from synth.errors import InputError

_AT: Final = re.compile(r"\(at (?:line (\d+), column \d+|end of document)\)$")
_STRING: Final = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_RATIO: Final = re.compile(
    r"(?<![\w.-])(\d+\s*[/:]\s*\d+)(?![\w./:-])"
)  # a date has dashes, a time two colons
_COMMA: Final = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(?=$|\}|,\s*\w+\s*=)")
_WORD: Final = re.compile(r"=\s*([^\W\d][^\"',\[\]{}=]*)")
_COLON: Final = re.compile(r"^\s*(\w+)\s*:")
_CURLY: Final = re.compile(r"[\u2018-\u201f\u00ab\u00bb]")
_TABLE: Final = re.compile(r"^\s*\[\s*([^\[\]]+?)\s*\]\s*$")
_PATH: Final = re.compile(r"^\s*\[{1,2}([^\[\]]+)\]{1,2}\s*$|^\s*([^=\[\]{}]+?)\s*=")
_BARE: Final = re.compile(r'[A-Za-z0-9_-]+|""')  # what TOML takes for a name, strings emptied
_SHOWN: Final = 40  # characters of what stands there


def slip(text: str, said: str) -> InputError:
    """What to tell of text that is not TOML; `said` is the parser's own message."""
    lines = text.split("\n")
    at = _AT.search(said)
    number = int(at[1]) if at and at[1] else len(lines)
    # the parser may notice a slip only lines later, where an unclosed list meets its next key
    for here in (number, *range(number - 1, max(0, number - 4), -1)):
        written = _plain(lines[here - 1]) if here <= len(lines) else ""
        for look in _LOOKS:
            found = look(written, said)
            if found is not None:
                return InputError(found[0], remedy=found[1], location=f"line {here}")
    where = _AT.sub("", said).strip()
    return InputError(f"not TOML: {where}", location=f"line {number}")


def _plain(line: str) -> str:
    """The line without comment, and its strings emptied."""
    return _STRING.sub('""', line).split("#", 1)[0].rstrip()


def _name(line: str, _: str) -> tuple[str, str] | None:
    """A table's name or a key with a letter, or a space, that TOML wants quotes for."""
    found = _PATH.match(line)
    parts = (part.strip() for part in (found[1] or found[2]).split(".")) if found else ()
    odd = next((part[:_SHOWN] for part in parts if part and not _BARE.fullmatch(part)), None)
    return None if odd is None else (f"the name {odd} stands without quotes", f'write it in quotes: "{odd}"')


def _ratio(line: str, _: str) -> tuple[str, str] | None:
    found = _RATIO.search(line)
    return found and (f"{found[1]} is no number", f'write a ratio in quotes: "{found[1]}"')


def _comma(line: str, _: str) -> tuple[str, str] | None:
    found = _COMMA.search(line)
    return found and (
        f"{found[1]},{found[2]} has a decimal comma",
        f"write it with a point: {found[1]}.{found[2]}",
    )


def _curly(line: str, _: str) -> tuple[str, str] | None:
    found = _CURLY.search(line)
    return found and (f"{found[0]} is a printer's quote", 'write straight quotes: "..."')


def _word(line: str, _: str) -> tuple[str, str] | None:
    found = _WORD.search(line)
    if found is None or found[1].strip() in ("true", "false", "nan", "inf"):
        return None
    word = found[1].strip()[:_SHOWN]
    return f"{word} stands without quotes", f'write text in quotes: "{word}"'


def _colon(line: str, _: str) -> tuple[str, str] | None:
    found = _COLON.match(line)
    return found and (f"'{found[1][:_SHOWN]}' is followed by a colon", f"write {found[1][:_SHOWN]} = ...")


def _open_quote(line: str, _: str) -> tuple[str, str] | None:
    if line.replace('""', "").count('"') % 2 == 0:
        return None
    return "a quote is not closed", 'write text in quotes, on one line: "..."'


def _twice(line: str, said: str) -> tuple[str, str] | None:
    if "overwrite" not in said and "twice" not in said and "immutable" not in said:
        return None
    table = _TABLE.match(line)
    if line.lstrip().startswith("[["):
        name = line.strip("[] ")[:_SHOWN]
        return f"[[{name}]] follows a [{name}]", f"write [[{name}]] above, too, in double brackets"
    if table is None:
        if "=" not in line:  # the end of a value over several lines: its key stands above
            return None
        key = line.split("=", 1)[0].strip()[:_SHOWN]
        return f"'{key}' is given twice", "keep one"
    name = table[1][:_SHOWN]
    return f"[{name}] is written twice", f"keep one, or write [[{name}]] each time where several are meant"


_LOOKS: Final[tuple[Callable[[str, str], tuple[str, str] | None], ...]] = (
    _twice,
    _name,
    _ratio,
    _comma,
    _curly,
    _open_quote,
    _colon,
    _word,
)
