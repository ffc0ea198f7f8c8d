"""Every file a phone may hand over becomes an upright picture or a refusal in one sentence."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import struct
import subprocess
import sys
import zlib
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from scorer.errors import PhotoError
from scorer.photo import LARGEST_FILE_BYTES, Photo, open_photo

WIDTH, HEIGHT = 800, 640


def scene(width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    """RGB picture whose four quarters differ, so that every turn shows; smooth enough for JPEG."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    picture = np.stack([40 + 180 * x / width, 60 + 150 * y / height, 90 + 60 * np.sin(x / 60)], axis=-1)
    picture[: height // 4, : width // 4] = (220, 40, 30)
    return picture.astype(np.uint8)


def as_file(picture: NDArray[np.uint8], kind: str, **options: object) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, kind, **options)
    return stream.getvalue()


IN_EXIF = {"DateTimeOriginal": 0x9003, "OffsetTimeOriginal": 0x9011, "FocalLengthIn35mmFilm": 0xA405}


def exif_with(**values: object) -> Image.Exif:
    exif = Image.Exif()
    for name, value in values.items():
        if name in IN_EXIF:
            exif.get_ifd(0x8769)[IN_EXIF[name]] = value
        else:
            exif[{"Orientation": 0x0112, "DateTime": 0x0132}[name]] = value
    return exif


def rgb(photo: Photo) -> NDArray[np.int_]:
    return photo.bgr[:, :, ::-1].astype(int)


def typical_difference(photo: Photo, picture: NDArray[np.uint8]) -> float:
    return float(np.mean(np.abs(rgb(photo) - picture.astype(int))))


def refusal(source: object) -> str:
    with pytest.raises(PhotoError) as caught:
        open_photo(source, name="tray.jpg")  # type: ignore[arg-type]
    message = str(caught.value)
    assert message.startswith("tray.jpg"), "says which photo"
    assert "\n" not in message
    assert message.endswith(".")
    return message


def test_a_jpeg_comes_back_as_it_was_saved(tmp_path: Path) -> None:
    data = as_file(scene(), "JPEG", quality=95)
    path = tmp_path / "tray 7.jpg"
    path.write_bytes(data)
    photo = open_photo(path)
    assert (photo.name, photo.full_size, photo.scale) == ("tray 7.jpg", (WIDTH, HEIGHT), 1.0)
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert (photo.taken_at, photo.focal_35mm, photo.doubts) == (None, None, ())
    assert typical_difference(photo, scene()) < 3


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_every_exif_orientation_comes_out_upright(orientation: int, kind: str) -> None:
    """Pillow's own ImageOps.exif_transpose judges."""
    data = as_file(scene(), kind, exif=exif_with(Orientation=orientation))
    wanted = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    photo = open_photo(data)
    assert photo.full_size == (wanted.shape[1], wanted.shape[0])
    assert typical_difference(photo, wanted) < 1


@pytest.mark.parametrize(
    ("width", "height", "scale"), [(2600, 1000, 1), (2602, 1000, 2), (5202, 1001, 4), (1001, 10402, 8)]
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "array"])
def test_large_photos_are_reduced_as_by_block_means(width: int, height: int, scale: int, kind: str) -> None:
    """Pillow's Image.reduce judges."""
    picture = scene(width, height)
    if kind == "array":
        photo = open_photo(np.ascontiguousarray(picture[:, :, ::-1]))
    else:
        photo = open_photo(as_file(picture, kind))
    wanted = np.asarray(Image.fromarray(picture).reduce(scale))
    assert (photo.scale, photo.full_size) == (scale, (width, height))
    assert photo.bgr.shape == wanted.shape
    assert typical_difference(photo, wanted) < 3


def test_the_cameras_time_and_focal_length_are_read() -> None:
    exif = exif_with(DateTime="2026:03:15 10:00:00", DateTimeOriginal="2026:03:14 09:26:53", FocalLengthIn35mmFilm=26)
    photo = open_photo(as_file(scene(), "JPEG", exif=exif))
    assert photo.taken_at == datetime(2026, 3, 14, 9, 26, 53)
    assert photo.focal_35mm == 26.0


@pytest.mark.parametrize(
    ("written", "ahead"),
    [
        ("+09:30", timedelta(hours=9, minutes=30)),
        ("-05:00\0", timedelta(hours=-5)),
        ("+15:00", None),
        ("Z", None),
        ("+9:30", None),
        ("", None),
    ],
)
def test_how_far_the_clock_is_ahead_of_utc_is_read(written: str, ahead: timedelta | None) -> None:
    exif = exif_with(DateTimeOriginal="2026:03:14 09:26:53", OffsetTimeOriginal=written)
    assert open_photo(as_file(scene(), "JPEG", exif=exif)).clock_ahead == ahead


