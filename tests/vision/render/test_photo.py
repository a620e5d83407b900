"""Whole small photos: repeatable, upright, with the noise asked for."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from lightgap.vision.render import Camera, Imaging, Light, Reference, SceneSettings, draw_scene_settings, render_photo
from lightgap.vision.render.imaging import add_sensor_noise, choose_exposure, develop, encode_jpeg, encode_srgb

SMALL = SceneSettings(
    camera=Camera(width_px=480, height_px=148, px_per_mm=8.6 * 480 / 4032), samples=(1, 2, 4, 16), name="small"
)


def test_same_seed_same_photo() -> None:
    first = render_photo(SMALL, rng=np.random.default_rng(3))
    again = render_photo(SMALL, rng=np.random.default_rng(3))
    other = render_photo(SMALL, rng=np.random.default_rng(4))
    assert first.jpeg == again.jpeg
    assert first.sidecar == again.sidecar
    assert first.jpeg != other.jpeg
    again_with_other_noise = render_photo(SMALL, rng=np.random.default_rng(3), grain=np.random.default_rng(9))
    assert again_with_other_noise.jpeg != first.jpeg
    assert again_with_other_noise.sidecar["truth"] == first.sidecar["truth"]
    assert first.image.shape == (148, 480, 3)
    assert first.truth.photo.width_px == 480


@pytest.mark.parametrize("orientation", range(1, 9))
def test_stored_turn_comes_upright(orientation: int) -> None:
    """Exif tag 274 as Pillow and OpenCV read it."""
    upright = np.zeros((48, 80, 3), dtype=np.uint8)
    upright[:16, :40] = (220, 40, 40)
    upright[24:, 56:] = (40, 200, 60)
    upright[32:, :16] = 250
    imaging = Imaging(jpeg_quality=95, chroma_subsampling="4:4:4", exif_orientation=orientation)
    data = encode_jpeg(upright, imaging, focal_35mm=43)
    stored = Image.open(io.BytesIO(data))
    assert stored.size == ((80, 48) if orientation < 5 else (48, 80))
    assert stored.getexif().get_ifd(0x8769)[0xA405] == 43  # FocalLengthIn35mmFilm
    by_pillow = np.asarray(ImageOps.exif_transpose(stored))
    by_opencv = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[:, :, ::-1]
    for seen in (by_pillow, by_opencv):
        assert seen.shape == upright.shape
        # Even blocks of eight pixels lose only their quantised mean: 2 to 3 levels at quality 95.
        assert np.abs(seen.astype(int) - upright).max() <= 4


def test_noise_follows_shot_and_read_model() -> None:
    imaging = Imaging(full_well_e=1500.0, read_noise=0.004)
    rng = np.random.default_rng(6)
    for level in (0.0, 0.05, 0.5):
        noise = add_sensor_noise(np.full((300, 300, 3), level), imaging, rng=rng) - level
        want = level / 1500.0 + 0.004**2
        # The variance of n = 270000 normal values is known to sqrt(2 / n) = 0.27 %; four times that.
        assert noise.var() == pytest.approx(want, rel=0.011)
        assert abs(noise.mean()) < 4.0 * np.sqrt(want / 270000)


def test_srgb_curve_at_published_values() -> None:
    # IEC 61966-2-1; codes by direct calculation from its formulas.
    linear, coded = [0.0, 0.001, 0.18, 0.5, 1.0], [0.0, 0.01292, 0.46135613, 0.73535698, 1.0]
    np.testing.assert_allclose(encode_srgb(np.array(linear)), coded, atol=5e-9)
    np.testing.assert_allclose(encode_srgb(np.array([-0.1, 1.7])), [0.0, 1.0], atol=1e-15)


def test_sharpening_makes_halos_and_keeps_flat_parts() -> None:
    step = np.zeros((20, 60, 3))
    step[:, 30:] = 0.4
    step += 0.1
    plain = develop(step, Imaging())
    sharp = develop(step, Imaging(sharpen_amount=0.6, sharpen_sigma_px=1.2))
    np.testing.assert_array_equal(sharp[:, :20], plain[:, :20])
    assert sharp[0, 29, 0] < plain[0, 29, 0] - 10
    assert sharp[0, 30, 0] > plain[0, 30, 0] + 10


def test_exposure_is_held_back_by_bright_parts() -> None:
    dark = np.full((40, 40, 3), 0.01)
    assert choose_exposure(dark, Imaging(exposure_mean=0.2, highlight_allowance=9.0)) == pytest.approx(0.2 / 0.0101)
    dark[:10] = 2.0
    assert choose_exposure(dark, Imaging(exposure_mean=0.2, highlight_allowance=1.1)) == pytest.approx(0.55)


def test_marker_is_read_in_place() -> None:
    """OpenCV's own marker reader finds the drawn marker where the truth says its corners are."""
    settings = replace(
        SMALL,
        camera=Camera(width_px=1200, height_px=500, px_per_mm=7.0, frame_frets=(5.0, 9.0), edge_row_fraction=0.8),
        light=Light(background="wall", kind="overhead"),
        reference=Reference(kind="marker", size_mm=30.0, marker_id=23, x_mm=200.0, turn_deg=2.0),
        imaging=Imaging(psf_sigma_px=0.6, jpeg_quality=95),
    )
    for nut_side in ("left", "right"):
        photo = render_photo(replace(settings, nut_side=nut_side), rng=np.random.default_rng(2))  # type: ignore[arg-type]
        # In linear light: a threshold of coded values would shrink the black square.
        coded = photo.image[:, :, ::-1] / 255.0
        linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
        corners, ids, _ = marker_reader().detectMarkers(np.round(255.0 * linear / linear.max()).astype(np.uint8))
        assert ids is not None
        assert ids.ravel().tolist() == [23]
        outline = photo.truth.scale.outline_px
        assert outline is not None
        off = corners[0][0] - outline
        # OpenCV's corner finder itself scatters by up to 0.7 px on such corners; four of them average to 0.35.
        assert np.abs(off).max() < 1.0
        assert np.abs(off.mean(axis=0)).max() < 0.35


def marker_reader() -> cv2.aruco.ArucoDetector:
    """Return OpenCV's reader of the four by four markers, with sub-pixel corners."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)


@pytest.mark.parametrize("framing", ["full", "half", "macro"])
def test_drawn_scenes_keep_their_ranges(framing: str) -> None:
    rng = np.random.default_rng(12)
    limits = {"full": (6.5, 10.5), "half": (10.8, 15.0), "macro": (25.0, 40.0)}[framing]
    for _ in range(60):
        s = draw_scene_settings(rng, framing=framing)  # type: ignore[arg-type]
        assert limits[0] <= s.camera.px_per_mm <= limits[1]
        assert abs(s.camera.yaw_deg) <= 3.0
        assert abs(s.camera.roll_deg) <= 3.0
        assert abs(s.camera.k1) <= 0.04
        assert 0.6 <= s.imaging.psf_sigma_px <= 1.8
        assert 80 <= s.imaging.jpeg_quality <= 95
        lowered = s.blade.place == "outer" and s.camera.elevation_deg < -1.0
        assert lowered or -1.0 <= s.camera.elevation_deg <= 3.0


def test_wishes_are_kept() -> None:
    rng = np.random.default_rng(12)
    s = draw_scene_settings(rng, framing="half", background="cloth", strings=True, place="outer", instrument="baritone")
    assert (s.framing, s.light.background, s.neck.strings) == ("half", "cloth", True)
    assert (s.blade.place, s.neck.instrument) == ("outer", "baritone")
