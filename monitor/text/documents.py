"""What documents say that are handed over: each claim with how much of it was watched, limits said once."""

from collections.abc import Mapping, Sequence
from math import floor, isnan

from monitor.catalogue import say, say_number

WHAT, SAID = "what", "is"

# --- names ----------------------------------------------------------------------------------------

TITLES: Mapping[str, str] = {
    "proof": "Proof of a repair",
    "intake": "Intake watch",
    "sale": "Handover record",
    "season": "Season record",
    "warranty": "Record of conditions and care",
    "job": "Job card",
    "morning": "Morning list",
}
MEANS: Mapping[str, str] = {
    "proof": "One repair: what was done, how it was challenged, the verdict and its limits. Two pages.",
    "intake": "The first three days of a unit that came in: four probes, one hose test.",
    "sale": "For who takes the unit over: what was watched, found and mended, and what was not. One page.",
    "season": "For its owner: storms, alarms, lists done, seals and batteries.",
    "warranty": "For a claim: conditions, wettings, alarms with their answers, repairs, seals and photos, by date.",
    "job": "For a technician: where to look, what to open, what not to do, when it counts as closed. One page.",
    "morning": "The ten units to open first, in the order of the walk. One page.",
}
READ_FIRST = (
    "Notes are printed as they were typed, but for the handover record, which has none. Read a document before you "
    "give it away: it cannot be called back."
)
NOT_BY_HOUR = (
    "Not made: somebody lived in this unit in that time, and this document would tell of its air by the hour. "
    "Its owner can make it, or choose days when nobody lived there."
)
NO_REPAIR = "No proof was told of such a repair: the first midnight after it is to come, or nobody noted it."

# names of columns and figures, which the documents say by these words
LABELS = (
    "above the dry standard", "alarm", "answer, points", "as of", "by", "cause", "closed", "coverage",
    "coverage, %", "day", "days since", "dry twin", "drying goal", "from", "highest mean wood moisture, %",
    "hose tests", "hours heard, %", "judged up to", "kind", "last survived", "longest gap", "month", "node",
    "noise of an answer", "noise, points", "not counted", "opened and dried", "photos", "place", "probe",
    "rain known, %", "rain, mm", "rains and thaws", "raised", "repaired", "response", "revision", "said",
    "sensor moved", "state", "survived", "temperature", "to", "unit", "verdict", "washes", "water, mm",
    "wettings survived", "what", "what the weather alone explains", "what was done", "when", "wood moisture",
    "wood moisture, %", "zone", "is",
)  # fmt: skip

# --- of all of them -------------------------------------------------------------------------------

NONE_RECORDED = "None recorded."
NO_FINDINGS = "Findings of inspection rounds: none recorded in this time."
NO_SEALS = "Seals: none recorded in this time."
NO_BENCH_CHECKS = (
    "Checks of the probes over salt: none recorded. How true they read is known only as far as they "
    "agree with each other."
)
NO_PHOTOS = "Photos: none recorded."
LIMITS = (
    "Probes tell of the places where they are. What happened elsewhere in the unit, or while nothing was heard, "
    "this record does not know.",
    "Wood moisture is estimated from the air beside the wood where no pin probe is named; above about 22 % "
    "that estimate is unreliable.",
    "Whether a leak begins tomorrow nobody can say; dry weather shows nothing about leaks.",
)
NO_VERDICT = "It says nothing about law, about health, or about whether somebody may live, drive or work in the unit."
FIGURES_MEAN = (
    "From, to: first and last reading. Coverage: share of the hours that readings speak for, from when a place "
    "was to be watched in this time to its end. Longest gap: hours on end without any."
)


def page_text(number: str, of: str) -> str:
    """Which page it is."""
    return say("page {number} of {of}", number=number, of=of)


def more_text(count: int, *, see: str) -> str:
    """That a list goes on elsewhere."""
    return say_number(count, "and {n} more, see {see}", "and {n} more, see {see}", see=see)


def foot_text(what: str, *, place: str, made: str, clock: str, revision: int = 0) -> str:
    """What stands at the foot of each page."""
    told = say(
        "{what} · {place} · made {made} · times: {clock}",
        what=what,
        place=place,
        made=made,
        clock=clock,
    )
    return f"{told} · {say('revision {number}', number=revision)}" if revision else told


