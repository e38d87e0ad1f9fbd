"""Pictures of checks, with real files: made anew, small, upright, without what came beside them."""

from __future__ import annotations

import hashlib
from io import BytesIO

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from tests.yard.acting import NOW, Yard, at

from heapwright.yard import photos, tend
from heapwright.yard.audit import audit
from heapwright.yard.errors import FieldError
from heapwright.yard.models import Entry, Photo
from heapwright.yard.photos import SIDE_MOST_PX, Picture, path_of, picture

ORIENTATION, GPS = 0x0112, 0x8825
SECRET = b"40 deg 44 min north, camera of Sam"


def sent(kind: str, size=(64, 48), mode: str = "RGB", colour=(10, 200, 30), **how) -> bytes:
    made = BytesIO()
    Image.new(mode, size, colour).save(made, kind, **how)
    return made.getvalue()


def made_of(data: bytes) -> Picture:
    return picture(BytesIO(data), size_bytes=len(data))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_each_kind_of_picture_becomes_a_jpeg_of_its_own(kind):
    found = made_of(sent(kind))
    assert (found.width_px, found.height_px) == (64, 48)
    assert found.digest == hashlib.sha256(found.data).hexdigest()
    with Image.open(BytesIO(found.data)) as image:
        assert image.format == "JPEG"
        red, green, blue = image.getpixel((20, 20))
        assert abs(red - 10) < 12
        assert abs(green - 200) < 12
        assert abs(blue - 30) < 12


def test_nothing_that_the_camera_wrote_beside_it_is_kept():
    exif = Image.Exif()
    exif[0x010E] = SECRET.decode()
    exif.get_ifd(GPS)[1] = "N"
    exif.get_ifd(GPS)[2] = (40.0, 44.0, 55.0)
    data = sent("JPEG", exif=exif, comment=SECRET)
    assert SECRET in data
    found = made_of(data)
    assert SECRET not in found.data
    assert b"Exif" not in found.data
    with Image.open(BytesIO(found.data)) as image:
        assert not image.getexif()
        assert "comment" not in image.info
    text = PngInfo()
    text.add_text("Author", SECRET.decode())
    hidden = sent("PNG", pnginfo=text) + SECRET
    assert SECRET not in made_of(hidden).data


def test_it_stands_upright_as_the_camera_meant_it():
    exif = Image.Exif()
    exif[ORIENTATION] = 6  # turned a quarter
    found = made_of(sent("JPEG", size=(80, 40), exif=exif))
    assert (found.width_px, found.height_px) == (40, 80)


def test_a_large_one_is_made_small_and_a_small_one_stays():
    found = made_of(sent("JPEG", size=(4000, 3000)))
    assert max(found.width_px, found.height_px) <= SIDE_MOST_PX
    assert found.width_px / found.height_px == pytest.approx(4 / 3, rel=0.01)
    assert (made_of(sent("PNG", size=(1, 1))).width_px) == 1


def test_what_is_see_through_stands_on_white():
    found = made_of(sent("PNG", mode="RGBA", colour=(0, 0, 0, 0)))
    with Image.open(BytesIO(found.data)) as image:
        assert min(image.getpixel((5, 5))) > 250


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"not a picture",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"%PDF-1.7",
        sent("JPEG")[:200],
        sent("PNG")[:60],
        sent("GIF", mode="P", colour=1),
        sent("BMP"),
        sent("TIFF"),
    ],
    ids=["empty", "text", "svg", "pdf", "half a jpeg", "half a png", "gif", "bmp", "tiff"],
)
def test_what_is_no_photo_is_refused_in_words(data):
    with pytest.raises(FieldError) as refused:
        made_of(data)
    assert refused.value.field == "photo"
    assert "send a JPEG, PNG or WebP picture" in refused.value.message


def test_what_is_too_large_is_refused_before_it_is_unpacked(monkeypatch):
    with pytest.raises(FieldError, match="this photo has 21 MB; up to 20 MB"):
        picture(BytesIO(sent("JPEG")), size_bytes=21_000_000)
    monkeypatch.setattr(photos, "SENT_MOST_PIXELS", 1000)
    with pytest.raises(FieldError, match="million pixels"):
        made_of(sent("PNG"))
    bomb = BytesIO()
    Image.new("1", (20_000, 20_000)).save(bomb, "PNG")
    monkeypatch.undo()
    with pytest.raises(FieldError, match=r"million pixels|no photo"):
        made_of(bomb.getvalue())


def check(yard: Yard, pile, **said) -> Entry:
    act = tend.CheckLot(happened_at=at(2), lot=pile.code, **said)
    return tend.check(act, yard.helper, now=NOW)


def test_it_is_kept_with_its_check_and_the_entry_has_its_digest_alone(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    found = made_of(sent("JPEG"))
    entry = check(yard, pile, photo=found, photo_alt=" steam over the rim ")
    row = Photo.objects.get()
    assert (row.entry, row.digest, row.alt) == (entry, found.digest, "steam over the rim")
    assert path_of(found.digest).read_bytes() == found.data
    assert entry.sent["photo"] == {"digest": found.digest, "width_px": 64, "height_px": 48}
    assert list(path_of(found.digest).parent.glob("tmp*")) == []
    with pytest.raises(Exception, match="never changed"):
        Photo.objects.update(alt="nothing")


def test_a_deep_audit_misses_a_file_that_is_gone(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    found = made_of(sent("JPEG", colour=(1, 2, 3)))
    check(yard, pile, photo=found)
    assert audit(deep=True).findings == ()
    path_of(found.digest).unlink()
    (finding,) = audit(deep=True).findings
    assert finding.what.startswith(f"the photo of {pile.code} of")
    assert finding.grave


def test_sending_it_twice_keeps_one(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    act = tend.CheckLot(
        happened_at=at(2), lot=pile.code, photo=made_of(sent("JPEG")), photo_alt="a heap"
    )
    assert tend.check(act, yard.helper, now=NOW) == tend.check(act, yard.helper, now=NOW)
    assert Photo.objects.count() == 1


def test_words_without_a_photo_and_a_photo_that_came_in_part_are_refused(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    before = Entry.objects.count()
    with pytest.raises(FieldError) as refused:
        check(yard, pile, photo_alt="steam", squeeze="holds")
    assert refused.value.field == "photo_alt"
    lost = Picture("0" * 64, 64, 48, b"half")
    with pytest.raises(FieldError, match="did not arrive whole"):
        check(yard, pile, photo=lost)
    assert Entry.objects.count() == before
    assert not Photo.objects.exists()


def test_a_reading_keeps_the_unit_in_which_it_was_typed(yard: Yard):
    pile = yard.build(1, (yard.deliver(0, 100), None))
    entry = check(yard, pile, temps=(tend.Temp(point="1", temp_c=55.0, as_typed="131 °F"),))
    assert entry.sent["temps"] == [{"point": "1", "temp_c": 55.0, "as_typed": "131 °F"}]
