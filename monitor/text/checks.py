"""What a look at the installation found, and what to do about it: the same on the page and in the command.

A line is kept as the name of its sentence and the facts in it, so that it is said in whatever language
is read. Facts ending in `_at_s` are said as times, `_bytes` as sizes, `_for_s` as spans.
"""

from collections.abc import Mapping

from monitor.catalogue import say, say_number
from monitor.text import alive_text, moment
from monitor.text.keeping import NO_DRILL, drill_text

# what each line is about, in the order in which they are said
SUBJECTS: dict[str, str] = {
    "settings": "settings",
    "secrets": "secrets",
    "processes": "processes",
    "board": "board",
    "broker": "broker",
    "store": "record",
    "disk": "disk",
    "clock": "clock",
    "certificates": "certificates",
    "people": "people told",
    "backup": "backup",
}
LABELS = (*SUBJECTS.values(), "OK", "broken", "back", "forward")
OWNERS: dict[str, str] = {
    "broker": "the broker",
    "board": "the board",
    "authority": "the authority that signs for the broker",
}

FOUND: dict[str, str] = {
    "settings read": "{file} is read; it has no unknown key, and the files it names are there.",
    "settings none": "There is no {file}: every setting has its default.",
    "secrets kept": "Files that hold secrets are closed to others: {count}.",
    "secrets none": "No file holds a secret yet.",
    "secret open to all": "{file} can be read by everybody on this machine.",
    "secret open to its group": "{file} can be read by its group.",
    "heartbeat open to all": "{file} names the heartbeat's address, and everybody here can read it.",
    "secret unreadable": "{file} cannot be read: {error}.",
    "secret too short": "{error}.",
    "processes never": "No process of Sillkeep has run here yet.",
    "board answers": "The board answers at {address}.",
    "board waits": "The board is started by its first visitor, at {address}; it was not asked here.",
    "board off": "The board does not answer at {address}.",
    "board not started": "The board does not answer at {address}; nothing of Sillkeep runs.",
    "broker heard": "{address} answers; the intake is connected with MQTT 5 and subscribed.",
    "broker takes us": "{address} answers, takes our user with MQTT 5 and lets us subscribe.",
    "broker not started": "Its own broker does not answer at {address}; nothing of Sillkeep runs.",
    "broker of ours off": "Its own broker does not answer at {address}.",
    "broker off": "{address} does not answer: {error}.",
    "broker unnamed": "No address is known for the name in {address}.",
    "broker not trusted": "{address} shows a certificate that {file} does not vouch for: {error}.",
    "broker certificate over": "{address} shows a certificate that is over.",
    "broker no TLS": "{address} does not speak TLS as we do: {error}.",
    "broker refuses us": "{address} refuses the monitor: {error}.",
    "broker old": "{address} does not speak MQTT 5.",
    "broker refuses topics": "{address} does not let the monitor subscribe to {topic}: {error}.",
    "broker mute": "{address} takes connections and does not answer MQTT.",
    "broker in clear": "{address} is on another machine and is reached without TLS.",
    "store opens": "It opens and is of this version; {size}, its journal {journal}.",
    "store journal": "Its journal of writes has grown to {journal}.",
    "store none": "There is none in {folder} yet.",
    "store closed": "{error}.",
    "store whole": "It was checked {checked}: as written.",
    "store unchecked": "It has not checked itself yet.",
    "store check old": "It was last checked {checked}, more than a day ago.",
    "store damaged": "It is damaged in {places} places, found {checked}.",
    "server opens": "It is {where}, PostgreSQL {version}, {tls}; each commit is on its disk before it counts; {size}.",
    "server hasty": "It is {where}, which may lose what it has committed when the power fails: {off} is off.",
    "server closed": "{error}.",
    "disk beside": "{free} free of {total} here; the record is on a server.",
    "disk room": "{free} free of {total}. How fast the record grows is known after a day.",
    "disk steady": "{free} free of {total}; the record does not grow.",
    "disk room for": "{free} free of {total}; {growth} more a day leave room for {days} days.",
    "disk low": "{free} free of {total}.",
    "disk unread": "{folder} cannot be looked at: {error}.",
    "clock kept": "A time service keeps the clock.",
    "clock free": "No time service keeps the clock.",
    "clock untold": "This system does not say whether a time service keeps the clock.",
    "clock behind": "The record has entries that are {ahead} ahead of the clock.",
    "clock jumped": "The clock was set {direction} by {jump} between {before} and {after}.",
    "certificate good": "The certificate of {owner} ends {ends}, in {days} days.",
    "certificate over": "The certificate of {owner} ended {ends}.",
    "certificates none": "Neither broker nor board is reached through TLS by the settings.",
    "certificate unknown": "When that of {owner} ends could not be learned: {error}.",
    "board not trusted": "{address} shows a certificate that this machine does not trust: {error}.",
    "board address off": "{address}, where messages link to, does not answer from here: {error}.",
    "people none": "Nobody is told of alarms.",
    "people without": "People without an address: {count}.",
    "way answers": "{label}: {host} answers; nothing was sent.",
    "way off": "{label}: {host} does not answer: {error}.",
    "way untried": "{label}: it cannot be tried without sending something.",
    "way gone": "{label}: the address itself is not on this machine.",
    "way sent": "{label}: a message was sent.",
    "way refused": "{label}: {error}.",
    "messages wait": "{count} wait; of the longest: {error}.",
    "messages late": "{count} of the last week could not be handed over in their time.",
    "heartbeat answers": "The heartbeat's {host} answers.",
    "heartbeat off": "The heartbeat's {host} does not answer: {error}.",
    "backup made": "The last one was made {made}, {ago} ago.",
    "backup none": "None was made yet.",
    "backup elsewhere": "The record is {where}: pg_dump or the server's own recovery copies it, not sillkeep backup.",
    "drill none": NO_DRILL,
    "too slow": "No answer within {seconds} s; it was given up.",
    "failed": "It could not be looked at: {error}.",
}