def watched_text(*, zones: int, first: str, last: str, percent: float, whole: bool) -> str:
    """How much was watched; `whole`: every place from the first day to the last."""
    if not zones:
        return say("Nothing was heard from any place of it in this time.")
    places = say_number(zones, "{n} place", "{n} places")
    if not whole:
        return say(
            "Readings from {first} to {last}, not of every place or day: {places}, {percent:.0f} % of the "
            "hours covered in which each was to be watched.",
            first=first,
            last=last,
            places=places,
            percent=percent,
        )
    return say(
        "Watched from {first} to {last}: {places}, {percent:.0f} % of their hours covered.",
        first=first,
        last=last,
        places=places,
        percent=percent,
    )


def wettings_text(*, witnessed: int, seen: int, rain_percent: float) -> str:
    """How many wettings there were, and how many were lived through while watched."""
    if seen == 0:
        said = say("No wetting is on record in this time: it shows nothing about leaks from rain.")
    else:
        said = say_number(
            seen,
            "{witnessed} of {n} wetting was witnessed by every watched place.",
            "{witnessed} of {n} wettings were witnessed by every watched place.",
            witnessed=witnessed,
        )
    if rain_percent < 95.0:
        rain = (
            say("Rain was not recorded.")
            if rain_percent < 0.5
            else say("Rain was recorded for {percent:.0f} % of the time.", percent=rain_percent)
        )
        said = f"{said} {rain}"
    return said


def noted_wetting_text(*, heard: int, of: int, alarmed: Sequence[str]) -> str:
    """What a noted hose test, wash or thaw showed."""
    if not heard:
        return say("no place was heard through the two days after")
    places = say(
        "{heard} of {of} heard through the two days after",
        heard=heard,
        of=say_number(of, "{n} place", "{n} places"),
    )
    if alarmed:
        return say("{places}; an alarm stood at {zones}", places=places, zones=", ".join(alarmed))
    return say("{places}; no alarm of water stood or was raised", places=places)


def hours_text(hours: float) -> str:
    """How long a gap was."""
    if hours < 48:
        return say("{hours:.0f} h", hours=hours)
    return say("{days:.1f} days", days=hours / 24.0)


def moisture_text(percent: tuple[float, float, float]) -> str:
    """Wood moisture over a time: lowest, mean, highest."""
    low, mean, high = percent
    if isnan(mean):
        return "–"
    return say("{low:.1f} to {high:.1f}, mean {mean:.1f}", low=low, high=high, mean=mean)


def degrees_text(low_c: float, high_c: float) -> str:
    """Lowest and highest temperature."""
    low, high = (f"{value:.0f}".replace("-0", "0").replace("-", "−") for value in (low_c, high_c))
    return say("{low} to {high} °C", low=low, high=high)


def course_text(zone: str, *, low: float, high: float, last: float, gaps_percent: float) -> str:
    """What a chart of moisture shows."""
    if isnan(last):
        return say("Nothing is known of this time.")
    said = say(
        "{zone}, the dampest watched place: between {low:.1f} and {high:.1f} %, last {last:.1f} %.",
        zone=zone,
        low=low,
        high=high,
        last=last,
    )
    if gaps_percent >= 0.5:
        said = f"{said} {say('{percent:.0f} % of the time is not known and left open.', percent=gaps_percent)}"
    return said


# --- proof ----------------------------------------------------------------------------------------

PROOF_METHOD = (
    "The zone is compared with like zones of the same unit on unaffected sides, which set the dry standard. Each "
    "rain, thaw, wash and hose test since the repair is a challenge: a rise of the zone against that standard "
    "within two days, of twice the noise or more, is a response. Hours without readings count for nothing. "
    "The verdict is worked out anew each midnight (UTC), and what was said before stays on record."
)
PROOF_SCOPE = (
    "This document speaks of one zone and of water from outside. Pipes, tanks and every other place of the unit "
    "are not part of it."
)
NO_CHALLENGE = "No wetting since the repair: dry weather proves nothing."
CHART_OF_PROOF = "Wood moisture of the zone against its dry standard and drying goal"
NO_PACKET = "No signed packet was named: the readings behind this document cannot be checked by it."


def taken_from_text(*, survived: float, coverage_percent: float, size_ml: float, day: str) -> str:
    """What a verdict on a repair was taken from: no verdict is handed over without it.

    Parameters
    ----------
    survived : float
        Wettings counted without a response.
    coverage_percent : float
        Share of the time that readings cover; nan where there is none.
    size_ml : float
        Smallest leak that they would have shown. [mL an event] nan: of no size.
    day : str
        Of which the verdict is.
    """
    covered = (
        say("share covered by readings not known")
        if isnan(coverage_percent)
        else say("readings of {percent:.0f} % of the time", percent=floor(coverage_percent))
    )
    size = (
        say("no leak size covered yet")
        if isnan(size_ml)
        else say("covers leaks of {size_ml:.0f} mL or more an event", size_ml=size_ml)
    )
    return say(
        "{wettings} survived; {covered}; {size}; as of {day}",
        wettings=say_number(round(survived), "{n} wetting", "{n} wettings"),
        covered=covered,
        size=size,
        day=day,
    )


