"""What is said at the bench: how a probe is checked over salt, whether it is at rest, what came of it."""

from collections.abc import Sequence

from monitor.catalogue import say, say_number

STEPS: tuple[str, ...] = (
    "Take two salts: magnesium chloride and table salt without additives. Label each tray with salt, batch and date.",
    "Put salt in a tray and add water drop by drop until it is a wet slurry with undissolved salt in it. No splashes: "
    "salt on the sensor spoils it.",
    "Set the tray into a small box that seals, the node on a grid above it, in a room of even temperature, out of the sun, "
    "away from heaters. Note the time.",
    "Leave it shut until it is at rest: a cased node takes 12 to 24 hours. Opening the lid begins it anew.",
    "Enter the point. Then the same in the other box, within seven days: two points make one check.",
    "Put the node back and say so here: until then nothing it reads is of its zone. The zone is unknown for two days "
    "more, until the case has given up the air of the box.",
)
PRACTICE = "The waiting times and the yearly check are common practice, without a source."
CAUTIONS: tuple[str, ...] = (
    "Gloves; keep salt out of eyes and cuts, wash hands. Not where food is made, not within reach of children or animals.",
    "Potassium carbonate irritates eyes and skin; lithium chloride is harmful if swallowed: read their data "
    "sheets first, or use the other salts.",
    "Label every box. Salt water corrodes metal and electronics: nothing may drip, and no mains lead goes into a box.",
)
UNKNOWN: tuple[str, ...] = (
    "Whether the slurry is as it should be: a careless one is off by more than 5 % of humidity, and no table shows it.",
    "Below the lower and above the upper point a straight line is assumed.",
    "Temperature, wood and rain are not checked here.",
    "How the check held up since: sensors drift, so it is due again after a year.",
)
NO_BENCH = "Bench checks against a salt: none is in the record, so that nothing shows how true a probe still reads."
NO_POINTS = "No probe was checked yet. Unchecked ones are taken to be right within 2 % of humidity."
LIES = "Nothing they read is of a zone, and their zones are not watched, until somebody says that they are back."
ONE_PLACE = "Say which probe it is."
SALT_NAMES: dict[str, str] = {
    "MgCl2": "Magnesium chloride (MgCl2)",
    "NaCl": "Table salt (NaCl)",
    "LiCl": "Lithium chloride (LiCl)",
    "K2CO3": "Potassium carbonate (K2CO3)",
    "KCl": "Potassium chloride (KCl)",
    "K2SO4": "Potassium sulphate (K2SO4)",
}


def wait_text(wait_s: int) -> str:
    """About how long, in hours."""
    if wait_s <= 1800:
        return say("half an hour")
    return say_number(-(-wait_s // 3600), "{n} hour", "{n} hours")


def settling_text(word: str, *, wait_s: int) -> str:
    """Whether a probe is at rest, and how long to wait."""
    wait = wait_text(wait_s)
    if word == "too few":
        return say("too few readings yet: leave it shut for about {wait} more", wait=wait)
    if word == "gap":
        return say(
            "readings are missing in the last hours: leave it shut for {wait} more", wait=wait
        )
    if word == "warming":
        return say(
            "its temperature moves by half a kelvin or more: put it where it stays even, and wait {wait}",
            wait=wait,
        )
    if word == "moving":
        return say("not at rest yet: leave it shut for about {wait} more", wait=wait)
    return say("at rest")


def rate_text(rate_percent_h: float, left_percent: float) -> str:
    """How fast it moves and what may be to come."""
    return say(
        "It changes by {half:.2f} % in half an hour; about {left:.1f} % may still be to come.",
        half=abs(rate_percent_h) / 2.0,
        left=left_percent,
    )


def out_of_range(celsius: float, low: float, high: float) -> str:
    """Why a point cannot be taken at a temperature."""
    return say(
        "the box is at {celsius:.1f} °C; the salts are known from {low:.0f} to {high:.0f} °C",
        celsius=celsius,
        low=low,
        high=high,
    )


def absurd(measured: float, reference: float, salt: str, *, like: str) -> str:
    """Why a point is refused that would correct a probe by more than a sensor may be off."""
    found = say(
        "it reads {measured:.1f} % where {salt} gives {reference:.1f} %, too far for a correction",
        measured=measured,
        salt=salt,
        reference=reference,
    )
    if like:
        return say(
            "{found}. It reads like {like}: see which box it is in, and whether it was at rest there",
            found=found,
            like=like,
        )
    return say("{found}: make the slurry again, or replace the sensor", found=found)


def point_text(salt: str, *, measured: float, reference: float, celsius: float) -> str:
    """One point."""
    return say(
        "{salt}: read {measured:.1f} % where {reference:.1f} % was, at {celsius:.1f} °C",
        salt=salt,
        measured=measured,
        reference=reference,
        celsius=celsius,
    )


def check_text(low: float, high: float, *, points: int, accuracy: float) -> str:
    """What a check does to readings: the correction at 30 and at 80 %, and how good they are after it."""
    if points == 1:
        return say(
            "{low:+.1f} % on every reading, good to ±{accuracy:.1f} %; one point only, the slope is not known",
            low=low,
            accuracy=accuracy,
        )
    return say(
        "{low:+.1f} % at a reading of 30 %, {high:+.1f} % at 80 %, good to ±{accuracy:.1f} %",
        low=low,
        high=high,
        accuracy=accuracy,
    )


def lying_text(names: Sequence[str]) -> str:
    """That probes still lie in their box, as far as is known."""
    return say(
        "In a box over salt, as far as is known, so that their zones are not watched: {names}.",
        names=", ".join(names),
    )


def zone_lies_text(name: str, since: str) -> str:
    """Why a zone is not watched though its probe is heard."""
    return say(
        "{name} lies in a box over salt since {since}, as far as is known: what it reads is of no zone until somebody "
        "says on Bench that it is back",
        name=name,
        since=since,
    )


def due_text(never: int, old: int) -> str:
    """Notice of the season: how many nodes ask for the bench."""
    said = []
    if old:
        said.append(
            say_number(
                old,
                "{n} node was checked more than a year ago",
                "{n} nodes were checked more than a year ago",
            )
        )
    if never:
        said.append(say_number(never, "{n} node was never checked", "{n} nodes were never checked"))
    return say("This season, at the bench: {said}.", said=", ".join(said))
