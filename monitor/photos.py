"""Photos as they are kept: bounded in size, without place, device or time of the camera.

A photo is drawn anew from its picture elements, so nothing that a camera wrote beside them is left.
"""

import io

from PIL import Image, ImageOps, UnidentifiedImageError

from monitor.errors import InputError

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_SENT = 20_000_000  # bytes of one file: a common phone's largest
MOST_PIXELS = 80_000_000  # of the picture sent; beyond, its memory would hurt a small computer
LONGEST = (
    1600  # picture elements of the longer side: a crack a millimetre wide shows at arm's length
)
MOST_KEPT = 400_000  # bytes: a round of ten units with forty photos takes 16 MB
QUALITIES = (82, 70, 58, 45)
NO_PHOTO = "it is no photo that can be read: send a JPEG, PNG or WebP file"


def cleaned(sent: bytes) -> bytes:
    """A photo as it is kept: a JPEG of at most `LONGEST` picture elements and `MOST_KEPT` bytes.

    Parameters
    ----------
    sent : bytes
        File that a person chose: JPEG, PNG or WebP.

    Raises
    ------
    InputError
        If it is too large, or not such a file; it says what to do.
    """
    if len(sent) > MOST_SENT:
        raise InputError(
            f"the photo has {len(sent) / 1e6:.0f} MB: send one of at most {MOST_SENT / 1e6:.0f} MB"
        )
    try:
        with Image.open(io.BytesIO(sent), formats=FORMATS) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise InputError("the photo has too many picture elements: send a smaller one")
            opened.draft("RGB", (LONGEST, LONGEST))  # a JPEG is read at the size that is kept
            picture = _flat(ImageOps.exif_transpose(opened))
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise InputError(NO_PHOTO) from error
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise InputError("the photo has too many picture elements: send a smaller one") from error
    picture.thumbnail((LONGEST, LONGEST), Image.Resampling.LANCZOS)
    return _small(picture)


def _flat(picture: Image.Image) -> Image.Image:
    """In colours on white: a JPEG has no transparency."""
    if "A" not in picture.getbands() and "transparency" not in picture.info:
        return picture.convert("RGB")
    shown = picture.convert("RGBA")
    flat = Image.new("RGB", shown.size, "white")
    flat.paste(shown, mask=shown.getchannel("A"))
    return flat


def _small(picture: Image.Image) -> bytes:
    """As a file of at most `MOST_KEPT` bytes: coarser first, then smaller."""
    while True:
        for quality in QUALITIES:
            out = io.BytesIO()
            # a new picture has no information of the old one; nothing is handed on by name either
            Image.frombytes("RGB", picture.size, picture.tobytes()).save(
                out, "JPEG", quality=quality, optimize=True
            )
            if out.tell() <= MOST_KEPT:
                return out.getvalue()
        picture = picture.resize((max(picture.width // 2, 1), max(picture.height // 2, 1)))


def is_kept(data: bytes) -> bool:
    """Whether bytes are a photo as `cleaned` gives it: bounded, and nothing of a camera in it."""
    if len(data) > MOST_KEPT:
        return False
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as opened:
            beside = set(opened.info) & {"exif", "icc_profile", "comment", "xmp", "photoshop"}
            if max(opened.size) > LONGEST or beside:
                return False
            opened.load()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return False
    return True
