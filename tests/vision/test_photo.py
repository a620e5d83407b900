"""Photos come in upright and in linear light, or not at all."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pillow_heif import from_pillow

from lightgap.neck.errors import FileProblem, Refusal
from lightgap.vision.photo import LUMINANCE_WEIGHTS, decode_srgb, load_photo

ORIENTATION, FOCAL_35MM, EXIF_IFD = 0x0112, 0xA405, 0x8769
CORNERS = {
    "top left": (230, 30, 30),
    "top right": (30, 200, 30),
    "bottom right": (40, 40, 230),
    "bottom left": (240,) * 3,
}


def upright_picture() -> Image.Image:
    """A wide picture with a colour of its own in each corner."""
    pixels = np.zeros((240, 400, 3), np.uint8)
    pixels[:120, :200], pixels[:120, 200:] = CORNERS["top left"], CORNERS["top right"]
    pixels[120:, 200:], pixels[120:, :200] = CORNERS["bottom right"], CORNERS["bottom left"]
    return Image.fromarray(pixels)


# How a file stores the upright picture under each value of tag 274. Exif 2.2 / CIPA DC-008 tells where row 0 and column
# 0 belong: 1 top/left, 2 top/right, 3 bottom/right, 4 bottom/left, 5 left/top, 6 right/top, 7 right/bottom,
# 8 left/bottom. Written here as array moves, apart from the library that reads them.
STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: a[:, ::-1].transpose(1, 0, 2),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: a[::-1].transpose(1, 0, 2),
}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_comes_out_upright(orientation: int, tmp_path: Path) -> None:
    upright = np.asarray(upright_picture())
    stored = Image.fromarray(np.ascontiguousarray(STORED[orientation](upright)))
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    path = tmp_path / "turned.png"
    stored.save(path, exif=exif)
    photo = load_photo(path)
    np.testing.assert_array_equal(photo.coded, upright)
    assert (photo.facts.width_px, photo.facts.height_px) == (400, 240)


def test_unknown_orientation_is_left_as_it_is(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = 77
    upright_picture().save(tmp_path / "a.png", exif=exif)
    np.testing.assert_array_equal(load_photo(tmp_path / "a.png").coded, np.asarray(upright_picture()))


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp"])
def test_common_formats_open(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"photo.{suffix}"
    upright_picture().save(path)
    np.testing.assert_allclose(load_photo(path).coded[60, 100], CORNERS["top left"], atol=12)


def test_heic_opens(tmp_path: Path) -> None:
    path = tmp_path / "photo.heic"
    from_pillow(upright_picture()).save(path, quality=95)
    photo = load_photo(path)
    # Lossy coding of flat colour with halved colour planes: a few codes, twelve allowed.
    for (y, x), name in {(60, 100): "top left", (60, 300): "top right", (180, 300): "bottom right"}.items():
        np.testing.assert_allclose(photo.coded[y, x], CORNERS[name], atol=12)


def test_luminance_is_linear_before_it_is_weighted(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    upright_picture().save(path)
    expected = float((decode_srgb(np.array(CORNERS["top left"]) / 255.0) * LUMINANCE_WEIGHTS).sum())
    assert float(load_photo(path).luminance[10, 10]) == pytest.approx(expected, rel=1e-5)


def test_facts_carry_the_hash_of_the_file_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    upright_picture().save(path)
    facts = load_photo(path).facts
    assert facts.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert facts.file == "a.jpg"


def with_exif(path: Path, tags: dict[int, object]) -> None:
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD).update(tags)
    upright_picture().save(path, exif=exif)


@pytest.mark.parametrize(
    "focal_35mm, focal_px", [(27, 300.0), (10, 400 * 10 / 36), (0, None), (48388, None), (9, None)]
)
def test_focal_length_of_a_lens_is_used_and_an_absurd_one_is_not(
    focal_35mm: int, focal_px: float | None, tmp_path: Path
) -> None:
    """Tag 41989 is the length on a 36 mm wide frame, 0 for unknown (Exif 2.2); some cameras write nonsense."""
    path = tmp_path / "a.jpg"
    with_exif(path, {FOCAL_35MM: focal_35mm})
    assert load_photo(path).focal_px == (None if focal_px is None else pytest.approx(focal_px))


def test_time_of_the_photo_is_told_when_it_is_a_time(tmp_path: Path) -> None:
    with_exif(tmp_path / "a.jpg", {0x9003: "2024:02:29 10:11:12", 0x9011: "+01:00"})
    with_exif(tmp_path / "b.jpg", {0x9003: "0000:00:00 00:00:00"})
    assert load_photo(tmp_path / "a.jpg").facts.taken == "2024-02-29T10:11:12+01:00"
    assert load_photo(tmp_path / "b.jpg").facts.taken is None


def encoded(kind: str) -> bytes:
    out = io.BytesIO()
    Image.effect_noise((600, 400), 60).convert("RGB").save(out, format=kind)
    return out.getvalue()


def heic() -> bytes:
    out = io.BytesIO()
    from_pillow(Image.effect_noise((600, 400), 60).convert("RGB")).save(out)
    return out.getvalue()


DAMAGED = {
    "empty.jpg": b"",
    "text.jpg": b"not a picture at all\n" * 50,
    "cut.jpg": encoded("JPEG")[:9000],
    "head only.jpg": encoded("JPEG")[:40],
    "cut.png": encoded("PNG")[:9000],
    "cut.tif": encoded("TIFF")[:9000],
    "cut.heic": heic()[:3000],
    "zeros.png": encoded("PNG")[:60] + bytes(5000),
    "page.pdf": b"%PDF-1.7\n%%EOF\n",
}


@pytest.mark.parametrize("name", sorted(DAMAGED))
def test_damaged_file_is_one_line_with_the_name(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(DAMAGED[name])
    with pytest.raises(FileProblem) as problem:
        load_photo(path)
    assert name in str(problem.value)
    assert "\n" not in str(problem.value)


def test_missing_file_and_folder_are_file_problems(tmp_path: Path) -> None:
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(FileProblem, match="cannot read"):
            load_photo(path)


def test_tiny_picture_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.new("RGB", (4000, 150)).save(path)
    with pytest.raises(Refusal) as refused:
        load_photo(path)
    assert refused.value.code == "too-coarse"
