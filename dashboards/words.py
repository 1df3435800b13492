"""Labels, numbers, times and links as the pages write them; judgements are the record's own words."""

import datetime as dt
import math
import re
from dataclasses import dataclass, replace
from urllib.parse import parse_qs, quote, urlencode

import numpy as np

from monitor import drawing, text
from monitor.catalogue import month, say, say_number, weekday
from monitor.lot import AlarmClass
from monitor.text import sentences
from monitor.times import time_zone
from monitor.written import rfc3339

SPANS_D: dict[int, str] = {3: "3 days", 14: "14 days", 60: "60 days", 365: "1 year", 0: "all"}
DEFAULT_SPAN_D = 14
MOST_SPAN_D = 3660  # ten years
TRENDS = {"wetting": "↗ wetting", "drying": "↘ drying", "steady": "→ steady", "": "–"}
CLASSES: tuple[AlarmClass, ...] = ("act now", "today", "this week", "season")
COLOURS = (("", "as the device has them"), ("light", "light"), ("dark", "dark"))
# words of small letters that pages write as labels: named here, for elsewhere they look like codes
LABELS = (
    "about", "above", "across", "act", "address", "ahead", "all", "answer", "archive",
    "battery", "broker", "busiest", "check", "compressor", "count", "counted", "coverage",
    "dark", "day", "days", "desiccant", "did", "disputed", "door", "everything", "everywhere",
    "from", "front", "gateway", "goal", "heard", "height", "here", "high", "highest", "hose",
    "humidity", "inner", "inside", "intake", "kind", "late", "life", "light", "limit", "logic",
    "low", "lowest", "mean", "messages", "mid", "missing", "motorhome", "never", "new",
    "newest", "node", "note", "nothing", "off", "ours", "outer", "outside", "page", "pages",
    "person", "points", "position", "rain", "readings", "rear", "reason", "rejects", "repair",
    "repaired", "reporting", "response", "role", "row", "said", "sees", "share", "side",
    "signal", "site", "snow", "source", "state", "survived", "suspect", "temperature", "thaw",
    "thickness", "time", "times", "told", "topic", "unit", "unknown", "unplaced", "van",
    "verdict", "wash", "washes", "watch", "watches", "water", "weather", "what", "when", "who",
    "windows", "within", "word", "zone",
)  # fmt: skip
UNMEASURED = "–"
UNSAID = "not said"  # by a zone's code
CHOICES = (
    "row",
    "state",
    "life",
    "cause",
    "word",
    "from",
    "people",
    "unit",
    "joint",
    "probe",
    "node",
)  # that narrow a list, as addresses name them
VIEWS = {
    "plan": "From above",
    "door": "Door side",
    "off": "Off side",
    "rear": "Rear",
    "front": "Front",
}


@dataclass(frozen=True, slots=True)
class Wish:
    """What the address asks for, and when."""

    path: str
    now_s: int
    fahrenheit: bool = False
    twelve_hour: bool = False
    own_fahrenheit: bool = False  # what the person chose for good: not in the address
    span_d: int = DEFAULT_SPAN_D  # 0: all
    note: str = ""  # answer to what the person just did
    until: str = ""  # last day shown, as 2030-01-31; "": up to now
    chosen: tuple[tuple[str, str], ...] = ()  # of `CHOICES`, what a list is narrowed to

    @property
    def degree(self) -> str:
        """Sign of the temperature scale."""
        return "°F" if self.fahrenheit else "°C"

    def link(self, path: str) -> str:
        """Address of another page that keeps the temperature scale."""
        scale = self._scale(self.fahrenheit)
        return path + (f"?{urlencode(scale)}" if scale else "")

    def _scale(self, fahrenheit: bool) -> dict[str, str]:  # noqa: FBT001  one meaning
        return {} if fahrenheit == self.own_fahrenheit else {"f": str(int(fahrenheit))}

    def choice(self, name: str) -> str:
        """What a list is narrowed to by one of `CHOICES`; "": by nothing."""
        return dict(self.chosen).get(name, "")

    def narrowed(self, path: str = "", **changed: str) -> str:
        """Address of a list with choices changed; "" takes one back."""
        kept = dict(self.chosen) | {"from": ""} | changed
        chosen = tuple((name, kept[name]) for name in CHOICES if kept.get(name))
        return replace(self, path=path or self.path, chosen=chosen).same()

    def same(
        self,
        *,
        fahrenheit: bool | None = None,
        span_d: int | None = None,
        until: str | None = None,
    ) -> str:
        """Address of this page with one wish changed."""
        scale = self.fahrenheit if fahrenheit is None else fahrenheit
        span = self.span_d if span_d is None else span_d
        asked = self._scale(scale) | ({"days": str(span)} if span != DEFAULT_SPAN_D else {})
        last = self.until if until is None else until
        asked |= ({"to": last} if last else {}) | dict(self.chosen)
        return self.path + (f"?{urlencode(asked)}" if asked else "")


def wish(
    path: str, search: str, *, now_s: int, fahrenheit: bool = False, twelve_hour: bool = False
) -> Wish:
    """Read an address; what it asks for wrongly is not asked for.

    `fahrenheit` and `twelve_hour` are what the person chose for good.
    """
    asked = parse_qs((search or "").removeprefix("?"))
    days = asked.get("days", [""])[0]
    known = re.fullmatch(r"[0-9]{1,4}", days) is not None and int(days) <= MOST_SPAN_D
    return Wish(
        path=path or "/",
        now_s=now_s,
        fahrenheit={"0": False, "1": True}.get(asked.get("f", [""])[0], fahrenheit),
        twelve_hour=twelve_hour,
        own_fahrenheit=fahrenheit,
        span_d=int(days) if known else DEFAULT_SPAN_D,
        note=asked.get("note", [""])[0][:200],
        until=_day(asked.get("to", [""])[0]),
        chosen=tuple((name, asked[name][0][:80]) for name in CHOICES if asked.get(name)),
    )


