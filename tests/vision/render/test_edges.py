"""Rendered edges sit where projection puts them: the light of each column, integrated across the edge, says where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from lightgap.neck.profile import Array
from lightgap.vision.render import Blade, Camera, Neck, SceneSettings
from lightgap.vision.render.lens import Radiance, blur_by_lens, cell_weights
from lightgap.vision.render.packed import FRET
from lightgap.vision.render.photo import set_up
from lightgap.vision.render.sampling import lens_vector
from lightgap.vision.render.scene import pack_scene

from .black_scene import PINHOLE_MM, black_settings, cast_black, edge_rows

MEAN_PX = 0.01  # what is asked of the renderer
# One column's edge is known from 64 samples a pixel in 16 cells: about four cells are cut, each with an error of
# 0.14 of its area (even in four samples), so 4^0.5 * 0.14 / 16 = 0.018 px; five times that for the worst of 200.
WORST_PX = 0.09


def bare(settings: SceneSettings) -> SceneSettings:
    """Return the scene without frets in front of the straightedge."""
    return replace(settings, neck=replace(settings.neck, frets_shown=False))


def lit_above(light: Array, row: Array, *, reach: int) -> Array:
    """Return the height of the lit part of each column between `reach` rows either side of `row`."""
    first = np.round(row).astype(int) - reach
    columns = np.arange(light.shape[1])
    return np.array([light[f : f + 2 * reach + 1, c, 0].sum() for f, c in zip(first, columns, strict=True)])


@pytest.mark.parametrize(
    ("camera_changes", "sigma_px"),
    [
        ({"elevation_deg": 0.6, "roll_deg": 1.3, "yaw_deg": 1.1, "k1": 0.04}, 0.7),
        ({"elevation_deg": 2.5, "roll_deg": -0.4, "yaw_deg": -2.0, "k1": -0.04}, 1.6),
    ],
)
def test_lower_edge_of_the_straightedge(camera_changes: dict[str, float], sigma_px: float) -> None:
    base = bare(black_settings())
    # Wide-angled, so that distortion bends the edge within the small picture.
    settings = replace(base, camera=replace(base.camera, distance_mm=60.0, px_per_mm=4.0, **camera_changes))
    light, _, line, camera = cast_black(settings)
    columns = np.arange(settings.camera.width_px, dtype=np.float64)
    x = np.linspace(line.x_left_mm, line.x_right_mm, 40001)
    near = edge_rows(camera, np.column_stack([x, line.height_mm(x), np.full_like(x, 1.5)]), columns)
    blurred = blur_by_lens(light, sigma_px)
    inside = slice(20, -20)
    reach = 12
    first = np.round(near).astype(int) - reach
    # The top of the lit band is the near lower edge: light begins at row `near`, pixel centres at integers.
    lit = lit_above(blurred, near, reach=reach)
    want = first + 2 * reach + 0.5 - near
    off = (lit - want)[inside]
    assert abs(off.mean()) < MEAN_PX
    assert np.abs(off).max() < WORST_PX


def test_blurred_edge_has_the_profile_of_the_integral_at_every_phase() -> None:
    """Pixel by pixel against a Gaussian edge integrated over the pixel, ndtr of SciPy, for a sharp lens."""
    base = bare(black_settings())
    settings = replace(base, camera=replace(base.camera, elevation_deg=0.8, roll_deg=1.5))
    light, _, line, camera = cast_black(settings)
    columns = np.arange(settings.camera.width_px, dtype=np.float64)
    x = np.linspace(line.x_left_mm, line.x_right_mm, 4001)
    near = edge_rows(camera, np.column_stack([x, line.height_mm(x), np.full_like(x, 1.5)]), columns)
    got = blur_by_lens(light, 0.6)[..., 0]
    off = []
    for c in range(20, 240):
        rows = np.arange(round(near[c]) - 4, round(near[c]) + 5)
        d = rows[:, None] + np.linspace(-0.5, 0.5, 201) - near[c]
        off.append(got[rows, c] - ndtr(d / 0.6).mean(axis=1))
    # Blurring a picture of whole pixels would leave 0.02 here, the same at each phase; sampling leaves noise.
    assert np.abs(np.mean(off, axis=0)).max() < 0.004
    phase = (near[20:240] % 1.0 * 4).astype(int)
    for k in range(4):
        assert np.abs(np.mean(np.array(off)[phase == k], axis=0)).max() < 0.008


def test_lens_blur_keeps_light_and_widens_by_its_sigma() -> None:
    for sigma in (0.6, 1.1, 1.8):
        w = cell_weights(sigma, centre=0.0, width=1.0)
        n = np.arange(len(w)) - len(w) // 2
        assert w.sum() == pytest.approx(1.0, abs=1e-6)  # cut at five sigma
        # An even pixel, blurred, seen through pixels: sigma^2 + 1/12 + 1/12; at whole pixels the sum is off by the
        # kernel's content at one cycle a pixel, exp(-2 pi^2 sigma^2) / pi^2, 8e-5 at most.
        assert (w * n * n).sum() == pytest.approx(sigma**2 + 1.0 / 6.0, abs=1e-4)
    point = np.zeros((31, 31, 3))
    point[15, 15] = 1.0
    none = Radiance(point, np.zeros(0, dtype=np.int64), np.zeros((0, 4, 4, 3)))
    assert blur_by_lens(none, 1.2).sum() == pytest.approx(3.0, abs=1e-5)


def fret_outline(settings_neck: Neck, x_fret: float, apex: float, half_length: float) -> tuple[Array, Array]:
    """Return points (across the crown, along the fret) of a fret's upper surface, bevels included: (m, n, 3)."""
    a, h = 0.5 * settings_neck.fret_width_mm, settings_neck.fret_height_mm
    ends = np.linspace(half_length - 1.0, half_length, 600)  # the bevels are steep: sections close together
    z = np.concatenate([-ends[::-1], np.linspace(1.0 - half_length, half_length - 1.0, 300), ends])
    across = np.cos(np.linspace(0.0, np.pi, 721))
    rise = h * np.sqrt(1.0 - across**2) - h
    bevel = np.minimum(1.43 * (half_length - np.abs(z)) - h, 0.0)  # the end's slope: 35 degrees off the upright
    y = apex + np.minimum(rise[:, None], bevel[None, :])
    x = x_fret + a * across
    return np.stack([np.broadcast_to(x[:, None], y.shape), y, np.broadcast_to(z, y.shape)], axis=-1), z


