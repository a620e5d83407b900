"""Which readings stand: crowns, crowns and feet, feet alone, or none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.neck.errors import Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array
from lightgap.neck.straightness import chord_matrix
from lightgap.vision.camera import camera_from_comb
from lightgap.vision.comb import Comb
from lightgap.vision.fall import BOARD_END, COMPOUND_SHARE, FLATTER
from lightgap.vision.feet import Feet
from lightgap.vision.joined import Joined
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.outline import Outline
from lightgap.vision.readings import MAX_MISFIT, MAX_STRAIN, CrownFit, CrownSet
from lightgap.vision.slit import SlitLight
from lightgap.vision.weigh import MAX_ELEVATION_RAD, MAX_STRAIN_BY_HEIGHT, weigh

WIDTH_PX, PX_PER_MM = 4000, 17.0
FRETS = np.arange(5, 16)
N = len(FRETS)
POSITION_MM = fret_position_mm(FRETS.astype(float), 648.0)
ALONG = (POSITION_MM - POSITION_MM.mean()) / (np.ptp(POSITION_MM) / 2)
BOW_MM = 0.2 * (1 - ALONG**2)
COMB = Comb(1, float(POSITION_MM[[0, -1]].mean()), PX_PER_MM, 0.0, 0.0, 10.0, WIDTH_PX / 2, 5000.0, 648.0)
SLIT = SlitLight(0.9, 0.0, np.full(WIDTH_PX, 0.5), np.full(WIDTH_PX, 0.01), 0.95)
FIRST_PX, LAST_PX = COMB.x_px(POSITION_MM[[0, -1]])
# Both ends of the straightedge are in view, or it runs on to the body with the next fret beyond the picture.
ENDS_HERE = EdgeCurve(np.zeros(1), 2000.0, 2000.0, FIRST_PX - 5 * PX_PER_MM, LAST_PX + 5 * PX_PER_MM, 1, 0.1)
RUNS_ON = replace(ENDS_HERE, high_px=LAST_PX + 11.4 * PX_PER_MM)
PER_MM = 1 / 300.0
TOO_FAR = 1.2 * MAX_ELEVATION_RAD


def crowns(
    gap_mm: Array = BOW_MM,
    *,
    u_bow_mm: float = 0.03,
    near_mm: float = 22.0,
    misfit: float = 0.5,
    strain: float = 0.0,
    elevation_rad: float = 0.0,
    read: int = N,
) -> CrownSet:
    rows = tuple(
        CrownFit(int(f), float(x), float(g), 50, misfit, 0.1, 0.0)
        for f, x, g in zip(FRETS[:read], POSITION_MM[:read], gap_mm[:read], strict=True)
    )
    covariance = 0.01**2 * np.eye(N) + u_bow_mm**2 * np.outer(ALONG**2, ALONG**2)
    camera = replace(camera_from_comb(COMB), near_mm=np.array([near_mm, 0.014]))
    outline = Outline(0.7, PER_MM, elevation_rad)
    return CrownSet(rows, covariance[:read, :read], np.zeros((read, 6)), outline, camera, strain=strain)


# A round board's fall, k z^2 / 2, less what the share that grows flatter takes off it.
FALL_MM = PER_MM / 2 * (22.0 + 0.014 * POSITION_MM) ** 2
FALL_MM *= 1 - COMPOUND_SHARE * FLATTER * POSITION_MM / (BOARD_END * COMB.scale_length_mm)
STRONG = Feet(1.0 + BOW_MM + FALL_MM, 0.008, 0.95, 1.0)
WEAK = replace(STRONG, score=0.89)
FAINT = replace(STRONG, faces=0.7)  # stands alone, but a string may look like it
ENDS_READ = replace(STRONG, u_with_end_mm=np.full(N, 0.006), moved_mm=np.zeros(N))
FEW_OVER_TANGS = replace(STRONG, tangs=1.0, below_mm=np.where(np.arange(N) < 4, STRONG.below_mm, np.nan))
STRONG_OUTER = replace(STRONG, below_mm=1.0 + BOW_MM)


def weighed(
    read: CrownSet,
    feet: Feet | None,
    *,
    edge: EdgeCurve = ENDS_HERE,
    by_height: bool = False,
    proven: bool = False,
) -> Joined:
    return weigh(
        read,
        feet,
        frets=FRETS,
        position_mm=POSITION_MM,
        edge=edge,
        slit=SLIT,
        width_px=WIDTH_PX,
        u_edge_px=0.1,
        by_height=by_height,
        proven=proven,
    )


def test_crowns_that_were_read_stand_with_their_feet() -> None:
    got = weighed(crowns(), STRONG)
    assert not got.crowns.by_feet
    assert got.feet_covariance_mm2.any()
    assert not weighed(crowns(), None).feet_covariance_mm2.any()


BAD = {
    "unlike one another": {"misfit": 1.5 * MAX_MISFIT},
    "unlike any fret": {"strain": 1.5 * MAX_STRAIN},
    "hardly any": {"read": 3},
    "not enough": {"read": 7},
    "locked on nothing": {"u_bow_mm": 1.0},
    "floating": {"gap_mm": BOW_MM + 0.5},
}


@pytest.mark.parametrize("what", BAD.values(), ids=BAD.keys())
def test_strong_feet_stand_alone_where_crowns_were_not_read(what: dict[str, object]) -> None:
    got = weighed(crowns(**what), STRONG)  # type: ignore[arg-type]
    assert got.crowns.by_feet
    np.testing.assert_allclose(got.crowns.gap_mm, BOW_MM - BOW_MM.min(), atol=1e-12)  # as the feet lie: rounding


def test_a_fret_at_the_very_end_of_the_edge_is_not_measured_by_its_foot() -> None:
    """It may stand past the straightedge, where a string goes on in the line of its edge."""
    read = crowns()
    comb = read.camera.comb
    last_px = float(comb.x_px(POSITION_MM[-1:])[0])
    inward = np.sign(float(comb.x_px(POSITION_MM[:1])[0]) - last_px)
    low, high = sorted((last_px - inward * comb.px_per_mm, float(comb.x_px(POSITION_MM[:1])[0]) + inward * 500.0))
    edge = replace(ENDS_HERE, low_px=low, high_px=high)
    kept = read.only(np.arange(len(read.crowns) - 1))
    assert FRETS[-1] in [c.fret for c in weighed(read, STRONG, edge=edge).crowns.crowns]
    assert FRETS[-1] not in [c.fret for c in weighed(kept, STRONG, edge=edge).crowns.crowns]
    assert FRETS[-1] in [c.fret for c in weighed(kept, STRONG).crowns.crowns]


def test_a_line_that_slopes_away_from_the_crowns_bears_them_no_more_once_feet_make_that_sure() -> None:
    """A string rises from nut to bridge; crowns alone, each unsure by a fifth of a millimetre, let it pass.

    It is as straight as a straightedge: feet that prove themselves tell the bend under it without the crowns.
    """
    slope = 0.4 * (POSITION_MM - POSITION_MM[0]) / np.ptp(POSITION_MM)
    read = crowns(BOW_MM + slope)
    read = replace(read, covariance_mm2=read.covariance_mm2 + 0.2**2 * np.eye(len(read.crowns)))
    assert weighed(read, None).crowns.crowns
    with pytest.raises(Refusal) as refused:
        weighed(read, WEAK)
    assert refused.value.code == "no-contact"
    got = weighed(read, replace(STRONG, below_mm=STRONG.below_mm + slope))
    assert got.crowns.by_feet
    row = chord_matrix(POSITION_MM, (0, N - 1))
    np.testing.assert_allclose(row @ got.crowns.gap_mm, row @ BOW_MM, atol=1e-12)  # rounding


CODES = {"unlike one another": "shapes-disagree", "unlike any fret": "shapes-disagree", "hardly any": "too-few-crowns"}


@pytest.mark.parametrize("name", CODES)
@pytest.mark.parametrize(
    ("feet", "edge", "by_height"),
    [
        (WEAK, ENDS_HERE, False),
        (None, ENDS_HERE, False),
        (STRONG, RUNS_ON, False),
        (FEW_OVER_TANGS, RUNS_ON, False),
        (STRONG, ENDS_HERE, True),
    ],
    ids=["weak feet", "no feet", "rests out of view", "few feet, rests out of view", "scale by the height alone"],
)
def test_nothing_stands_where_feet_prove_nothing(
    name: str, feet: Feet | None, edge: EdgeCurve, *, by_height: bool
) -> None:
    with pytest.raises(Refusal) as refused:
        weighed(crowns(**BAD[name]), feet, edge=edge, by_height=by_height)  # type: ignore[arg-type]
    assert refused.value.code == CODES[name]


@pytest.mark.parametrize("name", CODES)
@pytest.mark.parametrize(
    ("feet", "edge", "by_height"),
    [
        (ENDS_READ, RUNS_ON, False),
        (replace(FAINT, tangs=0.9), RUNS_ON, False),
        (FAINT, ENDS_HERE, False),
        (STRONG, ENDS_HERE, True),
    ],
    ids=["ends read", "over tangs", "rests in view", "scale proven"],
)
def test_feet_that_only_frets_have_stand_alone(name: str, feet: Feet, edge: EdgeCurve, *, by_height: bool) -> None:
    got = weighed(crowns(**BAD[name]), feet, edge=edge, by_height=by_height, proven=by_height)  # type: ignore[arg-type]
    assert got.crowns.by_feet


def test_by_the_height_alone_frets_need_not_be_likelier_where_dots_prove_their_numbers() -> None:
    read = crowns(strain=(MAX_STRAIN_BY_HEIGHT + MAX_STRAIN) / 2)
    with pytest.raises(Refusal, match="height alone"):
        weighed(read, None, by_height=True)
    assert weighed(read, None, by_height=True, proven=True).crowns.crowns
    with pytest.raises(Refusal, match="frets unlike any"):
        weighed(crowns(strain=1.5 * MAX_STRAIN), None, by_height=True, proven=True)


def test_frets_that_stand_off_their_feet_are_not_smoothed_over() -> None:
    """Four of eleven stand high, and a crown each says so: feet know nothing of it."""
    gap = BOW_MM.copy()
    gap[[2, 4, 6, 8]] -= 0.15
    got = weighed(crowns(gap), STRONG)
    assert not got.crowns.by_feet
    assert got.off_feet >= 4  # and some between them, which the bow through most of so many off misses


@pytest.mark.parametrize(("near_mm", "under_mm"), [(3.0, 0.4), (3.0, 2.0), (22.0, 0.1), (22.0, 3.0)])
def test_a_row_that_lies_higher_or_lower_than_feet_do_is_left_alone(near_mm: float, under_mm: float) -> None:
    """Higher lie the tops of the ends, lower a string: under 0.5 mm and over 1.9, from the middle 0.2 and 2.9."""
    read, strong = crowns(near_mm=near_mm), STRONG if near_mm > 10 else STRONG_OUTER
    row = replace(strong, below_mm=strong.below_mm - 1.0 + under_mm, faces=0.7)
    got = weighed(read, row)
    assert got.crowns == read
    assert not got.agree
    assert not got.feet_covariance_mm2.any()


def test_frets_that_stand_off_their_feet_are_no_reason_to_let_feet_speak_alone() -> None:
    """Under a line that slopes away two frets stand 0.3 mm high: their crowns say so, and feet know nothing of it."""
    slope = 0.4 * (POSITION_MM - POSITION_MM[0]) / np.ptp(POSITION_MM)
    read = crowns(BOW_MM + slope - 0.3 * np.isin(np.arange(N), [3, 7]))
    read = replace(read, covariance_mm2=read.covariance_mm2 + 0.2**2 * np.eye(len(read.crowns)))
    with pytest.raises(Refusal) as refused:
        weighed(read, replace(STRONG, below_mm=STRONG.below_mm + slope))
    assert refused.value.code == "no-contact"


@pytest.mark.parametrize("proven", [False, True])
def test_a_line_that_no_crown_comes_near_may_be_a_string_whatever_proves_the_scale(*, proven: bool) -> None:
    read = crowns(BOW_MM + 0.56)
    assert weighed(read, None, edge=RUNS_ON).crowns.crowns
    with pytest.raises(Refusal) as refused:
        weighed(read, None, edge=RUNS_ON, by_height=True, proven=proven)
    assert refused.value.code == "no-contact"


@pytest.mark.parametrize(("near_mm", "down_mm"), [(22.0, 2.0), (3.0, 1.0)])
def test_crowns_far_over_strong_feet_are_a_string_s(near_mm: float, down_mm: float) -> None:
    """No fret is so tall: 3 mm from the middle, 2 beside the outer string."""
    strong = STRONG if near_mm > 10 else STRONG_OUTER
    read, deep = crowns(near_mm=near_mm), replace(strong, below_mm=strong.below_mm + down_mm)
    with pytest.raises(Refusal) as refused:
        weighed(read, deep)
    assert refused.value.code == "no-straightedge"
    assert weighed(read, replace(deep, faces=0.2)).crowns == read  # a row that may be no feet's


@pytest.mark.parametrize(
    "read",
    [
        crowns(elevation_rad=TOO_FAR),
        crowns(elevation_rad=TOO_FAR, read=3),
        crowns(BOW_MM + 1.0, near_mm=3.0, elevation_rad=TOO_FAR),
    ],
    ids=["read well", "hardly any", "over the border"],
)
def test_a_camera_tilted_too_far_is_refused_whatever_the_feet_say(read: CrownSet) -> None:
    with pytest.raises(Refusal) as refused:
        weighed(read, STRONG_OUTER if read.camera.beside_outer else STRONG)
    assert refused.value.code == "tilted"


@pytest.mark.parametrize(("low_mm", "by_feet"), [(0.1, False), (0.4, True), (1.0, True)])
@pytest.mark.parametrize("by_height", [False, True])
def test_beside_the_outer_string_what_touches_nothing_is_the_border(
    low_mm: float, *, by_feet: bool, by_height: bool
) -> None:
    read = crowns(BOW_MM + low_mm, near_mm=3.0)
    got = weighed(read, STRONG_OUTER, edge=RUNS_ON, by_height=by_height)
    assert got.crowns.by_feet == by_feet
