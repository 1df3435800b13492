"""The outline of a unit: its body in a few lines, its zones at their places, water's usual ways to them.

::

    bodies   what a body looks like, from its type           places   where a zone is, from its code
    frames   plan, elevations and slides of a body, empty    ways     where water enters, drawn to a zone
    sheet    puts marks, labels and ways into each view so that none hides another
    draw     a view as SVG

Pure. Nothing is guessed: a zone whose code does not tell its place is listed and not drawn, and
along a line that the code leaves open its mark stands on a dashed line over all of it. Openings and
wheels are drawn where they often are: common practice, no source.
"""

from monitor.outline.bodies import Body, body
from monitor.outline.draw import ground, svg
from monitor.outline.places import Told, told
from monitor.outline.sheet import Mark, Outline, Shown, View, Way, outline

__all__ = [
    "Body",
    "Mark",
    "Outline",
    "Shown",
    "Told",
    "View",
    "Way",
    "body",
    "ground",
    "outline",
    "svg",
    "told",
]
