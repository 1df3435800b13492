"""What is said while a repair is opened, its joints are sprayed, and photos are added."""

DONE: tuple[tuple[str, str], ...] = (
    ("closed", "Closed: the joint was sealed, the wall was not opened"),
    ("opened and dried", "Opened, dried and closed again"),
)
HOW_TO_SPRAY = (
    "Spray one joint at a time, the lowest first, then upwards, each for some minutes; note when "
    "you began and stopped, and whether water came in before you go on to the next."
)
SPRAY_CAUTION = (
    "Soft spray, as rain falls: no jet, no pressure washer, and never past wiper seals of slides or "
    "into vents and appliance doors. Shore power, inverter and battery switch off before water goes "
    "on; keep cords and outlets dry. Stand on the ground or on a ladder that somebody holds, not on "
    "the roof. Where wiring or LP gas may have become wet, stop and ask a licensed person."
)
COUNTS_FROM = (
    "What you enter counts from the next midnight (UTC) on. Nothing is changed later: a new entry is "
    "added, and the old ones stay."
)
GOAL_EXPLAINED = (
    "The drying goal is how far above the dry standard the zone may stand. It was set when the repair "
    "was opened, from the zones that were not affected; another one needs your reason."
)
NO_DEFAULT_GOAL = (
    "the like zones were not heard before the repair: its goal is theirs a week after it"
)
DEFAULT_WHY = "from the like zones in the 21 days before the repair"
