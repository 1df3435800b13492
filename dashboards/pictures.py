"""Photos that a form brings: cleaned, and kept with the unit."""

from collections.abc import Sequence
from hashlib import sha256

from flask import request

from monitor.errors import InputError
from monitor.lot import Photo
from monitor.photos import cleaned
from monitor.store import Record

MOST = 4  # of one form: `access.MOST_WITH_PHOTOS` is made for them


def chosen(name: str = "photo") -> list[bytes]:
    """Photos that were chosen in a file field of the form, cleaned; none where none was.

    The route must stand in `access.WITH_PHOTOS`.

    Raises
    ------
    InputError
        If one is none, or there are more than `MOST`.
    """
    files = [file for file in request.files.getlist(name) if file.filename]
    if len(files) > MOST:
        raise InputError(f"at most {MOST} photos at once; send the others by themselves")
    return [cleaned(file.read()) for file in files]


def kept(
    record: Record, unit: str, photos: Sequence[bytes], *, at_s: int, now_s: int, who: str
) -> tuple[str, ...]:
    """Keep cleaned photos of a unit; their digests, for the finding, seal or repair that shows them."""
    digests = []
    for data in photos:
        digest = sha256(data).hexdigest()
        record.keep_photo(unit, Photo(digest, at_s, now_s, who), data)
        digests.append(digest)
    return tuple(digests)