def packet_text(*, root: str, key: str) -> str:
    """Which packet belongs to a document."""
    return say(
        "The readings are in the signed packet whose lines have the root {root}, signed by the key {key}. "
        "Whoever has the packet works the verdict out again with: sillkeep handover verify FILE --key KEY. "
        "This document itself is not signed.",
        root=root,
        key=key,
    )


def doubt_text(*, zone: str, first: str, last: str) -> str:
    """That a probe was doubted."""
    if not last:
        return say("{zone}: its probe is doubted since {first}.", zone=zone, first=first)
    return say(
        "{zone}: its probe was doubted from {first} to {last}.", zone=zone, first=first, last=last
    )


def disputed_text(node: str, probe: str, samples: int) -> str:
    """That samples came with two values."""
    return say_number(
        samples,
        "{node} {probe}: {n} sample came with two values; neither was used.",
        "{node} {probe}: {n} samples came with two values; neither was used.",
        node=node,
        probe=probe,
    )


# --- intake ---------------------------------------------------------------------------------------

INTAKE_HOURS, INTAKE_ZONES = 72, 4
INTAKE_NOTHING = "No wetting occurred while it was watched: this record proves nothing about leaks."
INTAKE_NO_HOSE = "No hose test was noted in this time."
INTAKE_DAMP = "What is wet now may have other causes than a leak: a unit that was washed, transported in rain or stood open."
INTAKE_METHOD = (
    "Four probes low in the corners for 72 hours and one hose test are the least for an intake watch: common "
    "practice, no source. Even so it sees slow leaks badly: they take weeks to show."
)


def intake_lead(
    *, hours: int, zones: int, wettings: int, witnessed: int, wet: Sequence[str]
) -> str:
    """First lines of an intake watch: what it does not prove comes first."""
    said = []
    if not wettings:
        said.append(say(INTAKE_NOTHING))
    elif not witnessed:
        said.append(
            say(
                "No wetting was witnessed by every watched place: this record proves little about leaks."
            )
        )
    if hours < INTAKE_HOURS:
        said.append(
            say(
                "It was watched for {hours} h, less than the {least} h of an intake watch.",
                hours=hours,
                least=INTAKE_HOURS,
            )
        )
    if zones < INTAKE_ZONES:
        said.append(
            say(
                "{zones} gave readings, fewer than the {least} of an intake watch.",
                zones=say_number(zones, "{n} place", "{n} places"),
                least=INTAKE_ZONES,
            )
        )
    if wet:
        said.append(say("Wet in this time: {wet}.", wet=", ".join(wet)))
    elif zones:
        said.append(say("No watched place was found wet in this time."))
    if wettings and witnessed:
        said.append(
            say(
                "{witnessed} witnessed.",
                witnessed=say_number(witnessed, "{n} wetting was", "{n} wettings were"),
            )
        )
    return " ".join(said)


# --- sale -----------------------------------------------------------------------------------------

SALE_LIMITS = (
    "This is a record of what probes measured and people noted, not a warranty and not an inspection.",
    "No times at which somebody lived in it, no names, messages or notes are in it.",
)
NEVER_WATCHED = "Never watched in this time: {places}."
ALL_WATCHED = "No usual path of water was without a probe."


def sale_lead(
    *,
    standing: int,
    closed: int,
    watched: str,
    wettings: str,
    unheard_days: tuple[float, float],
) -> str:
    """First lines of a handover record; `unheard_days` are those when nothing was heard, and of how many."""
    found = (
        say_number(standing, "{n} finding is open", "{n} findings are open")
        if standing
        else say("No finding is open")
    )
    past = say_number(closed, "{n} was closed", "{n} were closed")
    silent, days = map(round, unheard_days)
    if silent:  # no finding of a time when nobody measured says nothing
        unheard = say(
            "for {silent} of {days} days nothing was heard, so of that time nothing is known",
            silent=silent,
            days=days,
        )
        return f"{watched} {wettings} {found}; {past}; {unheard}."
    return f"{watched} {wettings} {found}; {past}."