MEND_MODE = (
    "Close it: chmod 600 {file}. Who has an account here may have read it: then change the secret."
)
MEND_DISK = "Make room on this disk, or move the record: record.path in sillkeep.toml."
MEND_PROCESS = "Read its log. sillkeep serve starts it again when it ends; else start that again."
MEND_CERTIFICATE = "Renew it before that day, and have the program that shows it read it again."
MEND_BACKUP = (
    "Make one, nightly, onto another disk or machine: sillkeep backup FOLDER. A first is best now."
)
MEND_DRILL = (
    "Restore one elsewhere each month, and compare it: sillkeep drill FOLDER. It is due now."
)
START = "Start it: sillkeep serve."

TO_DO: dict[str, str] = {
    "secret open to all": MEND_MODE,
    "secret open to its group": "If nobody else is in that group, it is well. Else: chmod 600 {file}.",
    "heartbeat open to all": "Close it: chmod 600 {file}. Who knows the address can feign that Sillkeep lives.",
    "secret unreadable": "Let the user that Sillkeep runs as read it.",
    "secret too short": "Then start Sillkeep again.",
    "processes never": START,
    "part late": MEND_PROCESS,
    "part never": MEND_PROCESS,
    "board off": MEND_PROCESS,
    "board not started": START,
    "broker not started": START,
    "broker of ours off": MEND_PROCESS,
    "broker off": "Start the broker; look at broker.host and broker.port, at cables and the firewall. "
    "Until then nodes keep their samples.",
    "broker unnamed": "Mend broker.host in sillkeep.toml, or this machine's name service.",
    "broker not trusted": "Put the certificate of the authority that signed the broker's into that file; "
    "the name in broker.host must be one of the certificate's. Until then nodes keep their samples.",
    "broker certificate over": "Renew it and have the broker read it again. Until then nodes keep their "
    "samples.",
    "broker no TLS": "Look at broker.port (8883 is usual with TLS), or take broker.ca_file out.",
    "broker refuses us": "Look at broker.username and the first line of broker.password_file, and at the "
    "broker's own list of users. Until then nodes keep their samples.",
    "broker old": "Use one that does: mosquitto 2.0 or later.",
    "broker refuses topics": "Let the monitor's user read that in the broker's access list.",
    "broker mute": "Look whether that port is the broker's, and whether it wants TLS (broker.ca_file).",
    "broker in clear": "Give the broker a certificate, and name its authority in broker.ca_file.",
    "store journal": "Something keeps the record open for reading: an export, a copy. It shrinks when that "
    "ends; if it does not, start Sillkeep again.",
    "store none": START,
    "store closed": "Nothing was changed. If the file was damaged: sillkeep restore.",
    "server hasty": "Turn it on in postgresql.conf and start PostgreSQL again.",
    "server closed": "Look whether PostgreSQL runs; at record.address, record.password_file and the server's "
    "pg_hba.conf. Until then the intake holds what comes, and nodes keep their samples.",
    "store unchecked": "The watch has it done once a day. At once: sillkeep check --deep.",
    "store check old": "The watch has it done once a day; read the watch's log. At once: sillkeep check "
    "--deep.",
    "store damaged": "Copy the folder elsewhere, check the disk, stop Sillkeep and restore the newest "
    "backup that verifies: sillkeep restore.",
    "disk room for": MEND_DISK,
    "disk low": MEND_DISK,
    "disk unread": "Look at the disk and who may read the folder.",
    "clock free": "Turn one on: timedatectl set-ntp true. Samples of nodes without a clock are timed by "
    "this one.",
    "clock untold": "See that its time is right.",
    "clock behind": "Set the clock right. If it is right now, it was ahead before: what came meanwhile has "
    "times that are yet to come.",
    "clock jumped": "If a time service set it right, nothing. Samples without a time of their own that came "
    "before have the old one.",
    "certificate good": MEND_CERTIFICATE,
    "certificate over": "Renew it, and have the program that shows it read it again.",
    "board not trusted": "Browsers warn of it too. Renew it, or have this machine trust its authority.",
    "board address off": "Look at messages.board_url and at the proxy in front of the board.",
    "people none": "Enter somebody: sillkeep person add NAME --address URL.",
    "people without": "Give them one: sillkeep person change NAME --address URL. Who it is: Chain says.",
    "way off": "Look at the network and whether the server runs; a changed address: sillkeep person change.",
    "way gone": "Give it again: sillkeep person change NAME --address URL.",
    "way refused": "Look at the address: sillkeep person change, then sillkeep person test NAME.",
    "messages wait": "They are tried again by themselves. Try the way: sillkeep person test NAME.",
    "messages late": "Try the way: sillkeep person test NAME. What stands is on the Alarms page.",
    "heartbeat off": "Look at messages.heartbeat_url: who watches it will say that Sillkeep is dead.",
    "backup made": MEND_BACKUP,
    "backup none": MEND_BACKUP,
    "drill none": MEND_DRILL,
    "drill whole": MEND_DRILL,
    "drill failed": "Until one comes back whole, take it that there is no backup. Mend what it names, make a "
    "new one, and try it: sillkeep backup FOLDER, then sillkeep drill FOLDER.",
    "too slow": "Look at it by hand: a disk or server that hangs.",
    "failed": "Read the log of the watch.",
}
_NEEDS_NOTHING = "OK"

