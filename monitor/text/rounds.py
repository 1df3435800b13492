"""What is said on a round: each check, its caution at the step it belongs to, and what was found."""

from collections.abc import Sequence

from monitor.catalogue import say
from monitor.lot import FoundResult, Meter

CHECK_TITLES: dict[str, str] = {
    "sight": "Sight along the wall",
    "tap": "Tap",
    "press": "Press",
    "sealant": "Sealant",
    "lining": "Wallpaper or lining",
    "smell": "Smell",
    "water": "Water seen",
    "growth": "Growth seen",
}
HOW: dict[str, str] = {
    "sight": "From one end at a flat angle, best in low sun.",
    "tap": "With a plastic handle, from sound places to the doubtful one.",
    "press": "With the flat of the hand or a thumb, at corners, edges and sills.",
    "sealant": "By eye and a fingernail, as far as you see it from the ground or from inside.",
    "lining": "Look for puckers, ripples and stains; also behind what can be moved aside.",
    "smell": "With doors and windows shut before; musty is a late sign.",
    "water": "Look and feel for it where it would collect.",
    "growth": "By eye alone; leave it as it is. Size of all of it that you see in this zone.",
}
ANSWERS: dict[str, dict[str, str]] = {
    "sight": {"flat": "flat", "wavy": "wavy", "bubbles": "bubbles", "flex": "skin flexes"},
    "tap": {"solid": "solid", "hollow": "hollow"},
    "press": {"firm": "firm", "soft": "soft"},
    "sealant": {
        "sound": "sound",
        "cracked": "cracked or chalky",
        "open": "lifted, open or missing",
    },
    "lining": {"clean": "clean", "puckered": "puckered", "stained": "stained", "black": "black"},
    "smell": {"none": "nothing", "musty": "musty", "sharp": "sharp"},
    "water": {
        "none": "nothing",
        "damp": "damp to touch",
        "drops": "drops on the surface",
        "standing": "runs or stands",
    },
    "growth": {
        "none": "nothing",
        "small": "under 0.9 m² (10 sq ft)",
        "medium": "0.9 to 9 m² (10 to 100 sq ft)",
        "large": "over 9 m² (100 sq ft)",
    },
}
LABELS = tuple(  # words of small letters, which look like codes
    sorted({label for labels in ANSWERS.values() for label in labels.values() if label.isalpha()})
)
BEFORE: dict[str, str] = {  # caution that stands at a check, whatever is answered
    "press": "Do not lean on it: what is soft may give way.",
    "lining": (
        "Before anything is opened or unscrewed: pull shore power, inverter and generator. Leave wiring to "
        "licensed people."
    ),
}
AFTER: dict[str, dict[str, str]] = {  # what an answer asks for
    "smell": {
        "sharp": (
            "Leave, leave the door open, no flame and no switch, and call a licensed professional from "
            "outside: it may come from an absorption refrigerator."
        )
    },
    "water": {
        "standing": "Do not touch switches or sockets near it: water and electricity. Pull shore power first."
    },
    "growth": {
        "small": (
            "Do not brush or wipe it now. People with asthma, allergies, lung disease or weak immunity stay out."
        ),
    },
}
OVER_10_SQ_FT = (
    "Over 10 sq ft (0.9 m²): ask a licensed professional, and check your local rule. Do not brush or "
    "wipe it. People with asthma, allergies, lung disease or weak immunity stay out."
)
AFTER["lining"] = {"black": AFTER["growth"]["small"]}
AFTER["growth"] |= {"medium": OVER_10_SQ_FT, "large": OVER_10_SQ_FT}
FROM_INSIDE = (
    "Everything here from inside: the ceiling beside openings, along the walls and in the corners."
)
ROOF_STEP = (
    "From the ladder look at the sealant round every opening, along the edges and at the end caps."
)
FLEX = "A hung skin waves by itself: it is kept as flex, not as lost bond."
CONSTRUCTIONS: dict[str, str] = {
    "laminated": "laminated: smooth, skin bonded to foam",
    "hung": "hung: ribbed or thin skin on a frame",
    "not known": "cannot tell",
}
RESULTS: dict[FoundResult, str] = {
    "leak found": "leak found",
    "condensation": "condensation",
    "no leak": "no leak: opened or tested",
    "nothing found": "nothing found: only looked",
}
STAYS_OPEN = (
    "A leak that was found leaves the suspicion open, until the repair is noted and the place is "
    "inspected again. Every other result ends it as an inspection does."
)
LEAK_CONFIRMED = (
    "Leak confirmed; the suspicion stays open until it is repaired and inspected again."
)
NO_EVIDENCE = "Not saved: a meter reading without its device and mode is no evidence. Add both, or clear the reading."
SCALE = "trade scale of hand meters, common practice"
_BANDS = (  # from per cent on, at wood scale
    (30.0, "over 30: wet for long, expect damage"),
    (25.0, "25 to 30: wet, find where it comes from"),
    (20.0, "20 to 25: water may be coming in"),
    (15.0, "15 to 20: note it and measure again"),
    (float("-inf"), "under 15: as dry wood"),
)
BANDS = dict(_BANDS)
LATE_SIGNS = "Eye and hand find leaks late: nothing found is no sign that there is none."
NOT_BY_ITSELF = (
    "Weights of the leak score do not change by themselves: these labels are kept for fitting them to "
    "this place, by hand."
)


def meter_label(percent: float) -> str:
    """Band of the trade's scale that a hand meter's reading is in."""
    return say(next(label for least, label in _BANDS if percent >= least))


def meter_text(meter: Meter) -> str:
    """A reading of a hand meter, with what it was read with."""
    parts = [
        say("{percent:.1f} % by {device}", percent=meter.percent, device=meter.device),
        say(meter.mode),
        meter.scale,
        say("material at {celsius:.0f} °C", celsius=meter.temperature_c)
        if meter.temperature_c is not None
        else say("temperature of the material not told"),
        say("{depth_mm:.0f} mm deep", depth_mm=meter.depth_mm)
        if meter.depth_mm is not None
        else "",
    ]
    label = f"{meter_label(meter.percent)} ({say(SCALE)})"
    return f"{', '.join(filter(None, parts))}: {label}"


def checks_text(checks: Sequence[tuple[str, str]]) -> str:
    """Checks and their answers in one line."""
    return "; ".join(
        f"{say(CHECK_TITLES[check])}: {say(ANSWERS[check][answer])}"
        for check, answer in checks
        if answer in ANSWERS.get(check, {})
    )
