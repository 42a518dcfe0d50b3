"""A table in a given width, in which numbers are never cut and names wrap."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hilkit.reports.lines import STYLES, Line, line, visible, wrapped

__all__ = ["table"]

_SHORTEST_NAME = 14
_GAP = "  "


def table(
    heading: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    width: int,
    indent: int = 2,
    right: Sequence[int] = (),
    below: Sequence[Sequence[Line]] = (),
) -> list[Line]:
    """Lay out rows in columns: first a name, which wraps to what the others leave, last a verdict word.

    Columns in ``right`` are set to the right. Where not even a short name fits beside the numbers, it gets
    lines of its own. A row of three cells has one text across all columns between name and verdict. ``below``
    has further lines for under each row.
    """
    layout = _Layout(heading, [tuple(visible(cell) for cell in row) for row in rows], width, indent, right)
    return layout.lines(below)


class _Layout:
    """Widths of the columns, and the rows set in them."""

    def __init__(
        self,
        heading: Sequence[str],
        body: list[tuple[str, ...]],
        width: int,
        indent: int,
        right: Sequence[int],
    ) -> None:
        self.heading = tuple(heading)
        self.body = body
        self.width = width
        self.indent = " " * indent
        self.right = right
        whole = [self.heading, *(row for row in body if len(row) == len(self.heading))]
        self.sizes = [max(len(row[column]) for row in whole) for column in range(len(self.heading))]
        room = width - indent - sum(self.sizes[1:]) - len(_GAP) * (len(self.heading) - 1)
        longest = max(len(row[0]) for row in (self.heading, *body))
        self.name_apart = room < min(_SHORTEST_NAME, longest)
        self.sizes[0] = min(longest, max(room, 0) if self.name_apart else room)

    def lines(self, below: Sequence[Sequence[Line]]) -> list[Line]:
        lines = [line(f"{self.indent}{self.heading[0]}", "quiet")] if self._heading_apart else []
        first = "" if self._heading_apart else self.heading[0]
        lines.append(self.set((first, *self.heading[1:]), style="quiet"))
        for number, row in enumerate(self.body):
            lines += self.row(row)
            lines += below[number] if below else ()
        return lines

    @property
    def _heading_apart(self) -> bool:
        return len(self.heading[0]) > self.sizes[0]

    def row(self, row: tuple[str, ...]) -> list[Line]:
        first, *more = _broken(row[0], self.sizes[0]) or [row[0]]
        if len(first) > self.sizes[0] or (self.name_apart and more):
            return [*wrapped(row[0], width=self.width, indent=self.indent), self.set(("", *row[1:]))]
        return [self.set((first, *row[1:])), *(line(f"{self.indent}  {name}") for name in more)]

    def set(self, row: tuple[str, ...], *, style: str = "") -> Line:
        cells = [
            cell.rjust(size) if column in self.right else cell.ljust(size)
            for column, (cell, size) in enumerate(zip(row, self.sizes, strict=False))
        ]
        if len(row) < len(self.sizes):
            between = sum(self.sizes[1:-1]) + len(_GAP) * (len(self.sizes) - 3)
            cells = [row[0].ljust(self.sizes[0]), row[1].ljust(between), row[-1]]
        word = row[-1]
        front = self.indent + _GAP.join(cells[:-1]) + _GAP
        return Line(((front, style), (word, style or (word if word in STYLES else ""))))


def _broken(name: str, size: int) -> list[str]:
    """Break a name between words, later lines two shorter for their indent; no lines where a word is longer.

    A word stays whole, so that a log can be searched for the name of a reading.
    """
    lines: list[str] = []
    for word in name.split():
        if lines and len(lines[-1]) + 1 + len(word) <= (size if len(lines) == 1 else size - 2):
            lines[-1] += f" {word}"
        else:
            lines.append(word)
        if len(lines[-1]) > (size if len(lines) == 1 else size - 2):
            return []
    return lines