def test_the_time_of_saving_stands_in_for_the_time_of_taking() -> None:
    photo = open_photo(as_file(scene(), "JPEG", exif=exif_with(DateTime="2026:03:15 10:00:00\0")))
    assert photo.taken_at == datetime(2026, 3, 15, 10)


@pytest.mark.parametrize(
    "values",
    [
        {"Orientation": 9},
        {"Orientation": 0},
        {"Orientation": 65535},
        {"DateTimeOriginal": "0000:00:00 00:00:00"},
        {"DateTimeOriginal": "yesterday"},
        {"DateTimeOriginal": ""},
        {"DateTimeOriginal": "9999:12:31 23:59:59"},
        {"FocalLengthIn35mmFilm": 0},
        {"FocalLengthIn35mmFilm": 65535},
    ],
)
def test_hostile_exif_values_count_as_missing(values: dict[str, object]) -> None:
    photo = open_photo(as_file(scene(), "JPEG", exif=exif_with(**values)))
    assert (photo.taken_at, photo.focal_35mm) == (None, None)
    assert photo.full_size == (WIDTH, HEIGHT)


def test_a_damaged_exif_block_does_not_cost_the_photo() -> None:
    whole = exif_with(Orientation=6, DateTimeOriginal="2026:03:14 09:26:53", FocalLengthIn35mmFilm=26).tobytes()
    for cut in range(6, len(whole)):
        broken = whole[:cut] + b"\xff" * (len(whole) - cut)
        assert sorted(open_photo(as_file(scene(), "JPEG", exif=broken)).full_size) == [HEIGHT, WIDTH]


def display_p3() -> bytes:
    """An ICC profile with the primaries of Display P3 (SMPTE EG 432-1), built by hand from its colorants.

    Colorants, adapted to D50: as in the published profile, from memory. Curve: sRGB's, IEC 61966-2-1.
    """

    def fixed(value: float) -> bytes:
        return struct.pack(">i", round(value * 65536))

    def xyz(*values: float) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(map(fixed, values))

    curve = b"para\0\0\0\0\0\x03\0\0" + b"".join(map(fixed, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
    text = "P3".encode("utf-16-be")
    words = b"mluc\0\0\0\0" + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(text), 28) + text
    tags = {
        b"desc": words,
        b"cprt": words,
        b"wtpt": xyz(0.9642, 1.0, 0.8249),
        b"rXYZ": xyz(0.51512, 0.24120, -0.00105),
        b"gXYZ": xyz(0.29198, 0.69225, 0.04189),
        b"bXYZ": xyz(0.15710, 0.06657, 0.78407),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, value in tags.items():
        padded = value + b"\0" * (-len(value) % 4)
        table += name + struct.pack(">II", at + len(body), len(value))
        body += padded
    head = struct.pack(">I4sI4s4s4s", at + len(body), b"none", 0x04000000, b"mntr", b"RGB ", b"XYZ ")
    head += b"\0" * 12 + b"acsp" + b"\0" * 28 + fixed(0.9642) + fixed(1.0) + fixed(0.8249)
    return head.ljust(128, b"\0") + table + body


def test_a_display_p3_photo_is_converted_to_srgb() -> None:
    """Worked out in numpy from the two sets of primaries; the white points are equal."""
    p3 = np.array([[0.4865709, 0.2656677, 0.1982173], [0.2289746, 0.6917385, 0.0792869], [0, 0.0451134, 1.0439444]])
    srgb = np.array(
        [
            [0.4123908, 0.3575843, 0.1804808],
            [0.2126390, 0.7151687, 0.0721923],
            [0.0193308, 0.1191948, 0.9505322],
        ]
    )
    given = (140, 120, 60)
    value = np.array(given) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    out = np.linalg.solve(srgb, p3 @ linear)
    wanted = 255 * np.where(out <= 0.0031308, 12.92 * out, 1.055 * out ** (1 / 2.4) - 0.055)
    picture = np.full((HEIGHT, WIDTH, 3), given, np.uint8)
    photo = open_photo(as_file(picture, "PNG", icc_profile=display_p3()))
    assert rgb(photo)[5, 5] == pytest.approx(wanted, abs=1.5)
    assert abs(wanted - given).max() > 3, "the profile matters"
    assert photo.doubts == ()


def test_an_srgb_profile_changes_nothing() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert np.array_equal(rgb(open_photo(as_file(scene(), "PNG", icc_profile=profile))), scene())


@pytest.mark.parametrize("profile", [b"not a profile", display_p3()[:150]])
def test_a_broken_profile_is_a_doubt(profile: bytes) -> None:
    photo = open_photo(as_file(scene(), "PNG", icc_profile=profile))
    assert np.array_equal(rgb(photo), scene())
    assert "profile" in " ".join(photo.doubts)


def test_a_heic_photo_comes_back_as_it_was_saved() -> None:
    stream = io.BytesIO()
    exif = exif_with(DateTimeOriginal="2026:03:14 09:26:53", FocalLengthIn35mmFilm=26)
    pillow_heif.from_pillow(Image.fromarray(scene())).save(stream, quality=95, exif=exif.tobytes())
    photo = open_photo(stream.getvalue())
    assert typical_difference(photo, scene()) < 3
    assert photo.taken_at == datetime(2026, 3, 14, 9, 26, 53)
    assert photo.focal_35mm == 26.0


def test_a_cut_heic_is_refused() -> None:
    stream = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene())).save(stream, quality=90)
    data = stream.getvalue()
    for share in (0.02, 0.3, 0.9):
        assert "again" in refusal(data[: int(len(data) * share)])


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png_header(width: int, height: int, bits: int = 8, colour_type: int = 2) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, bits, colour_type, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header)


