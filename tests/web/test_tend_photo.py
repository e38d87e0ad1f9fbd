"""A photo on a check: sent by helpers, seen by readers, refused in words."""

from __future__ import annotations

from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image
from tests.web.test_more_yardstick import words
from tests.web.test_routes import everything

from heapwright.yard import photos
from heapwright.yard.models import Photo


def jpeg(size=(120, 90), colour=(200, 120, 40)) -> bytes:
    made = BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "taken at home"
    Image.new("RGB", size, colour).save(made, "JPEG", exif=exif)
    return made.getvalue()


def check(data: bytes | None, name: str = "heap.jpg", kind: str = "image/jpeg", **said) -> dict:
    form = {
        "entry_id": str(uuid4()),
        "happened_at": timezone.now().strftime("%Y-%m-%dT00:01"),
        "depth": "",
        **said,
    }
    return form if data is None else form | {"photo": SimpleUploadedFile(name, data, kind)}


def test_a_helper_adds_one_and_a_reader_sees_it_with_its_words(as_, small_site):
    code = small_site.hot.code
    form = check(jpeg(), temp_1="131", photo_alt='the rim <b>"steams"</b>')
    answer = as_("helper").post(f"/piles/{code}/log/", form)
    assert answer.status_code == 303, words(answer.content.decode())
    photo = Photo.objects.latest("entry_id")
    reader = as_("reader")
    html = reader.get(f"/piles/{code}/").content.decode()
    href = f"/photos/{photo.entry.uuid}.jpg"
    assert f'src="{href}"' in html
    assert 'alt="the rim &lt;b&gt;&quot;steams&quot;&lt;/b&gt;"' in html
    assert 'width="120" height="90"' in html
    assert f'src="{href}"' in reader.get(f"/more/entries/{photo.entry.uuid}/").content.decode()
    seen = reader.get(href)
    assert seen["Content-Type"] == "image/jpeg"
    assert seen["X-Content-Type-Options"] == "nosniff"
    assert "private" in seen["Cache-Control"]
    assert b"taken at home" not in seen.content
    with Image.open(BytesIO(seen.content)) as image:
        assert image.size == (120, 90)
    assert "default-src 'self'" in reader.get(f"/piles/{code}/")["Content-Security-Policy"]


def test_without_words_it_says_what_it_is_of(as_, small_site):
    code = small_site.hot.code
    as_("helper").post(f"/piles/{code}/log/", check(jpeg()))
    html = as_("reader").get(f"/piles/{code}/").content.decode()
    assert f'alt="Photo of {code}; nobody said what it shows"' in html


def test_a_stranger_sees_none_and_a_file_that_is_gone_is_said_so(client, as_, small_site):
    href = f"/photos/{small_site.helpers_check.uuid}.jpg"
    assert client.get(href).status_code == 302
    assert as_("reader").get(f"/photos/{uuid4()}.jpg").status_code == 404
    digest = Photo.objects.get(entry=small_site.helpers_check).digest
    path = photos.path_of(digest)
    data = path.read_bytes()
    path.unlink()
    try:
        assert as_("reader").get(href).status_code == 404
    finally:
        path.write_bytes(data)


@pytest.mark.parametrize("role", ["reader"])
def test_a_reader_adds_none(as_, small_site, role):
    before = everything()
    answer = as_(role).post(f"/piles/{small_site.hot.code}/log/", check(jpeg()))
    assert answer.status_code == 403
    assert everything() == before


@pytest.mark.parametrize(
    ("data", "name", "kind"),
    [
        (b"", "heap.jpg", "image/jpeg"),
        (b"%PDF-1.7", "heap.pdf", "application/pdf"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "heap.svg", "image/svg+xml"),
        (b"<script>alert(1)</script>", "heap.jpg", "image/jpeg"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 64, "heap.heic", "image/heic"),
        (jpeg()[:150], "heap.jpg", "image/jpeg"),
    ],
    ids=["empty", "pdf", "svg", "html called jpg", "heic", "cut off"],
)
def test_what_is_no_photo_is_said_beside_the_field_and_nothing_is_written(
    as_, small_site, data, name, kind
):
    before = everything()
    form = check(data, name, kind, temp_1="131", photo_alt="steam")
    answer = as_("helper").post(f"/piles/{small_site.hot.code}/log/", form)
    assert answer.status_code == 400
    html = answer.content.decode()
    block = html[html.index('id="id_photo_error"') :]
    assert "send a JPEG, PNG or WebP picture" in block[: block.index("</div>")]
    assert 'value="131"' in html
    assert 'value="steam"' in html
    assert everything() == before


def test_one_that_is_too_large_is_refused(as_, small_site, monkeypatch):
    monkeypatch.setattr(photos, "SENT_MOST_BYTES", 1000)
    big = check(jpeg() + b"0" * 2000)
    answer = as_("helper").post(f"/piles/{small_site.hot.code}/log/", big)
    assert answer.status_code == 400
    assert "this photo has" in answer.content.decode().lower()


def test_with_another_fault_it_asks_for_the_photo_again(as_, small_site):
    form = check(jpeg(), temp_1="hot")
    html = as_("helper").post(f"/piles/{small_site.hot.code}/log/", form).content.decode()
    assert "Choose the photo again" in html


def test_pressing_twice_keeps_one_and_entering_again_keeps_the_photo(as_, small_site):
    code, helper = small_site.hot.code, as_("helper")
    form = check(None, temp_1="131", photo_alt="steam")
    for _press in range(2):
        sent = form | {"photo": SimpleUploadedFile("a.jpg", jpeg(), "image/jpeg")}
        assert helper.post(f"/piles/{code}/log/", sent).status_code == 303
    photo = Photo.objects.latest("entry_id")
    assert Photo.objects.filter(digest=photo.digest).count() == 1
    mended = {
        "entry_id": str(uuid4()),
        "lot": code,
        "temps.0.point": "1",
        "temps.0.temp_c": "132",
        "photo_alt": "steam at the rim",
        "happened_at": form["happened_at"],
        "reason": "misread",
    }
    answer = helper.post(f"/more/entries/{photo.entry.uuid}/again/", mended)
    assert answer.status_code == 303, words(answer.content.decode())
    again = Photo.objects.get(entry__uuid=mended["entry_id"])
    assert (again.digest, again.alt) == (photo.digest, "steam at the rim")
