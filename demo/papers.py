"""What people of the invented yard wrote down beside its events: bench, case, seals, a round, photos.

`papers` gives plain tables, made to be written as JSON; whoever reads them enters them. Nobody and
nothing in them is real, and each picture is drawn here::

    photos   key, unit, at_s, recorded_s, who, caption, png (base64)
    cases    unit, zone, repaired_s, kind, value or photo (a key), at_s, recorded_s, who, why
    bench    node, probe, salt, batch, who, from_s, back_s, readings: [time, °C, %] in the box
    joints   unit, at_s, who: the set that its body suggests
    seals    unit, joints (codes; "walk" or "roof": that group), act, at_s, recorded_s, who, finding,
             sealant, product, note, photos
    rounds   who, recorded_s, photos, said: the finding as a device sends it
"""

import io
import json
import random
from base64 import b64encode
from math import exp, sqrt
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_OID, uuid5

from PIL import Image, ImageDraw

from demo.weather import DAY_S
from demo.yard import HOUR_S, PAST_SAMPLE_S, SITE, Yard, slug

FILE = "papers.json"
YARD_HAND, REPAIRER = "yard hand (invented)", "repairer (invented)"
# Greenspan 1977, at 20 °C [%]
OVER_SALT = {"MgCl2": 33.07, "NaCl": 75.47}
BOX_C, ROOM_PERCENT = 20.0, 52.0
BACK_S = 300  # between the last reading in the box and its place
BOX_H, CASE_H = 9, 1.5  # in the box over one salt; how fast a case follows, as planted
SIZE = (960, 720)

Table = dict[str, Any]


def write(yard: Yard, folder: Path) -> Path:
    """Write the yard's papers into a folder that has none yet; the file.

    A folder keeps those it has: a later program may draw or tell otherwise, and they would be doubled.
    """
    path = folder / FILE
    if not path.exists():
        part = path.with_suffix(".part")
        part.write_text(json.dumps(papers(yard), ensure_ascii=False), encoding="utf-8")
        part.replace(path)
    return path


def papers(yard: Yard) -> dict[str, list[Table]]:
    """All papers of the units that the yard has; the same for the same yard."""
    made = _Papers(yard)
    made.repair()
    made.bench()
    made.seals()
    made.round()
    return made.tables


