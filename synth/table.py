"""A table of results, said once: what stands in a column, under which key and heading, in which unit.

In: columns and rows, objects or mappings. Out: text for a terminal, data (JSON, CSV) with units in the keys, or the
table of a web page. What is not there, or is no finite number, is an empty cell and null in data.
"""

from __future__ import annotations

import csv
import io
import json
import math
import operator
import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from synth.frozen import frozen

_NARROWEST: Final = 12  # letters of a column that is wrapped for a narrow terminal
_MINUS_NOTHING: Final = re.compile(r"-(?=0*\.?0*$)")


@frozen
class Column:
    """`key` names it in data (none: not there), `heading` for people (None: not there).

    `value` takes the cell out of a row; by default what the row calls by the key. `unit` is the size in SI of the
    unit that key and heading name, by which numbers are divided. `format` is a format string or a function of the
    value in its unit; `empty` stands where there is none. `pencil` leaves the column wide for writing on paper.
    """

    key: str
    heading: str | None = None
    format: str | Callable[[Any], str] = "{}"
    value: Callable[[Any], Any] | None = None
    unit: float = 1.0
    empty: str = ""
    pencil: bool = False

    def of(self, row: Any) -> Any:
        """The value in its unit; None where there is no finite one."""
        if self.value is not None:
            return plain(self.value(row), self.unit)
        return plain(row[self.key] if isinstance(row, Mapping) else getattr(row, self.key), self.unit)

    def words(self, row: Any) -> str:
        """The cell as it is shown; what rounds to nothing has no minus."""
        value = self.of(row)
        if value is None:
            return self.empty
        return self.formatted(value)

    def formatted(self, value: Any) -> str:
        """A value in its unit as it is shown."""
        said = self.format.format(value) if isinstance(self.format, str) else self.format(value)
        plus = "+" if isinstance(self.format, str) and "+" in self.format else ""
        return _MINUS_NOTHING.sub(plus, said) if isinstance(value, float) else said


@frozen
class Table:
    """Columns over rows. `ticks` puts a box to tick before every row on paper and page."""

    columns: Sequence[Column]
    rows: Sequence[Any]
    ticks: bool = False

    @property
    def shown(self) -> list[Column]:
        return [each for each in self.columns if each.heading is not None]

    @property
    def heads(self) -> tuple[str, ...]:
        return tuple(each.heading or "" for each in self.shown)

    @property
    def cells(self) -> tuple[tuple[str, ...], ...]:
        return tuple(tuple(each.words(row) for each in self.shown) for row in self.rows)

    def text(self, width: int | None = None) -> str:
        """Columns two spaces apart, numbers right, words left; in a `width` the widest words are wrapped."""
        columns = [list(column) for column in zip(self.heads, *self.cells, strict=True)]
        right = [len(column) > 1 and all(map(_is_number, column[1:])) for column in columns]
        widths = [max(map(len, column)) for column in columns]
        if width is not None and not all(right):
            widest = max((n for n, turned in enumerate(right) if not turned), key=lambda n: widths[n])
            over = sum(widths) + 2 * (len(widths) - 1) - width
            widths[widest] = min(widths[widest], max(widths[widest] - over, _NARROWEST))
        return "\n".join(line for row in zip(*columns, strict=True) for line in _lines(row, widths, right))

    def data(self) -> list[dict[str, Any]]:
        """A mapping a row, by the keys."""
        return [{each.key: each.of(row) for each in self.columns if each.key} for row in self.rows]

    def json(self) -> str:
        return as_json(self.data())

    def csv(self, *, rounded: bool = False) -> str:
        """A line of keys, then one a row: numbers in full, or as they are shown."""
        keyed = [each for each in self.columns if each.key]
        out = io.StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow([each.key for each in keyed])
        writer.writerows(
            [each.words(row) if rounded else each.of(row) for each in keyed] for row in self.rows
        )
        return out.getvalue()

    def html(self) -> str:
        """A `table` element; a box to tick before every row where `ticks` asks for it."""
        tick = '<td><input type="checkbox" aria-label="done"></td>' if self.ticks else ""
        heads = ("<th></th>" if self.ticks else "") + _joined("th", self.heads, [""] * len(self.heads))
        looks = [' class="write"' if each.pencil else "" for each in self.shown]
        rows = "\n".join(f"<tr>{tick}{_joined('td', row, looks)}</tr>" for row in self.cells)
        return f"<table>\n<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>"


def of_words(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    ticks: bool = False,
    pencil: Sequence[str] = (),
) -> Table:
    """A table of words that stand in rows already."""
    columns = [
        Column("", head, value=operator.itemgetter(n), pencil=head in pencil) for n, head in enumerate(heads)
    ]
    return Table(columns, rows, ticks)


def plain(value: Any, unit: float = 1.0) -> Any:
    """Data without arrays and without what JSON has no word for: infinity and NaN become None."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {key: plain(each, unit) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each, unit) for each in value]
    if isinstance(value, float):
        return value / unit if math.isfinite(value) else None
    return value


def as_json(data: Any) -> str:
    """Data as every command prints it."""
    return json.dumps(plain(data), indent=1, ensure_ascii=False)


def _lines(row: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> Iterable[str]:
    """One row; several lines where a cell is wider than its column."""
    wrapped = [
        textwrap.wrap(cell, width) if len(cell) > width else [cell]
        for cell, width in zip(row, widths, strict=True)
    ]
    for n in range(max(map(len, wrapped))):
        cells = [parts[n] if n < len(parts) else "" for parts in wrapped]
        yield "  ".join(
            cell.rjust(width) if turned else cell.ljust(width)
            for cell, width, turned in zip(cells, widths, right, strict=True)
        ).rstrip()


def _joined(tag: str, cells: Sequence[str], looks: Sequence[str]) -> str:
    from html import escape

    return "".join(f"<{tag}{look}>{escape(cell)}</{tag}>" for cell, look in zip(cells, looks, strict=True))


def _is_number(words: str) -> bool:
    try:
        float(words)
    except ValueError:
        return words == ""
    return True
