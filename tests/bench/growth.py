"""How cost grows from one unit to a region, six probes to 300,000, as a picture.

    python -m tests.bench.growth [--quick] [--json FILE]      # some nine minutes on two quiet cores
    python -m tests.bench.growth --from FILE [--picture deploy/growth.svg]

Each number of probes has a record of its own, in a process of its own: units of six probes, a sample
every ten minutes. Measured: what it costs to take a sample of every probe in (without MQTT; a day is
144 of them), the watch's round when an hour is over, the newest samples of all, the Lot as the board
serves it, what a day adds to the record (readings and hours, unsealed), and the memory of watch and board. What takes too long is
reckoned, on the straight line through the two largest sizes that were measured, and drawn hollow.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.bench import board
from tests.bench.board import ROOT
from tests.bench.collect import load, machine, moment, said_of
from tests.bench.intake import memory_mb
from tests.bench.rows import markdown, short
from tests.conftest import unused_port
from tests.signed import session

PROBES = (6, 60, 600, 3_000, 30_000, 300_000)
QUICK = (6, 60)
LOOKS = 5
PAPER, INK, HAIR = "#f8f8f4", "#1b2a33", "#d5dad6"  # of dashboards/assets/board.css
FIGURES = {  # name: what it is, panel, colour of board.css, mark
    "day_s": ("a day taken in", "s", "#0b4a7d", "o"),
    "round_s": ("an hour judged", "s", "#8a3a12", "s"),
    "lot_s": ("Lot page", "s", "#5a4a6a", "^"),
    "latest_s": ("newest samples", "s", "#0b5f73", "D"),
    "day_mb": ("record, a day", "MB", "#6b5433", "v"),
    "board_mb": ("memory, board", "MB", "#5a4a6a", "^"),
    "watch_mb": ("memory, watch", "MB", "#8a3a12", "s"),
}
PANELS = {"s": "seconds", "MB": "megabytes"}


# --- one size -------------------------------------------------------------------------------------


def of_watch(home: Path, units: int) -> dict[str, float]:
    """Taking in and judging, each step in a process of its own."""
    step = [sys.executable, "-m", "tests.bench.sized"]
    subprocess.run([*step, "furnish", str(home), str(units)], cwd=ROOT, check=True)
    told = subprocess.run(
        [*step, "measure", str(home), str(units)], cwd=ROOT, check=True, stdout=subprocess.PIPE
    )
    found: dict[str, float] = json.loads(told.stdout)
    return found


def of_board(home: Path, units: int) -> dict[str, float]:
    """The Lot over HTTP, read anew each time, and the most memory of who serves it."""
    now_s, port = int(time.time()), unused_port()
    board.build(home, units=units, hours=24 if units < 5000 else 6, now_s=now_s, readings=1)
    secret = session(home, now_s=now_s)
    serve = ("-m", "dashboards", "--home", str(home), "--port", str(port))
    with board.serving(*serve, port=port) as pid:
        visitor = board.Visitor(port, secret)
        visitor.page("/")
        took = []
        for _ in range(LOOKS if units < 5_000 else 1):
            time.sleep(board.Lots.LOT_S + 1)
            took.append(visitor.page("/")[0])
        return {"lot_s": statistics.median(took), "board_mb": memory_mb(pid)}


def measured(sizes: tuple[int, ...]) -> Iterator[dict[str, float]]:
    """Figures of each size."""
    for probes in sizes:
        found: dict[str, float] = {"probes": probes}
        for part in (of_watch, of_board):
            with tempfile.TemporaryDirectory() as folder:
                found |= part(Path(folder), probes // len(board.ZONES))
        print({name: round(value, 4) for name, value in found.items()}, file=sys.stderr, flush=True)
        yield found


def reckoned(points: list[dict[str, float]]) -> list[dict[str, float]]:
    """What was not measured, on the straight line through the two largest sizes that were."""
    missing = []
    for probes in PROBES:
        there = next((point for point in points if point["probes"] == probes), {})
        guessed: dict[str, float] = {"probes": probes}
        for name in FIGURES:
            if name not in there:
                real = [(p["probes"], p[name]) for p in points if name in p]
                (x1, y1), (x2, y2) = sorted(real)[-2:]
                guessed[name] = y2 + max(y2 - y1, 0.0) / (x2 - x1) * (probes - x2)
        missing.append(guessed)
    return missing


# --- the picture and the table --------------------------------------------------------------------


def draw(found: dict[str, Any], path: Path) -> None:
    """Two panels above each other, for a phone's width."""
    import matplotlib as mpl

    look = {"font.size": 15, "svg.hashsalt": "sillkeep", "axes.edgecolor": HAIR,
            "text.color": INK, "axes.labelcolor": INK, "xtick.color": INK,
            "ytick.color": INK, "font.family": "DejaVu Sans"}  # fmt: skip
    with mpl.rc_context(look):
        _drawn(found).savefig(path, metadata={"Date": None, "Creator": None})