class _Papers:
    """The tables as they are gathered."""

    def __init__(self, yard: Yard) -> None:
        self._yard = yard
        self._units = {unit.code for unit in yard.units}
        names = ("photos", "cases", "bench", "joints", "seals", "rounds")
        self.tables: dict[str, list[Table]] = {name: [] for name in names}

    def _ago_s(self, days: float) -> int:
        return self._yard.end_s - round(days * DAY_S)

    def _add(self, table: str, **row: object) -> None:
        if row.get("unit", slug(0)) in self._units:
            self.tables[table].append(row)

    def _photo(self, unit: str, caption: str, at_s: int, who: str, **drawn: Any) -> str:  # noqa: ANN401  as `picture`
        key = f"{unit} {caption}"
        self._add(
            "photos",
            key=key,
            unit=unit,
            at_s=at_s,
            recorded_s=at_s + 600,
            who=who,
            caption=caption,
            png=b64encode(picture(seed=key, **drawn)).decode(),
        )
        return key

    # the repaired unit

    def repair(self) -> None:
        """The case of each repair that the yard tells of, and its probes over salt before and after."""
        for event in self._yard.events:
            if event.kind == "repair":
                self._case(event.unit, event.zone, event.at_s, event.value)
                self._before_and_after(event.unit, event.zone, event.at_s)

    def _case(self, unit: str, zone: str, repaired_s: int, done: str) -> None:
        photo = self._photo(
            unit,
            "seam open behind the corner moulding",
            repaired_s,
            REPAIRER,
            crack=True,
            stain=0.3,
        )

        def note(kind: str, at_s: int, **row: str) -> None:
            beside = {"who": REPAIRER, "recorded_s": at_s + HOUR_S, "why": ""}
            of = {"unit": unit, "zone": zone, "repaired_s": repaired_s}
            self._add("cases", **(of | beside | {"kind": kind, "at_s": at_s} | row))

        note("opened", repaired_s, value=done)
        why = "the usual goal: the dry twin is of the same wall"
        note("goal", repaired_s, value="1.0", why=why)
        note("photo", repaired_s, photo=photo)
        for event in self._yard.events:
            if (event.unit, event.kind) == (unit, "hose") and event.at_s > repaired_s:
                joint = "corner moulding, off front"
                note("challenge", event.at_s, value=f"{joint}; 15 min; water came in: no")
        if zone == "off-front-low":
            self._resealed(unit, repaired_s)

    def _resealed(self, unit: str, repaired_s: int) -> None:
        """Its joints were entered long before, one is renewed with the repair."""
        self._joints(unit, days=300)
        photo = self._photo(
            unit, "corner moulding, new bead", repaired_s + 2 * HOUR_S, REPAIRER, bead=True
        )
        self._seal(
            unit, ["corner-off-front"], repaired_s + 2 * HOUR_S, REPAIRER, act="resealed",
            sealant="butyl tape", product="grey tape, roll 3 (invented)", photos=[photo],
            note="old sealant scraped off, moulding bedded anew",
        )  # fmt: skip

    def _before_and_after(self, unit: str, zone: str, repaired_s: int) -> None:
        """The probe of the zone and its twin's, two weeks and more before it and some days before now.

        The last check ends an hour before a midnight, so that at that midnight no wetting that
        counts came after it: one counts 48 h after it began. Since then they have settled in the wall.
        """
        zones = [one.code for one in self._yard.zones if one.unit == unit]
        twin = next(
            one.dry_twin for one in self._yard.zones if (one.unit, one.code) == (unit, zone)
        )
        before_s = (
            repaired_s - 17 * DAY_S
        )  # before the node was placed: nothing is missing of the past
        midnight_s = self._yard.end_s - self._yard.end_s % DAY_S - 4 * DAY_S
        for code, error_percent in ((zone, -0.6), (twin, 0.4)):
            probe = f"p{zones.index(code) + 1}"
            for end_s, drift in ((before_s, 0.0), (midnight_s - HOUR_S, 0.3)):
                self._checked(unit, probe, end_s, error_percent + drift, REPAIRER)

    # the bench

    def bench(self) -> None:
        """Probes of other units, in the days before they were placed; one taken out too early."""
        placed_s = self._yard.start_s
        for unit, probe, error in (("u01", "p1", 1.1), ("u01", "p3", -0.3), ("u04", "p1", 0.8)):
            self._checked(unit, probe, placed_s - 2 * DAY_S, error, YARD_HAND)
        # not at rest: the program refuses it
        self._boxed("u09", "p4", "NaCl", placed_s - 3 * DAY_S, 0.5, YARD_HAND, hours=3)
        self._boxed("u09", "p4", "NaCl", placed_s - 2 * DAY_S, 0.5, YARD_HAND)

    def _checked(self, unit: str, probe: str, end_s: int, error: float, who: str) -> None:
        """Over both salts, the second until `end_s`."""
        self._boxed(unit, probe, "MgCl2", end_s - (BOX_H + 1) * HOUR_S, error, who)
        self._boxed(unit, probe, "NaCl", end_s, error, who)

    def _boxed(
        self, unit: str, probe: str, salt: str, end_s: int, error: float, who: str, hours: int = BOX_H
    ) -> None:  # fmt: skip
        if unit not in self._units:
            return
        from_s = end_s - hours * HOUR_S
        rest = OVER_SALT[salt] + error
        readings = [
            [
                at_s,
                BOX_C,
                round(rest + (ROOM_PERCENT - rest) * exp(-(at_s - from_s) / HOUR_S / CASE_H), 1),
            ]
            for at_s in range(from_s, end_s + 1, PAST_SAMPLE_S)
        ]
        self._add(
            "bench", site=SITE, node=f"n-{unit}", probe=probe, salt=salt, batch=f"{salt} jar 1",
            who=who, from_s=from_s, back_s=end_s + BACK_S, readings=readings,
        )  # fmt: skip

    # seals

    def seals(self) -> None:
        """One unit that the hail of the yard makes due, one overdue, one with a defect, one in order."""
        for unit in ("u01", "u02", "u09"):
            self._joints(unit, days=400)
        for unit, days in (("u01", 70), ("u02", 130), ("u09", 160)):
            self._seal(unit, ["walk", "roof"], self._ago_s(days), YARD_HAND, finding="sound")
        self._seal("u06", ["walk", "roof"], self._ago_s(7.5), YARD_HAND, finding="sound",
                   note="after the hail")  # fmt: skip
        at_s = self._ago_s(8)
        self._seal("u09", ["walk"], at_s, YARD_HAND, finding="sound", note="after the hail")
        self._seal("u09", ["roof"], at_s, YARD_HAND, finding="could not look",
                   note="wet; nobody goes up")  # fmt: skip
        later_s = at_s + HOUR_S
        photo = self._photo("u09", "window of the off side, crack", later_s, YARD_HAND, crack=True)
        self._seal("u09", ["windows-off"], later_s, YARD_HAND, finding="cracked", photos=[photo])
        at_s = self._ago_s(69)
        photo = self._photo("u01", "marker lamps, new bead", at_s, YARD_HAND, bead=True)
        self._seal(
            "u01", ["lamps-front"], at_s, YARD_HAND, act="resealed", sealant="non-sag",
            product="white tube, batch 7 (invented)", photos=[photo],
        )  # fmt: skip

    def _joints(self, unit: str, *, days: float) -> None:
        self._add("joints", unit=unit, at_s=self._ago_s(days), who=YARD_HAND)

    def _seal(self, unit: str, joints: list[str], at_s: int, who: str, **row: object) -> None:
        beside: Table = {"act": "looked at", "finding": "", "sealant": "", "product": ""}
        of: Table = {"unit": unit, "joints": joints, "at_s": at_s, "recorded_s": at_s + 300}
        self._add("seals", **(of | {"who": who, "note": "", "photos": []} | beside | row))

    # a round

    def round(self) -> None:
        """Two days ago: a leak suspect that is one, a floor measured by hand, a wall without anything."""
        at_s = self._ago_s(2)
        stain = self._photo("u04", "stain at the rear corner", at_s, YARD_HAND, stain=0.7)
        self._found(
            "u04", "off-rear-low", at_s, photos=[stain], result="leak found",
            construction="laminated", note="stain grows from the corner moulding downwards",
            checks={"sight": "bubbles", "tap": "hollow", "press": "soft", "lining": "stained",
                    "smell": "musty", "water": "damp", "growth": "none"},
        )  # fmt: skip
        shown = self._photo(
            "u11", "floor by the slide, hand meter", at_s + HOUR_S, YARD_HAND, number="17.4"
        )
        self._found(
            "u11", "slide1-floor-front", at_s + HOUR_S, photos=[shown],
            note="new floor, no stain; measured between the screws",
            checks={"press": "firm", "tap": "solid", "smell": "none", "water": "none"},
            meter={"device": "pin meter 2 (invented)", "mode": "pin", "percent": 17.4,
                   "scale": "softwood", "temperature_c": 11.0, "depth_mm": 6.0},
        )  # fmt: skip
        plain = self._photo("u02", "off side, rear corner", at_s + 2 * HOUR_S, YARD_HAND)
        self._found(
            "u02", "off-rear-low", at_s + 2 * HOUR_S, photos=[plain], result="nothing found",
            construction="laminated", note="firm, dry",
            checks={"sight": "flat", "tap": "solid", "press": "firm", "lining": "clean",
                    "smell": "none", "water": "none", "growth": "none"},
        )  # fmt: skip

    def _found(self, unit: str, zone: str, at_s: int, *, photos: list[str], **said: object) -> None:
        walk = f"sillkeep demo round {self._yard.end_s}"
        ids = {
            "identity": str(uuid5(NAMESPACE_OID, f"{walk} {unit} {zone}")),
            "round": str(uuid5(NAMESPACE_OID, walk)),
        }
        told = ids | {"unit": unit, "zone": zone, "at_s": at_s} | said
        self._add(
            "rounds", unit=unit, who=YARD_HAND, recorded_s=at_s + 300, photos=photos, said=told
        )