Facts = Mapping[str, str | int]


def found_text(key: str, facts: Facts) -> str:
    """What was found, in one sentence."""
    if key.startswith("part "):
        ago_s = facts.get("ago_s")
        late = key == "part late"
        return alive_text(
            str(facts["part"]), ago_s=None if ago_s is None else int(ago_s), late=late
        )
    if key in {"drill whole", "drill failed"}:
        return drill_text(facts)
    if key not in FOUND:  # written by a later version
        return key
    return say(FOUND[key], **_said(facts))


def to_do_text(key: str, word: str, facts: Facts) -> str:
    """What to do about it; empty where nothing is to be done."""
    if word == _NEEDS_NOTHING or key not in TO_DO:
        return ""
    return say(TO_DO[key], **_said(facts))


def summary_text(*, broken: int, look: int, fine: int) -> str:
    """How many lines of each word there are."""
    parts = []
    if broken:
        parts.append(say_number(broken, "{n} is broken", "{n} are broken"))
    if look:
        parts.append(say_number(look, "{n} asks for a look", "{n} ask for a look"))
    if fine:
        parts.append(say_number(fine, "{n} is in order", "{n} are in order"))
    return say("Of what was looked at, {parts}.", parts=", ".join(parts))


# what a line of its own does not make plain, for the panel of what is not known
UNKNOWN: dict[str, str] = {
    "way untried": "Whether {label} takes a message: it cannot be tried without sending one.",
    "disk room": "How fast the record grows: it is known after a day.",
    "clock untold": "Whether a time service keeps the clock.",
    "backup elsewhere": "Whether the server's database is backed up.",
    "certificate unknown": "When the certificate of {owner} ends.",
}


def unknown_text(key: str, facts: Facts) -> str:
    """What a line leaves open; empty where nothing is."""
    return say(UNKNOWN[key], **_said(facts)) if key in UNKNOWN else ""


def _said(facts: Facts) -> dict[str, str | int]:
    """Facts as a person reads them."""
    said: dict[str, str | int] = {}
    for name, value in facts.items():
        for ending, written in _WRITTEN.items():
            if name.endswith(ending):
                said[name.removesuffix(ending)] = written(int(value))
                break
        else:
            said[name] = value
    if "owner" in said:
        said["owner"] = say(OWNERS[str(said["owner"])])
    if "direction" in said:
        said["direction"] = say("back") if said["direction"] == "back" else say("forward")
    return said


def size(count: int) -> str:
    """Bytes, in the unit that leaves a short number (SI prefixes)."""
    for unit, one in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if count >= one:
            return (
                f"{count / one:.3g} {unit}" if count < 1000 * one else f"{count / one:,.0f} {unit}"
            )
    return f"{count} B"


def span(seconds: int) -> str:
    """A span of time in its largest whole unit."""
    seconds = abs(seconds)
    if seconds < 120:
        return f"{seconds} s"
    if seconds < 7200:
        return f"{seconds // 60} min"
    if seconds < 172_800:
        return f"{seconds // 3600} h"
    return say_number(seconds // 86_400, "{n} day", "{n} days")


_WRITTEN = {"_at_s": moment, "_bytes": size, "_for_s": span}