@pytest.mark.parametrize("yaw_deg", [0.0, 25.0, -40.0])
def test_crown_outline_is_its_silhouette(yaw_deg: float) -> None:
    """The upper outline of a fret against the light, perspective smear included, from its projected surface."""
    base = black_settings()
    neck = replace(base.neck, fret_height_mm=1.1, fret_width_mm=2.4)
    # The far end of the fret shows beside the near one when the camera looks along the board's surface at an angle.
    camera = replace(
        base.camera, elevation_deg=0.4, yaw_deg=yaw_deg, width_px=700, height_px=90, px_per_mm=14.0, distance_mm=300.0
    )
    light, crowns, _, pinhole = cast_black(
        replace(base, neck=neck, camera=camera, blade=Blade(shown=False)), only_fret=7
    )
    surface, _ = fret_outline(neck, crowns.x_mm[6], 0.0, 0.5 * (43.0 + 12.0 * crowns.x_mm[6] / crowns.x_mm[13]) - 0.05)
    px = pinhole.project_px(surface.reshape(-1, 3)).reshape(*surface.shape[:2], 2)
    columns = np.arange(700.0)
    rows = np.full(700, np.inf)
    for j in range(px.shape[1]):  # one section of the fret after another
        order = np.argsort(px[:, j, 0])
        u, v = px[order, j, 0], px[order, j, 1]
        inside = (columns >= u[0]) & (columns <= u[-1])
        rows[inside] = np.minimum(rows[inside], np.interp(columns[inside], u, v))
    board = pinhole.project_px(np.array([[crowns.x_mm[6], -1.1, -27.0]]))[0, 1]  # its far edge, the higher one
    seen = np.flatnonzero(rows < board - 2.0)
    assert len(seen) > 25
    top = int(rows[seen].min()) - 6
    bottom = int(board)
    dark = (1.0 - light.mean[top:bottom, :, 0]).sum(axis=0)
    off = dark[seen] - (bottom - 0.5 - rows[seen])
    steady = np.abs(np.gradient(rows[seen])) < 1.0  # steep flanks: the column's mean is not its middle
    assert abs(np.mean(off[steady])) < MEAN_PX
    assert np.abs(off[steady]).max() < WORST_PX


def test_off_centre_fret_is_smeared_along_its_length() -> None:
    """Near and far end of a fret fall where a hand calculation of perspective puts them."""
    from lightgap.vision.render.caster import cast_pixels

    base = black_settings()
    neck = replace(base.neck, fret_height_mm=1.0, nut_width_mm=44.0, joint_width_mm=44.0)
    camera = Camera(
        width_px=900, height_px=60, frame_frets=(3.0, 3.0), px_per_mm=8.0, distance_mm=500.0, elevation_deg=1.0,
        aim_offset_mm=(100.0, 0.0), aperture_radius_mm=PINHOLE_MM, edge_row_fraction=0.4, principal_offset_px=700.0,
    )  # fmt: skip
    settings = replace(base, neck=neck, camera=camera, blade=Blade(shown=False))
    rng = np.random.default_rng(4)
    crowns, line, pinhole = set_up(settings, rng=rng)
    scene = pack_scene(settings, crowns, line=line, rng=rng)
    pixels = np.arange(900 * 60)
    out, met = np.zeros((len(pixels), 3)), np.zeros(len(pixels), dtype=np.int64)
    cast_pixels(pixels, 900, 1, 0, 1, lens_vector(pinhole), scene, out, met)
    columns = np.flatnonzero((met.reshape(60, 900) == FRET).any(axis=0))
    own = columns[np.abs(columns - (449.5 + 700.0 - 800.0)) < 60]
    # Fret 3 lies 100 mm off the axis: u = cx - 4000 * 100 / (depth); at 500 mm that is 800 px. Its near end (z = 21.95)
    # is 478.05 mm away: 36.7 px farther out; its far end 521.95: 33.6 px nearer. Half a crown is 1.2 mm, 10.0 and 9.2.
    assert own[0] == pytest.approx(449.5 + 700.0 - 800.0 - 36.7 - 10.0, abs=1.5)
    assert own[-1] == pytest.approx(449.5 + 700.0 - 800.0 + 33.6 + 9.2, abs=1.5)