def picture(
    *, seed: str, crack: bool = False, bead: bool = False, stain: float = 0.0, number: str = ""
) -> bytes:
    """A wall with its corner moulding, drawn: a PNG file.

    Parameters
    ----------
    seed : str
        Each has its own tones and its own jagged lines.
    crack, bead : bool
        An open seam beside the moulding; a fresh bead of sealant there.
    stain : float
        Height of a stain at the foot. [share of the picture]
    number : str
        What a hand meter shows that lies on it.
    """
    dice = random.Random(seed)
    width, height = SIZE
    tone = dice.randint(196, 224)
    image = Image.new("RGB", SIZE, (tone, tone - 4, tone - 12))
    draw = ImageDraw.Draw(image)
    for y in range(0, height, 6):  # light falls from above
        shade = tone - y * 34 // height + dice.randint(-2, 2)
        draw.rectangle((0, y, width, y + 6), fill=(shade, shade - 4, shade - 12))
    if stain:
        _draw_stain(draw, dice, stain, tone)
    draw.rectangle((600, 0, 690, height), fill=(150, 152, 156))  # the moulding and its screws
    draw.rectangle((632, 0, 658, height), fill=(232, 232, 228))
    for y in range(60, height, 120):
        draw.ellipse((610, y, 624, y + 14), fill=(92, 94, 98))
    if bead:
        draw.line(_jagged(dice, 594, 3), fill=(246, 246, 242), width=18, joint="curve")
    if crack:
        draw.line(_jagged(dice, 594, 9), fill=(44, 38, 34), width=7, joint="curve")
    if number:
        draw.rounded_rectangle((130, 180, 470, 560), 28, fill=(56, 62, 70))
        draw.rectangle((165, 220, 435, 350), fill=(190, 204, 176))
        draw.text((195, 240), f"{number} %", fill=(30, 36, 30), font_size=64)
    draw.text((24, height - 44), "invented picture", fill=(70, 70, 70), font_size=22)
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def _draw_stain(draw: ImageDraw.ImageDraw, dice: random.Random, share: float, tone: int) -> None:
    """Rings of dried water that rise from the foot at the moulding."""
    width, height = SIZE
    for ring in range(6):
        size = 1.0 - ring / 7
        left = 600 - round(520 * size)
        edge = []
        for x in range(left, 601, 20):
            rise = sqrt(max(0.0, 1.0 - ((600 - x) / (600 - left)) ** 2))
            edge.append((x, height - round(share * height * size * rise) + dice.randint(-6, 6)))
        fill = (tone - 20 - 10 * ring, tone - 34 - 12 * ring, tone - 60 - 13 * ring)
        draw.polygon([*edge, (600, height), (left, height)], fill=fill)
    draw.rectangle((690, 0, width, height), fill=(tone - 18, tone - 22, tone - 30))


def _jagged(dice: random.Random, x: int, swing: int) -> list[tuple[int, int]]:
    return [(x + dice.randint(-swing, swing), y) for y in range(70, SIZE[1] - 60, 18)]