def _day(text: str) -> str:
    try:
        return dt.date.fromisoformat(text).isoformat() if 10 <= len(text) <= 10 else ""
    except ValueError:
        return ""


def end_of_day_s(day: str, timezone: str) -> int:
    """When a day ends on a site's wall clock."""
    after = dt.date.fromisoformat(day) + dt.timedelta(days=1)
    midnight = dt.datetime.combine(after, dt.time(), time_zone(timezone))
    return int(midnight.timestamp())


def day_of(at_s: int, timezone: str) -> str:
    """Date of a time on a site's wall clock."""
    return local(at_s, timezone).date().isoformat()


def unit_path(unit: str) -> str:
    """Address of a unit."""
    return f"/unit/{quote(unit)}"


def zone_path(site: str, unit: str, zone: str) -> str:
    """Address of a zone of a unit, or of a site where `unit` is empty."""
    owner = f"/unit/{quote(unit)}" if unit else f"/site/{quote(site)}"
    return f"{owner}/zone/{quote(zone)}"


def as_wished(shown: str, asked: Wish) -> str:
    """Text or HTML of a page with the temperatures and times of day of who reads it.

    The record's own sentences are in °C, and pages write the times of a 24-hour clock; both are
    changed here, behind all of them.
    """
    if asked.fahrenheit:
        shown = text.in_fahrenheit(shown)
    return _TIME.sub(_twelve, shown) if asked.twelve_hour else shown


_TIME = re.compile(r"(\b[12]\d{3}(?:-\d\d-\d\d)? )([01]\d|2[0-3]):([0-5]\d)\b")


def _twelve(found: re.Match[str]) -> str:
    hour = int(found[2])
    return f"{found[1]}{hour % 12 or 12}:{found[3]} {'AM' if hour < 12 else 'PM'}"


def age(seconds: float | None) -> str:
    """How long ago, in one unit: "40 s", "12 min", "5 h", "3 days"."""
    if seconds is None:
        return say("never")
    seconds = max(seconds, 0)
    if seconds < 60:
        return say("{seconds:.0f} s ago", seconds=seconds)
    if seconds < 5400:
        return say("{minutes:.0f} min ago", minutes=seconds / 60)
    if seconds < 172800:
        return say("{hours:.0f} h ago", hours=seconds / 3600)
    return say("{days:.0f} days ago", days=seconds / 86400)


def hours(count_h: int) -> str:
    """How long: "5 h" or, from two days on, "3 days"."""
    return f"{count_h} h" if count_h < 48 else say("{days:.0f} days", days=count_h / 24)


def local(at_s: int, timezone: str) -> dt.datetime:
    """Wall clock of a site."""
    return dt.datetime.fromtimestamp(at_s, tz=time_zone(timezone))


def when(at_s: int | None, timezone: str) -> str:
    """Write a time on a site's wall clock, such as "Tue 25 Nov 2025 14:05"."""
    if at_s is None:
        return UNMEASURED
    at = local(at_s, timezone)
    return f"{weekday(at)} {at:%d} {month(at)} {at:%Y %H:%M}"


def day(at_s: int, timezone: str) -> str:
    """Write a day of a site's calendar, such as "25 Nov 2025"."""
    at = local(at_s, timezone)
    return f"{at.day} {month(at)} {at.year}"


def utc(at_s: int) -> str:
    """Write a time as files do, such as "2025-11-25T11:00:00Z"."""
    return rfc3339(at_s)


def offset_s(at_s: int, timezone: str) -> int:
    """How far a site's wall clock is ahead of UTC [s]."""
    ahead = local(at_s, timezone).utcoffset()
    return 0 if ahead is None else int(ahead.total_seconds())


def clock_name(at_s: int, timezone: str) -> str:
    """Name the clock that a page's times are on, such as "Europe/Brussels (UTC+01:00)"."""
    sign = local(at_s, timezone).strftime("%z")
    return f"{timezone} (UTC{sign[:3]}:{sign[3:5]})"


def number(value: float | None, unit: str = "", *, digits: int = 1) -> str:
    """Write a figure, or a dash where it was not measured."""
    if value is None or math.isnan(value):
        return UNMEASURED
    text = f"{value:.{digits}f}"
    text = text.removeprefix("-") if float(text) == 0 else text.replace("-", "\u2212")
    return f"{text}\u202f{say(unit)}" if unit else text


def signed(value: float, *, digits: int = 0) -> str:
    """Write a change with its sign."""
    text = number(abs(value), digits=digits)
    return text if float(text) == 0 else f"{'+' if value > 0 else '−'}{text}"


def temperature(value_c: float | None, asked: Wish) -> str:
    """Write a temperature in the scale asked for."""
    if value_c is None:
        return UNMEASURED
    shown = drawing.shown_temperature(np.array([value_c]), fahrenheit=asked.fahrenheit)
    return number(float(shown[0]), asked.degree)


def count(number_of: int, one: str, many: str = "") -> str:
    """Write "1 zone", "3 zones"."""
    return say_number(number_of, f"{{n:,}} {one}", f"{{n:,}} {many or one + 's'}")


def view(name: str) -> str:
    """Name of a view of a unit's outline; "slide2" is a slide from above."""
    if name in VIEWS:
        return say(VIEWS[name])
    return say("Slide {number}, from above", number=name.removeprefix("slide"))


def first_sentence(text: str) -> str:
    """Cut a text after its first sentence; numbers such as 20.4 do not end one."""
    return sentences(text, ends=".:!?")[0]
