"""Doubt in a unit's probes, day by day: a zone whose probe is doubted is unknown, and says why."""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.evidence import trust
from monitor.judge.day import DAY_H, Days, Rows, Watched
from monitor.judge.hours import HOUR_S
from monitor.judge.memory import UnitMemory
from monitor.lot import Event

# words of `trust` under which a probe's figures are no evidence of water either; a drifting one's
# still are, because a leak that grows evenly looks like drift
MUTE = frozenset({"saturated", "stuck", "swapped?"})


@dataclass(frozen=True, slots=True)
class Doubt:
    """A probe came under doubt (`ended_s` None) or is trusted again; `facts` say why."""

    row: int
    began_s: int
    ended_s: int | None
    facts: dict[str, float | str]


class Doubting:
    """The doubts of some days of one unit; an hour carries what the last whole day left."""

    def __init__(self, watched: Watched, rows: Rows, days: Days, kept: UnitMemory) -> None:
        self._rows, self._days, self._kept = rows, days, kept
        self._kinds = [zone.kind for zone in rows.zones]
        self._placed_s = [watched.settling_s.get(zone.code, ()) for zone in rows.zones]
        self._memory = trust.Memory.recalled(kept.trust, kept.trust_codes, rows.codes)

    def carry(self, day: int) -> None:
        """Hours of a day are doubted as the day before left it."""
        hours = slice(day * DAY_H, (day + 1) * DAY_H)
        for row, zone in enumerate(self._kept.zones):
            self._days.flags["doubted"][row, hours] = bool(zone.doubt)

    def pass_day(self, day: int, noted: Sequence[Event]) -> list[int]:
        """Take one whole day in; rows whose figures of it are no evidence."""
        hours = slice(day * DAY_H, (day + 1) * DAY_H)
        begins_s = (self._days.hour + day * DAY_H) * HOUR_S
        ends_s = begins_s + DAY_H * HOUR_S
        said = trust.advance(
            self._memory,
            day=begins_s // (DAY_H * HOUR_S),
            temperature_c=self._days.now.temperature_c[:, hours],
            humidity_percent=self._days.now.humidity_percent[:, hours],
            kinds=self._kinds,
            noted=trust.Noted(
                placed=[any(begins_s <= at < ends_s for at in times) for times in self._placed_s],
                suspected=[zone.suspect_s > 0 for zone in self._kept.zones],
                moved=any(event.kind == "moved" for event in noted),
            ),
        )
        for row, suspicion in enumerate(said):
            self._turn(row, suspicion, ends_s)
        return [row for row, suspicion in enumerate(said) if suspicion.word in MUTE]

    def _turn(self, row: int, suspicion: trust.Suspicion, at_s: int) -> None:
        zone = self._kept.zones[row]
        word = "" if suspicion.word == "settling" else suspicion.word  # the first 48 h say it
        if word and not zone.doubt:
            zone.doubt_s = at_s
            self._days.doubts.append(Doubt(row, at_s, None, self._facts(suspicion)))
        elif zone.doubt and not word:
            self._days.doubts.append(Doubt(row, zone.doubt_s, at_s, {}))
        zone.doubt = word

    def _facts(self, suspicion: trust.Suspicion) -> dict[str, float | str]:
        facts: dict[str, float | str] = {"doubt": suspicion.word, **suspicion.facts}
        other = facts.pop("other_row", None)
        return facts if other is None else facts | {"other": self._rows.codes[int(other)]}

    def remember(self) -> None:
        """Carry the fold over the last of these midnights."""
        self._kept.trust = self._memory.to_bytes()
        self._kept.trust_codes = list(self._rows.codes)
