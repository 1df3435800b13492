"""A row of the table of benches: a figure of ours beside a yardstick's of the same run.

Each bench that stands in the table has a function `table_rows(*, quick)` that measures and gives such
rows; `tests/bench/run` collects them. `quick` is for seeing that it works: its figures mean nothing.
"""

import json
import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True)
class Row:
    """One comparison; `main` stands in the README too."""

    name: str
    figure: float
    unit: str  # of both; where it ends in "/s" more is better, else less
    yardstick: str
    beside: float
    note: str = ""
    main: bool = False

    @property
    def ratio(self) -> float:
        """Ours over the yardstick's."""
        return self.figure / self.beside


def seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def in_turns(
    runs: int, ours: Callable[[], float], theirs: Callable[[], float]
) -> tuple[float, float]:
    """Medians of two figures that are measured in turns, so that another load meets both."""
    pairs = [(ours(), theirs()) for _ in range(runs)]
    mine, other = (statistics.median(column) for column in zip(*pairs, strict=True))
    return mine, other


def short(value: float) -> str:
    """Three figures, thousands apart."""
    if abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.3g}"


def markdown(head: Iterable[str], lines: Iterable[Iterable[str]]) -> str:
    """A table with its columns below each other; figures to the right."""
    table = [list(head), *(list(line) for line in lines)]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    right = [
        all(line[k].strip("()")[:1].isdigit() and " " not in line[k] for line in table[1:])
        for k in range(len(widths))
    ]

    def row(cells: list[str]) -> str:
        padded = (
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(cells, widths, right, strict=True)
        )
        return f"| {' | '.join(padded)} |"

    rule = (f"{'-' * (width + 1)}{':' if to_right else '-'}"
            for width, to_right in zip(widths, right, strict=True))  # fmt: skip
    return "\n".join([row(table[0]), f"|{'|'.join(rule)}|", *map(row, table[1:])])


HEAD = ("what", "figure", "unit", "beside", "its figure", "ratio", "note")


def cells(row: Row) -> tuple[str, ...]:
    """A row as `HEAD` names it."""
    return (row.name, short(row.figure), row.unit, row.yardstick, short(row.beside),
            f"{row.ratio:.2g}" if row.ratio < 10 else short(row.ratio), row.note)  # fmt: skip


def told(rows: Iterable[Row]) -> str:
    """Rows as a table."""
    return markdown(HEAD, map(cells, rows))


def kept(path: Path, found: dict[str, object], rows: Iterable[Row]) -> None:
    """Keep a run, each row with its ratio."""
    lines = [asdict(row) | {"ratio": row.ratio} for row in rows]
    path.write_text(json.dumps(found | {"rows": lines}, indent=1) + "\n", encoding="utf-8")


def read(path: Path) -> tuple[dict[str, object], list[Row]]:
    """A kept run again."""
    found = json.loads(path.read_text(encoding="utf-8"))
    lines = found.pop("rows")
    for line in lines:
        del line["ratio"]
    return found, [Row(**line) for line in lines]
