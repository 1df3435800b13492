"""Photos in the record: each once a unit, by the SHA-256 of its bytes."""

from hashlib import sha256

from sqlalchemy import Connection, select

from monitor.errors import InputError
from monitor.lot import Photo
from monitor.store import schema as t

MOST_OF_UNIT = 2_000  # of 400 kB at most: what a unit gathers in ten years of rounds


def keep(connection: Connection, unit_id: int, photo: Photo, data: bytes) -> None:
    """Keep a photo; one that is there already stays as it is, so that sending it again adds nothing.

    Raises
    ------
    InputError
        If the bytes are not those of the digest, or the unit has too many photos.
    """
    if sha256(data).hexdigest() != photo.digest:
        raise InputError("the photo was damaged on its way: send it again")
    c = t.photo.c
    mine = c.unit_id == unit_id
    held = connection.execute(select(c.digest).where(mine)).scalars().all()
    if photo.digest in held:
        return
    if len(held) >= MOST_OF_UNIT:
        raise InputError(f"this unit has {MOST_OF_UNIT} photos already; none is added")
    connection.execute(
        t.photo.insert().values(
            unit_id=unit_id,
            digest=photo.digest,
            at_s=photo.at_s,
            recorded_s=photo.recorded_s,
            who=photo.who,
            caption=photo.caption,
            data=data,
        )
    )


def listed(connection: Connection, unit_id: int) -> list[Photo]:
    """Photos of a unit, oldest first, without their bytes."""
    c = t.photo.c
    query = (
        select(c.digest, c.at_s, c.recorded_s, c.who, c.caption)
        .where(c.unit_id == unit_id)
        .order_by(c.at_s, c.photo_id)
    )
    return [Photo(*row) for row in connection.execute(query)]


def data(connection: Connection, unit_id: int, digest: str) -> bytes | None:
    """Bytes of one photo of a unit; None if it has none such."""
    c = t.photo.c
    query = select(c.data).where(c.unit_id == unit_id, c.digest == digest)
    found: bytes | None = connection.execute(query).scalar()
    return found