def test_a_16_bit_png_is_scaled_to_8_bits() -> None:
    """255/65535 and rounding to the nearest, as W3C PNG (third edition), 13.12, has it; numpy judges."""
    deep = (scene().astype(np.uint16) << 8) + np.arange(WIDTH, dtype=np.uint16)[None, :, None] % 256
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in deep)
    data = png_header(WIDTH, HEIGHT, bits=16) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    assert np.array_equal(rgb(open_photo(data)), np.rint(deep / 257).astype(int))


def test_a_palette_picture_is_scored() -> None:
    small = Image.fromarray(scene()).quantize(64)
    stream = io.BytesIO()
    small.save(stream, "PNG")
    assert np.array_equal(rgb(open_photo(stream.getvalue())), np.asarray(small.convert("RGB")))


def test_see_through_parts_are_laid_on_white_with_a_doubt() -> None:
    alpha = np.full((HEIGHT, WIDTH, 1), 255, np.uint8)
    opaque = open_photo(as_file(np.dstack([scene(), alpha]), "PNG"))
    assert np.array_equal(rgb(opaque), scene())
    assert opaque.doubts == ()
    alpha[-100:] = 0
    cut_out = open_photo(as_file(np.dstack([scene(), alpha]), "PNG"))
    assert (cut_out.bgr[-100:] == 255).all()
    assert "see-through" in " ".join(cut_out.doubts)


def test_a_small_photo_is_scored_with_a_doubt() -> None:
    assert "599 x 300" in " ".join(open_photo(scene(599, 300)[:, :, ::-1].copy()).doubts)
    assert open_photo(scene(600, 300)[:, :, ::-1].copy()).doubts == ()


def test_a_tiny_photo_is_refused() -> None:
    assert "too small" in refusal(as_file(scene(800, 99), "JPEG"))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.999])
@pytest.mark.parametrize("options", [{}, {"progressive": True}])
def test_a_truncated_jpeg_is_refused(share: float, options: dict[str, bool]) -> None:
    data = as_file(scene(), "JPEG", **options)
    assert "cut short" in refusal(data[: int(len(data) * share)])


def test_the_thumbnails_end_does_not_pass_for_the_photos() -> None:
    thumbnail = as_file(scene(160, 120), "JPEG")
    data = as_file(scene(), "JPEG", comment=thumbnail)
    assert open_photo(data).full_size == (WIDTH, HEIGHT)
    assert "cut short" in refusal(data[:-2])


def test_bytes_behind_the_end_do_not_matter() -> None:
    """Phones append short films or a second view to a JPEG."""
    assert open_photo(as_file(scene(), "JPEG") + b"\0moving picture" * 999).full_size == (WIDTH, HEIGHT)


def test_a_multi_picture_jpeg_gives_its_first_view() -> None:
    stream = io.BytesIO()
    first, second = Image.fromarray(scene()), Image.fromarray(255 - scene())
    first.save(stream, "MPO", save_all=True, append_images=[second])
    assert typical_difference(open_photo(stream.getvalue()), scene()) < 3


