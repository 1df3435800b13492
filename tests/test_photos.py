"""Photos: what is kept of them, and what is not."""

import io
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from monitor.errors import InputError
from monitor.lot import Photo, Site, Unit
from monitor.photos import LONGEST, MOST_KEPT, MOST_PIXELS, cleaned
from monitor.store import open_record


def sent(size=(640, 480), *, form="JPEG", **more) -> bytes:
    picture = Image.effect_noise(size, 90).convert("RGB")
    out = io.BytesIO()
    picture.save(out, form, **more)
    return out.getvalue()


def with_place() -> bytes:
    exif = Image.Exif()
    exif[0x010F] = "a maker"
    exif[0x0132] = "2031:02:03 04:05:06"
    exif[0x0112] = 6  # turned a quarter (Exif 2.32, table 4: 6 is a row on the right)
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", (12.0, 34.0, 56.0)
    return sent(
        (300, 200), exif=exif, comment=b"a comment", icc_profile=b"0" * 200, xmp=b"<x>who</x>"
    )


def test_nothing_that_the_camera_wrote_is_kept() -> None:
    given_ = with_place()
    assert b"a maker" in given_
    kept = cleaned(given_)
    for left in (b"Exif", b"a maker", b"a comment", b"ICC_PROFILE", b"<x>", b"2031"):
        assert left not in kept
    opened = Image.open(io.BytesIO(kept))
    assert dict(opened.getexif()) == {}
    assert opened.size == (200, 300)  # and it stands upright


def test_a_large_noisy_photo_is_bounded() -> None:
    kept = cleaned(sent((4000, 3000), quality=95))
    assert len(kept) <= MOST_KEPT
    assert max(Image.open(io.BytesIO(kept)).size) <= LONGEST


def test_a_small_photo_is_not_made_larger() -> None:
    assert Image.open(io.BytesIO(cleaned(sent((64, 48))))).size == (64, 48)


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_other_kinds_become_jpeg(form: str) -> None:
    assert Image.open(io.BytesIO(cleaned(sent(form=form)))).format == "JPEG"


def test_what_is_clear_becomes_white() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(out, "PNG")
    kept = Image.open(io.BytesIO(cleaned(out.getvalue())))
    assert np.asarray(kept).min() > 250


@pytest.mark.parametrize("mode", ["L", "CMYK", "1", "P", "LA", "I;16"])
def test_any_kind_of_colour(mode: str) -> None:
    out = io.BytesIO()
    form = "JPEG" if mode == "CMYK" else "PNG"
    Image.new(mode, (8, 8)).save(out, form)
    assert Image.open(io.BytesIO(cleaned(out.getvalue()))).mode == "RGB"


@pytest.mark.parametrize("what", [b"", b"GIF89a", b"<svg/>", sent()[:2000], b"\xff\xd8\xff"])
def test_what_is_no_photo_says_what_to_send(what: bytes) -> None:
    with pytest.raises(InputError, match="send a JPEG"):
        cleaned(what)


def test_a_picture_that_would_fill_the_memory_is_refused() -> None:
    out = io.BytesIO()
    Image.new("1", (12_000, MOST_PIXELS // 12_000 + 1)).save(out, "PNG")
    assert out.tell() < 100_000
    with pytest.raises(InputError, match="smaller"):
        cleaned(out.getvalue())


@settings(max_examples=60, deadline=None)
@given(place=st.integers(0, 3000), bytes_=st.binary(min_size=1, max_size=8))
def test_a_damaged_photo_is_refused_or_kept_and_nothing_else(place: int, bytes_: bytes) -> None:
    whole = bytearray(sent((120, 90)))
    place %= len(whole)
    whole[place : place + len(bytes_)] = bytes_
    try:
        kept = cleaned(bytes(whole))
    except InputError:
        return
    assert Image.open(io.BytesIO(kept)).format == "JPEG"


def test_a_photo_is_kept_once_and_given_back(tmp_path: Path) -> None:
    data = cleaned(sent())
    photo = Photo(sha256(data).hexdigest(), 1000, 2000, "Ann", "cap seam")
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        for code in ("u01", "u02"):
            record.add_unit(Unit(code, "yard"))
        for _ in range(2):
            record.keep_photo("u01", photo, data)
        record.keep_photo("u02", photo, data)
        assert record.photos("u01") == [photo]
        assert record.photo("u01", photo.digest) == data
        assert record.photo("u01", "0" * 64) is None
        with pytest.raises(InputError, match="again"):
            record.keep_photo("u01", photo, data + b"x")
