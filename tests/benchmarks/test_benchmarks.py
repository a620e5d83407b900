"""The helpers of the campaigns, on made-up outcomes whose figures are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.accuracy import ALLOWANCE_MM, Outcome, group_of, summarise
from benchmarks.pool import shard, spread
from benchmarks.render_campaign import FIRST_SEED, U_AIMED, drawn, grey_signal_to_noise, ranges, render_one


def test_right_uncertainties_give_a_spread_of_one() -> None:
    rng = np.random.default_rng(8)
    u = rng.uniform(0.01, 0.05, 4000)
    outcomes = [
        Outcome("p", "g", 1.0, relief_error_mm=float(e), U_mm=2.0 * float(s))
        for e, s in zip(u * rng.standard_normal(4000), u, strict=True)
    ]
    figures = summarise(outcomes)
    # The standard deviation of n normal numbers is known to 1 / sqrt(2 n) = 1.1 %, their median size to about 1.8 %.
    assert figures["error_over_u_rms"] == pytest.approx(1.0, abs=0.045)
    assert figures["error_over_u_robust"] == pytest.approx(1.0, abs=0.07)
    assert figures["inside_U"] == pytest.approx(0.9545, abs=0.013)  # normal distribution, two sigma
    # A few wild ones move the rms and hardly the median.
    wild = [*outcomes, *[Outcome("w", "g", 1.0, relief_error_mm=1.0, U_mm=0.02)] * 40]
    assert summarise(wild)["error_over_u_rms"] > 5.0
    assert summarise(wild)["error_over_u_robust"] < 1.1


def test_refused_photos_count_against_the_yield_only() -> None:
    outcomes = [Outcome("a", "g", 2.0, relief_error_mm=0.01, U_mm=0.02), Outcome("b", "g", 1.0, "blurred")]
    figures = summarise(outcomes)
    assert (figures["photos"], figures["measured"]) == (2, 1)
    assert figures["relief_bias_mm"] == pytest.approx(0.01)
    assert figures["relief_p95_mm"] == pytest.approx(0.01)


def test_outer_place_is_told_by_where_the_camera_looks() -> None:
    known = {"framing": "half", "background": "card", "blade_place": "outer", "strings": True}
    truth = {"blade_line_mm": {"lean_rad": np.deg2rad(3.0)}}
    for elevation, situation in ((-3.0, "outer lowered"), (-1.0, "outer lowered"), (0.0, "outer level")):
        assert group_of({"parameters": known | {"elevation_deg": elevation}, "truth": truth}) == f"half {situation}"
    assert ALLOWANCE_MM["half outer lowered"] < ALLOWANCE_MM["half controlled"] < ALLOWANCE_MM["half strings"]


def test_shards_share_out_every_photo_once() -> None:
    parts = [shard(list(range(11)), f"{i}/3") for i in (1, 2, 3)]
    assert sorted(n for part in parts for n in part) == list(range(11))
    for wrong in ("0/3", "4/3", "3", "a/b", ""):
        with pytest.raises(ValueError, match="shard"):
            shard([1], wrong)


def test_results_come_with_their_items() -> None:
    assert list(spread(abs, [-1, 2, -3], workers=1)) == [(-1, 1), (2, 2), (-3, 3)]


def test_photos_that_are_there_are_not_made_again(tmp_path: Path) -> None:
    (tmp_path / "any-001-half.json").write_text("{}")
    assert "is there" in render_one(1, folder=tmp_path, kind="any")
    assert (tmp_path / "any-001-half.json").read_text() == "{}"


def test_campaign_covers_what_it_says() -> None:
    """The same seeds as a campaign; ranges of the renderer's own description."""
    scenes = [(FIRST_SEED + n, drawn(n, kind="any")[0]) for n in range(60)]
    table = ranges(scenes)
    for word in ("window", "rake", "overhead", "mixed", "behind", "card", "cloth", "wall", "gradient", "s-bend",
                 "back-bow", "along the board", "across the board", "compound", "pressed at one end"):  # fmt: skip
        assert word in table
    noisiest = min(grey_signal_to_noise(s.imaging.full_well_e, s.imaging.read_noise) for _, s in scenes)
    assert 9.0 < noisiest < 14.0  # ten is the acceptable ratio of ISO 12232 (from memory)


@pytest.mark.parametrize("kind", ["aimed", "whole"])
def test_aimed_photos_have_the_axis_off_the_edge_of_the_same_scene(kind: str) -> None:
    plain, off = drawn(7, kind="any")[0], drawn(7, kind=kind)[0]
    assert replace(off, camera=plain.camera) == plain
    assert off.camera.axis_row_fraction is not None
    off_px = (off.camera.edge_row_fraction - off.camera.axis_row_fraction) * off.camera.height_px
    assert 0 < abs(off_px) < 3 * U_AIMED * off.camera.width_px  # k = 3
    if kind == "whole":
        assert (off.camera.height_px, off.camera.axis_row_fraction) == (3024, 0.5)
    else:
        assert off.camera.edge_row_fraction == plain.camera.edge_row_fraction
