"""Writes the diagram of an alarm's life and the table of delays into DEVELOPERS.md.

``python -m tests.alarm_tables`` after a change of `monitor.alarms` or of the limits; a test fails
while the page says anything else.
"""

from pathlib import Path

from monitor import alarms, watch

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
BEGINS, ENDS = "<!-- python -m tests.alarm_tables -->\n", "<!-- end -->\n"


def section() -> str:
    """What stands between the two marks."""
    rows = [
        f"| {kind} | {alarms.CLASSES[kind]} | {delay.begins} | {delay.ends} | {delay.deadband} |\n"
        for kind, delay in sorted(watch.DELAYS.items())
    ]
    head = "| kind | class | on-delay | off-delay | deadband (on / off) |\n| --- | --- | --- | --- | --- |\n"
    return f"```mermaid\n{alarms.diagram()}```\n\n{head}{''.join(rows)}"


def committed() -> str:
    """The same, as it stands in the page."""
    return PAGE.read_text(encoding="utf-8").partition(BEGINS)[2].partition(ENDS)[0]


if __name__ == "__main__":
    said = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(said.replace(BEGINS + committed(), BEGINS + section()), encoding="utf-8")