def test_a_jpeg_that_is_damaged_inside_is_refused_without_noise(tmp_path: Path) -> None:
    data = bytearray(as_file(scene(1600, 1200), "JPEG"))
    middle = len(data) // 2
    data[middle : middle + 400] = bytes((37 * i) % 255 for i in range(400))
    path = tmp_path / "tray.jpg"
    path.write_bytes(data)
    code = (
        "import sys; from scorer.photo import open_photo; from scorer.errors import PhotoError\n"
        "try: open_photo(sys.argv[1])\n"
        "except PhotoError as error: print(error)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, env=os.environ, check=True
    )
    assert "tray.jpg is damaged" in run.stdout
    assert run.stderr == ""


def test_a_truncated_png_is_refused() -> None:
    data = as_file(scene(), "PNG")
    assert "cut short" in refusal(data[: len(data) // 2])
    assert "damaged" in refusal(data[: len(data) // 2] + chunk(b"IEND", b""))


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP"])
def test_animations_are_refused(kind: str) -> None:
    stream = io.BytesIO()
    Image.fromarray(scene()).save(
        stream, kind, save_all=True, append_images=[Image.fromarray(255 - scene())], duration=100
    )
    assert "send" in refusal(stream.getvalue())


def test_a_multi_page_tiff_is_refused() -> None:
    stream = io.BytesIO()
    Image.fromarray(scene()).save(stream, "TIFF", save_all=True, append_images=[Image.fromarray(scene())])
    assert "TIFF" in refusal(stream.getvalue())


def test_printing_colours_are_refused() -> None:
    stream = io.BytesIO()
    Image.fromarray(scene()).convert("CMYK").save(stream, "JPEG")
    assert "CMYK" in refusal(stream.getvalue())


@pytest.mark.parametrize("mode", ["L", "LA", "1", "I;16"])
def test_grey_pictures_are_refused(mode: str) -> None:
    stream = io.BytesIO()
    Image.fromarray(scene()).convert("L" if mode == "I;16" else mode).convert(mode).save(stream, "PNG")
    assert "no colour" in refusal(stream.getvalue())


def test_grey_saved_as_colour_is_refused() -> None:
    grey = np.repeat(scene()[:, :, :1], 3, axis=2)
    assert "no colour" in refusal(as_file(grey, "JPEG"))
    assert "no colour" in refusal(grey)


def test_too_many_pixels_are_refused_before_decoding() -> None:
    """These headers have no pixels behind them, so a decode would give another sentence."""
    for side in (9000, 12_000, 60_000):
        assert "megapixels" in refusal(png_header(side, side) + chunk(b"IDAT", b"") + chunk(b"IEND", b""))


def test_too_many_bytes_are_refused_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "tray.jpg"
    with path.open("wb") as file:
        file.truncate(LARGEST_FILE_BYTES + 1)
    assert "MB" in refusal(path)
    assert "MB" in refusal(bytes(LARGEST_FILE_BYTES + 1))


@pytest.mark.parametrize(
    "data",
    [b"Meeting notes, 14 March", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"\0" * 5000, b"....ftypheic" * 9],
)
def test_what_is_not_a_picture_is_refused(data: bytes) -> None:
    assert "cannot be opened" in refusal(data) or "can be opened" in refusal(data)


def test_empty_missing_and_folder_are_told_apart(tmp_path: Path) -> None:
    assert "empty" in refusal(b"")
    assert "does not exist" in refusal(tmp_path / "tray.jpg")
    assert "not a file" in refusal(tmp_path)


@pytest.mark.parametrize(
    "array",
    [
        np.zeros((640, 800), np.uint8),
        np.zeros((640, 800, 4), np.uint8),
        np.zeros((640, 800, 3), np.float32),
    ],
)
def test_arrays_of_another_form_are_refused(array: NDArray[np.generic]) -> None:
    assert "a picture must be a uint8 array" in refusal(array)


def test_an_array_without_pixels_is_refused() -> None:
    assert "only 0 x 0 px" in refusal(np.zeros((0, 0, 3), np.uint8))


def test_an_array_is_taken_as_bgr_and_not_changed() -> None:
    bgr = cv2.cvtColor(scene(), cv2.COLOR_RGB2BGR)
    before = bgr.copy()
    photo = open_photo(bgr)
    assert np.array_equal(rgb(photo), scene())
    assert photo.sha256 == hashlib.sha256(before.tobytes()).hexdigest()
    assert np.array_equal(bgr, before)


def test_any_single_broken_byte_gives_a_photo_or_a_refusal() -> None:
    rng = np.random.default_rng(4)
    for kind in ("JPEG", "PNG"):
        whole = as_file(scene(240, 200), kind)
        for _ in range(150):
            data = bytearray(whole)
            data[int(rng.integers(len(data)))] = int(rng.integers(256))
            with contextlib.suppress(PhotoError):
                assert open_photo(bytes(data)).bgr.dtype == np.uint8