def never_text(places: Sequence[str]) -> str:
    """Which usual paths of water no probe watched."""
    if not places:
        return say(ALL_WATCHED)
    return say(NEVER_WATCHED, places=", ".join(places))


# --- season and warranty --------------------------------------------------------------------------

SEASON_MEANS = "What was watched of the unit, what the weather did to it, and what was done."
NO_LISTS = "No lay-up or opening list was begun in this time."
NO_ALARMS = "No alarm was raised in this time."
NONE_HEARD = "Nothing was heard in this time, so nothing was found either way."
NO_REPAIRS = "No repair is noted."
NO_WETTINGS = "No rain of 2 mm in 6 h, thaw, wash or hose test is on record in this time."
WARRANTY_MEANS = (
    "The list by date holds all that is on record of this time. What is not in it was not recorded, which does not "
    "mean that it did not happen."
)
DAILY_MEANS = "Daily means"


def list_text(*, title: str, done: int, left_out: int, left: int) -> str:
    """How far a list was done."""
    return say(
        "{title}: {done} done, {left_out} left out with a reason, {left} open",
        title=title,
        done=done,
        left_out=left_out,
        left=left,
    )


def answer_text(state: str, *, at: str, role: str) -> str:
    """One step of an alarm's life."""
    return say("{at} {state} ({role})", at=at, state=say(state), role=say(role))


# --- job card -------------------------------------------------------------------------------------

JOB_OPEN_FIRST = (
    "From inside, at the lowest point of the zone: the least visible panel, trim or outlet that shows the back of "
    "the lining. Measure before and after it is opened, and photograph both (common practice, no source)."
)
JOB_DO_NOTS = (
    "Do not close anything up wet, and do not seal before the cause is found: where it is condensation, sealing makes "
    "it worse.",
    "Do not spray under pressure or against wiper seals of doors and slides.",
    "Do not switch off, cover or move CO, LP-gas and smoke alarms.",
)
JOB_CLOSES = (
    "The cause was found and photographed at the place where the water came in.",
    "The zone was opened, or the reason noted why not, and is at its drying goal.",
    "A hose test from the lowest joint up, five minutes at each, was made and noted.",
    "The repair is noted in the record with what was done; the watch over it begins with that note.",
    "The probe is back at the place where the water collected, and that is noted (sensor moved).",
)
JOB_PROOF = (
    "Then the record follows it: 30 days, three rains or thaws beside the hose test (six without), no response, "
    "95 % of the hours covered. Until then it says “not yet shown”."
)
JOB_NO_WATER = (
    "Nothing on record says that water came into this zone; this card orders a look, not a repair."
)


def job_lead(*, unit: str, slot: str, zone: str, word: str, since: str) -> str:
    """First line of a job card."""
    where = say("{unit}, slot {slot}", unit=unit, slot=slot) if slot else unit
    if not since:
        return say("{where}: look at {zone}. It is {word}.", where=where, zone=zone, word=say(word))
    return say(
        "{where}: look at {zone}. It is {word}; the alarm stands since {since}.",
        where=where,
        zone=zone,
        word=say(word),
        since=since,
    )


# --- morning --------------------------------------------------------------------------------------


def morning_lead(*, shown: int, more: int) -> str:
    """First line of a morning list."""
    if not shown:
        return say("Nothing asks for a unit to be opened.")
    said = say_number(shown, "{n} unit to open today", "{n} units to open today, in this order")
    if more:
        rest = say_number(
            more, "{n} more asks and is not on this sheet", "{n} more ask and are not on this sheet"
        )
        return f"{said}; {rest}."
    return f"{said}."


def unknown_units_text(names: Sequence[str], *, more: int) -> str:
    """Units of which nothing can be said."""
    rest = say(" and {more} more", more=more) if more else ""
    return say(
        "Units of which nothing can be said: {names}{rest}.", names=", ".join(names), rest=rest
    )


# --- the page of documents ------------------------------------------------------------------------

SPAN_MEANS = (
    "Without a first day each document takes its usual time: all of it, half a year for a season, a year for a claim. "
    "What was not recorded is in none of them."
)
LIVED_IN_MEANS = "Somebody lives or lived in this unit. For those days these are not made, for they tell of single hours: {named}."
NOTHING_PROVEN = "No repair with a proof is on record: there is no document of one."
LINE_OF_FONTS = "Letters that the paper's fonts do not have, such as Chinese ones, are printed as their numbers; HTML shows them."
