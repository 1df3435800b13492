"""What a body looks like from its door side, in units of about 3 cm: x from the rear, z from the ground.

Shapes, windows and wheels are common practice, no source; nothing is to scale. Only the part that
people live in is the shell: zones are put into it. A cab or a truck is drawn around it.
"""

import re
from dataclasses import dataclass

Point = tuple[float, float]
Span = tuple[float, float]

LENGTH = 264.0  # every body fits in, with what it is pulled by


@dataclass(frozen=True, slots=True)
class Body:
    """Side of a body, its rear at the left; x and z as in the module's head.

    `low` and `high` are from where to where its walls reach, low and high; `bunk` is the bed over
    the cab, (x from, x to, z of its board); empty where there is none.
    """

    name: str
    shell: tuple[Point, ...]
    low: Span
    high: Span
    wheels: tuple[float, ...] = ()
    windows: tuple[tuple[float, float, float, float], ...] = ()  # x from, z from, x to, z to
    door: Span = (0.0, 0.0)
    cab: tuple[tuple[Point, ...], ...] = ()  # lines that are no part of the shell
    bunk: tuple[float, ...] = ()
    known: bool = True
    towed: bool = False

    @property
    def shell_top(self) -> float:
        """Height of its roof."""
        return max(z for _, z in self.shell)


TRAILER = Body(
    "travel trailer",
    ((12, 24), (12, 92), (16, 96), (212, 96), (230, 74), (230, 44), (216, 24)),
    low=(12, 220),
    high=(12, 214),
    wheels=(98, 124),
    windows=((46, 63, 72, 83), (92, 63, 128, 83), (184, 63, 206, 81)),
    door=(150, 172),
    cab=(((218, 27), (256, 20)), ((250, 22), (250, 4)), ((245, 4), (255, 4))),
    towed=True,
)
FIFTH_WHEEL = Body(
    "fifth wheel",
    ((12, 24), (12, 98), (16, 102), (226, 102), (240, 86), (240, 56), (188, 54), (188, 24)),
    low=(12, 240),
    high=(12, 228),
    wheels=(78, 104),
    windows=((46, 65, 72, 87), (90, 65, 116, 87), (194, 76, 214, 90)),
    door=(150, 172),
    cab=(
        ((222, 55), (222, 44)),
        ((216, 44), (228, 44)),
        ((176, 24), (176, 4)),
        ((171, 4), (181, 4)),
    ),
)
CLASS_A = Body(
    "class A motorhome",
    ((12, 22), (12, 98), (16, 102), (226, 102), (236, 92), (240, 46), (240, 22)),
    low=(12, 240),
    high=(12, 230),
    wheels=(66, 206),
    windows=((46, 65, 68, 87), (84, 65, 116, 87), (176, 65, 196, 87)),
    door=(140, 162),
    cab=(((214, 88), (236, 88)), ((214, 50), (240, 50)), ((214, 50), (214, 88))),
)
CLASS_C = Body(
    "class C motorhome",
    ((12, 24), (12, 98), (16, 102), (228, 102), (240, 90), (240, 78), (194, 72), (194, 24)),
    low=(12, 194),
    high=(12, 236),
    wheels=(60, 226),
    windows=((46, 65, 68, 87), (84, 65, 116, 87), (206, 86, 220, 96)),
    door=(142, 164),
    cab=(
        ((194, 70), (216, 70), (236, 48), (260, 42), (262, 24), (194, 24)),
        ((198, 48), (236, 48)),
    ),
    bunk=(194, 236, 78),
)
VAN = Body(
    "van",
    ((12, 20), (12, 92), (18, 98), (186, 98), (186, 20)),
    low=(12, 186),
    high=(12, 186),
    wheels=(54, 224),
    windows=((46, 60, 68, 82), (86, 60, 116, 82)),
    door=(132, 166),
    cab=(
        ((186, 98), (202, 92), (226, 60), (256, 50), (262, 40), (262, 20), (186, 20)),
        ((192, 58), (226, 58)),
    ),
)
TRUCK_CAMPER = Body(
    "truck camper",
    ((24, 46), (24, 104), (28, 108), (226, 108), (238, 96), (238, 84), (150, 82), (150, 46)),
    low=(24, 150),
    high=(24, 234),
    wheels=(66, 224),
    windows=((52, 66, 80, 90), (112, 66, 138, 88), (192, 90, 216, 100)),
    door=(28, 48),
    cab=(
        (
            (18, 46),
            (18, 24),
            (262, 24),
            (262, 44),
            (238, 52),
            (214, 78),
            (166, 78),
            (156, 46),
            (18, 46),
        ),
        ((170, 54), (234, 54)),
    ),
    bunk=(150, 234, 84),
)
_BOX = ((12.0, 24.0), (12.0, 96.0), (240.0, 96.0), (240.0, 24.0))

_WORDS: tuple[tuple[tuple[str, ...], Body], ...] = (
    (("truck camper", "slide in camper"), TRUCK_CAMPER),
    (("fifth wheel", "5th wheel"), FIFTH_WHEEL),
    (("class a",), CLASS_A),
    (("class c",), CLASS_C),
    (("class b", "van", "campervan", "camper van"), VAN),
    (("travel trailer",), TRAILER),
)


def body(body_type: str) -> Body:
    """Body of a declared type, whatever its case and hyphens.

    Parameters
    ----------
    body_type : str
        Such as "Fifth-wheel" or "class C motorhome".

    Returns
    -------
    Body
        A plain box, not `known`, for a type that none of the outlines is for.
    """
    said = f" {' '.join(re.findall(r'[a-z0-9]+', body_type.casefold()))} "
    for words, found in _WORDS:
        if any(f" {word} " in said for word in words):
            return found
    return Body(body_type, _BOX, low=(12, 240), high=(12, 240), known=False)