def _drawn(found: dict[str, Any]) -> Any:
    from matplotlib.figure import Figure

    guessed = reckoned(found["points"])
    figure = Figure(figsize=(7.2, 11), facecolor=PAPER)
    panels = figure.subplots(len(PANELS), 1)
    for panel, (unit, label) in zip(panels, PANELS.items(), strict=True):
        lines = {name: given for name, given in FIGURES.items() if given[1] == unit}
        for name, (_, _, colour, mark) in lines.items():
            _line(panel, found["points"], guessed, name, colour, mark)
        panel.set(xscale="log", yscale="log", facecolor=PAPER, xlim=(4, 2e7))
        panel.yaxis.set_major_formatter(lambda value, _: f"{value:,.10g}")
        _names(panel, found["points"], guessed, lines)
        panel.set_xticks(PROBES, ["6", "60", "600", "3k", "30k", "300k"])
        panel.minorticks_off()
        panel.set_title(label, loc="left", fontsize=16)
        panel.grid(color=HAIR, linewidth=0.8)
        panel.spines[["top", "right"]].set_visible(False)
    _limits(panels[0])
    panels[-1].set_xlabel(
        f"probes; hollow and dashed: reckoned, not measured\n{moment(found)}", fontsize=13
    )
    figure.tight_layout()
    return figure


def _line(panel: Any, points: Any, guessed: Any, name: str, colour: str, mark: str) -> None:
    real = [(p["probes"], p[name]) for p in points if name in p]
    rest = [(p["probes"], p[name]) for p in guessed if name in p]
    panel.plot(*zip(*real, strict=True), color=colour, marker=mark, linewidth=2.4, markersize=8)
    if rest:
        panel.plot(*zip(real[-1], *rest, strict=True), color=colour, linestyle="--", linewidth=1.6)
        panel.plot(*zip(*rest, strict=True), color=colour, marker=mark, markerfacecolor=PAPER,
                   linestyle="", markersize=8)  # fmt: skip


def _names(panel: Any, points: Any, guessed: Any, lines: dict[str, Any]) -> None:
    """Each line's name at its end, apart from each other."""
    ends = {}
    for name in lines:
        both = [p for p in (*points, *guessed) if name in p]
        ends[name] = max(both, key=lambda p: p["probes"])[name]
    low, high = panel.get_ylim()
    apart = (high / low) ** 0.05  # so far a line of words from the next
    at = low
    for name, end in sorted(ends.items(), key=lambda pair: pair[1]):
        words, _, colour, _ = lines[name]
        at = max(end, at * apart)
        panel.annotate(words, (PROBES[-1], end), xytext=(PROBES[-1] * 1.6, at), color=colour,
                       va="center", fontsize=14)  # fmt: skip


def _limits(panel: Any) -> None:
    for limit_s, words in ((3600, "an hour"), (86_400, "a day")):
        panel.axhline(limit_s, color=INK, linewidth=0.8, linestyle=":")
        panel.text(5, limit_s * 1.15, words, fontsize=13)


def table(found: dict[str, Any]) -> str:
    """The same as figures; what is reckoned stands in brackets."""
    guessed = {p["probes"]: p for p in reckoned(found["points"])}
    real = {p["probes"]: p for p in found["points"]}
    lines = []
    for probes in PROBES:
        there = real.get(probes, {})
        lines.append([f"{probes:,}", *(
            short(there[name]) if name in there else f"({short(guessed[probes][name])})"
            for name in FIGURES
        )])  # fmt: skip
    head = [f"{words}, {unit}" for words, unit, *_ in FIGURES.values()]
    return markdown(["probes", *head], lines)


def main(words: list[str] | None = None) -> None:
    """Measure or read, then draw."""
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    asked.add_argument(
        "--quick", action="store_true", help="the smallest sizes; the rest is reckoned"
    )
    asked.add_argument("--json", type=Path, metavar="FILE", help="keep what was measured")
    asked.add_argument("--from", type=Path, metavar="FILE", dest="kept", help="a kept run")
    asked.add_argument("--picture", type=Path, default=ROOT / "deploy/growth.svg", metavar="FILE")
    given = asked.parse_args(words)
    if given.kept is not None:
        found = json.loads(given.kept.read_text(encoding="utf-8"))
    else:
        found = machine() | {"load_begin": load(), "points": []}
        for point in measured(QUICK if given.quick else PROBES):
            found["points"].append(point)
            found["load_end"] = load()
            if given.json is not None:  # a run takes minutes: what is there is kept
                given.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(f"{said_of(found)}. In brackets: reckoned.\n\n{table(found)}")
    draw(found, given.picture)
    print(f"drawn into {given.picture}")


if __name__ == "__main__":
    main()
