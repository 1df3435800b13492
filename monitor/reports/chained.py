"""Whether a packet is what its chain of days has: nothing otherwise, and nothing left out.

A signer can leave a line out, pass it off as another unit's, number revisions anew, put lines on days that
they are not of. Each is looked for by itself, so that the one sentence says what is wrong.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from monitor import watch
from monitor.judge import proofs
from monitor.lot import CaseNote
from monitor.reports.packed import DAY_S, FORMAT, Lines, Table, read_events, read_notes, real
from monitor.store import ProofRevision, ProofStep, chaining, proving
from monitor.times import parse_time
from monitor.written import rfc3339


def unchained(
    tables: Mapping[str, Lines],
    hours: Mapping[str, Table],
    steps: Sequence[proofs.Revision],
    manifest: Mapping[str, Any],
) -> tuple[str, str]:
    """What is wrong with the chain, "" nothing; and what it says."""
    days, rows = tables["chain.csv"], tables["leaves.csv"]
    closed = {day["day"] for day in days}
    own = [row["leaf"] for row in rows if row["leaf"]]
    notes = read_notes(tables["cases.csv"])
    told = _told(tables["revisions.csv"])
    digests = proofs.digests(hours)
    problem = (
        _broken(days, rows, manifest)
        or _stray(days, rows, manifest)
        or _uncounted(own, manifest)
        or _other_digests(own, digests)
        or _untold(own, told, manifest)
        or _left_out(own, tables, notes, manifest)
        or _unsaid(told, steps, manifest)
    )
    if problem:
        return problem, ""
    held = set(own)
    late: list[str] = [note.kind for note in notes if watch.case_leaf(note) not in held]
    late += [e.kind for e in read_events(tables["events.csv"]) if watch.event_leaf(e) not in held]
    open_ = sum(row["day"] not in closed for row in rows)
    said = [
        f"{len(days)} days to {manifest['chain']['head'] if days else 'none yet'}",
        f"{open_} lines of a day that is not over, {len(late)} entries not in it yet"
        + (f" ({', '.join(late)})" if late else ""),
        *_came_late(rows, closed, digests),
        *_unheld(own, told, manifest),
    ]
    return "", "; ".join(said)


def _told(lines: Lines) -> list[ProofRevision]:
    """Revisions as a packet has them; forms before 3 have no figures."""
    return [
        ProofRevision(
            int(row["number"]),
            ProofStep(
                parse_time(row["time"]),
                row["verdict"],
                real(row["size_ml"]),
                tuple(filter(None, row["missing"].split("; "))),
                _figures(row.get("figures", "")),
            ),
            row["reason"],
            row["rules"],
            parse_time(row["recorded"]),
        )
        for row in lines
    ]


def _figures(written: str) -> dict[str, float]:
    pairs = (one.rsplit(" ", 1) for one in filter(None, written.split("; ")))
    return {name: float(value) for name, value in pairs}


def _stray(days: Lines, rows: Lines, manifest: Mapping[str, Any]) -> str:
    """First leaf of a day that it cannot be of.

    A clock that was set back notes on the day after the last that is closed, whatever the day.
    """
    order = [int(row["day"]) for row in rows]
    if order != sorted(order):
        return "the lines of the chain are not in the order of their days"
    last = int(days[-1]["day"]) if days else None
    latest = max(parse_time(manifest["made"]) // DAY_S, -1 if last is None else last + 1)
    for day in order:
        if day > latest:
            return f"a line of the chain is of {_date(day)}, after the packet was made"
        if last is not None and day < int(days[0]["day"]):
            return f"a line of the chain is of {_date(day)}, a day before its first"
    return ""


def _uncounted(own: Sequence[str], manifest: Mapping[str, Any]) -> str:
    """Whether lines of the unit are left out of the chain; versions before did not count them."""
    if manifest["format"] != FORMAT:
        return ""
    if not chaining.is_counted(own) or (not own and manifest["revision"]):
        return "the chain does not count its last lines"
    for number, leaf in enumerate(own, 1):
        if leaf.startswith(f"{chaining.COUNT}\t") and leaf != chaining.count_line(number):
            return (
                f"lines of the chain are left out: the {number}th says of itself {leaf.split()[1]}"
            )
    return ""


def _other_digests(own: Sequence[str], digests: Mapping[tuple[str, int], str]) -> str:
    """Hours of a zone and day that the chain does not have so, in words."""
    last = dict(leaf.rsplit("\t", 1) for leaf in own if leaf.startswith("hours\t"))
    for (zone, day), digest in digests.items():
        if last.get(f"hours\t{zone}\t{day}") != digest:
            return f"the hours of {zone} on {_date(day)} are not those that were chained"
    return ""


def _untold(own: Sequence[str], told: Sequence[ProofRevision], manifest: Mapping[str, Any]) -> str:
    """What is wrong with the revisions beside the chain."""
    count = manifest["revision"]
    if [one.number for one in told] != list(range(1, count + 1)):
        return f"the revisions are not those from 1 to {count}, each once"
    zone, repaired_s = manifest["zone"], parse_time(manifest["repaired"])
    held = set(own)
    known = set()
    for one in told:
        short, whole = _revision_leaves(zone, repaired_s, one, manifest)
        known |= {short, whole}
        if whole not in held and short not in held:
            return f"revision {one.number} is not the one that was chained"
    for leaf in own:
        cells = leaf.split("\t")
        if cells[:3] == ["revision", zone, str(repaired_s)] and leaf not in known:
            return f"revision {cells[3]} was chained otherwise, or is left out"
    return ""


def _revision_leaves(
    zone: str, repaired_s: int, told: ProofRevision, manifest: Mapping[str, Any]
) -> tuple[str, str]:
    """A revision as a leaf without its size and figures, and with them where it has them."""
    short = watch.short_revision_leaf(zone, repaired_s, told)
    is_whole = manifest["format"] == FORMAT
    return short, watch.revision_leaf(zone, repaired_s, told) if is_whole else short


def _unsaid(
    told: Sequence[ProofRevision], steps: Sequence[proofs.Revision], manifest: Mapping[str, Any]
) -> str:
    """Whether the hours say turns of the verdict that no revision tells; not asked of older forms."""
    if manifest["format"] != FORMAT:
        return ""
    worked = [ProofStep(s.at_s, s.verdict, s.size_ml, s.missing, s.figures) for s in steps]
    missing = proving.changed(told, worked)
    return (
        f"no revision tells what the hours say from {rfc3339(missing[0].at_s)} on"
        if missing
        else ""
    )


def _left_out(
    own: Sequence[str],
    tables: Mapping[str, Lines],
    notes: Sequence[CaseNote],
    manifest: Mapping[str, Any],
) -> str:
    """An event of the unit or an entry of the repair that the chain has and the packet has not."""
    zones = {"", *(row["code"] for row in tables["zones.csv"] if row["unit"])}
    here = {watch.event_leaf(event) for event in read_events(tables["events.csv"])}
    here |= {watch.case_leaf(note) for note in notes}
    repaired_s = str(parse_time(manifest["repaired"]))
    for leaf in own:
        cells = leaf.split("\t")
        is_event = cells[0] == "event" and cells[2] == manifest["unit"] and cells[3] in zones
        is_entry = cells[:3] == ["case", manifest["zone"], repaired_s]
        if (is_event or is_entry) and leaf not in here:
            what = cells[4] if is_event else cells[3]
            return f"{'an event' if is_event else 'an entry'} that was chained is left out: {what}"
    return ""


def _came_late(
    rows: Lines, closed: Collection[str], digests: Collection[tuple[str, int]]
) -> Iterator[str]:
    """Zones and days whose hours were chained, then others; and those that no longer have any."""
    stood: dict[tuple[str, int], tuple[str, str]] = {}
    late: dict[str, set[int]] = {}
    for row in rows:
        if row["leaf"].startswith("hours\t"):
            _, zone, day, digest = row["leaf"].split("\t")
            was, noted = stood.get((zone, int(day)), (digest, ""))
            if was != digest and noted in closed and noted != row["day"]:
                late.setdefault(zone, set()).add(int(day))
            stood[zone, int(day)] = (digest, row["day"])
    gone: dict[str, set[int]] = {}
    for of_zone, of_day in stood:
        if (of_zone, of_day) not in digests:
            gone.setdefault(of_zone, set()).add(of_day)
    if late:
        yield f"changed by late data after their day was chained: {_days_text(late)}"
    if gone:
        yield f"chained once, and not in the packet: {_days_text(gone)}"


def _unheld(
    own: Sequence[str], told: Sequence[ProofRevision], manifest: Mapping[str, Any]
) -> Iterator[str]:
    """Revisions whose size and figures no leaf has, and what else an older form cannot show."""
    zone, repaired_s = manifest["zone"], parse_time(manifest["repaired"])
    if manifest["format"] != FORMAT:
        yield "size and figures of its revisions are in no line of it, nor how many lines there are"
        return
    held = set(own)
    bare = [r for r in told if watch.revision_leaf(zone, repaired_s, r) not in held]
    if bare:
        numbers = ", ".join(str(one.number) for one in bare)
        yield f"size and figures are in no line of it of revision {numbers}"


def _days_text(found: Mapping[str, Collection[int]]) -> str:
    """Days of zones as spans: "w1 2030-03-01 to 2030-03-04, w2 2030-03-09"."""
    spans = []
    for zone, days in sorted(found.items()):
        ordered = sorted(days)
        starts = [day for day in ordered if day - 1 not in days]
        stops = [day for day in ordered if day + 1 not in days]
        for start, stop in zip(starts, stops, strict=True):
            span = _date(start) if start == stop else f"{_date(start)} to {_date(stop)}"
            spans.append(f"{zone} {span}")
    return ", ".join(spans)


def _date(day: int) -> str:
    return rfc3339(day * DAY_S)[:10]


def _broken(
    days: Sequence[Mapping[str, str]],
    rows: Sequence[Mapping[str, str]],
    manifest: Mapping[str, Any],
) -> str:
    """First link of the chain that does not hold."""
    by_day: dict[str, list[str]] = {}
    for row in rows:
        if row["leaf"] and chaining.leaf_hash(row["leaf"].encode()) != row["hash"]:
            return "a line of the chain has another hash"
        by_day.setdefault(row["day"], []).append(row["hash"])
    before = days[0]["before"] if days else chaining.START
    for number, day in enumerate(days):
        hashes = by_day.get(day["day"], [])
        head = chaining.head_of(before, int(day["day"]), len(hashes), chaining.root_of(hashes))
        told = (day["before"], int(day["leaves"]), day["root"], day["head"])
        if told != (before, len(hashes), chaining.root_of(hashes), head):
            return f"day {day['day']} is not chained to the one before"
        if int(day["day"]) != int(days[0]["day"]) + number:
            return f"a day before {day['day']} is not in the chain"
        before = head
    named = manifest["chain"]
    said = (named["day"], named["head"]) if named else None
    last = (int(days[-1]["day"]), days[-1]["head"]) if days else None
    return "" if said == last else "the manifest names another head"
