"""Values of published standards on which the measuring of photos rests."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lightgap.neck.frets import fret_number, fret_position_mm
from lightgap.vision.photo import decode_srgb, encode_srgb
from lightgap.vision.reference import CARD_HEIGHT_MM, CARD_RELATIVE_U, CARD_THICKNESS_MM, CARD_WIDTH_MM


def test_card_is_the_id_1_card_of_iso_iec_7810() -> None:
    """ISO/IEC 7810:2019, ID-1: 85.60 mm x 53.98 mm, 0.76 mm thick (nominal)."""
    assert (CARD_WIDTH_MM, CARD_HEIGHT_MM, CARD_THICKNESS_MM) == (85.60, 53.98, 0.76)


def test_card_uncertainty_covers_the_limits_of_an_unused_card() -> None:
    """Limits 85.47 to 85.72 mm (ISO/IEC 7810, from memory): a rectangle of half-width 0.125, u = 0.072 mm."""
    assert pytest.approx((85.72 - 85.47) / 2 / math.sqrt(3) / 85.60, rel=1e-9) == CARD_RELATIVE_U


# IEC 61966-2-1:1999 transfer function at 8-bit codes, worked out from the published formula to eight places.
@pytest.mark.parametrize(
    "code, linear",
    [
        (0, 0.0),
        (1, 0.00030353),
        (10, 0.00303527),
        (11, 0.00334654),
        (64, 0.05126946),
        (127, 0.21223076),
        (128, 0.21586050),
        (188, 0.50288646),
        (200, 0.57758044),
        (255, 1.0),
    ],
)
def test_srgb_decoding(code: int, linear: float) -> None:
    assert float(decode_srgb(np.array([code / 255.0]))[0]) == pytest.approx(linear, abs=1e-8)


@pytest.mark.parametrize("linear, coded", [(0.18, 0.46135613), (0.5, 0.73535698)])
def test_srgb_encoding(linear: float, coded: float) -> None:
    assert float(encode_srgb(np.array([linear]))[0]) == pytest.approx(coded, abs=1e-8)


def test_srgb_join_of_its_two_branches() -> None:
    """At 0.04045 the two branches of IEC 61966-2-1 give 0.00313080495356 and 0.00313080728307."""
    below, above = decode_srgb(np.array([0.04045, np.nextafter(0.04045, 1.0)]))
    assert below == pytest.approx(0.00313080495356, abs=1e-13)
    assert above == pytest.approx(0.00313080728307, abs=1e-13)


def test_srgb_returns_every_8_bit_code() -> None:
    codes = np.arange(256)
    back = encode_srgb(decode_srgb(codes / 255.0)) * 255.0
    np.testing.assert_array_equal(np.rint(back), codes)
    # The branches' join leaves 2.3e-9 of linear light; nothing else is lost.
    np.testing.assert_allclose(back, codes, atol=1e-5)


# Equal temperament, x_n = L (1 - 2^(-n/12)); L = 648 mm, to the fourth place.
@pytest.mark.parametrize(
    "fret, position_mm",
    [
        (1, 36.3694),
        (2, 70.6976),
        (3, 103.0991),
        (5, 162.5485),
        (7, 215.5119),
        (12, 324.0),
        (15, 375.5496),
        (17, 405.2743),
        (19, 431.7559),
        (24, 486.0),
    ],
)
def test_fret_positions(fret: int, position_mm: float) -> None:
    assert float(fret_position_mm(fret, 648.0)) == pytest.approx(position_mm, abs=1e-4)
    assert float(fret_number(position_mm, 648.0)) == pytest.approx(fret, abs=1e-4)


def test_fret_spacing_divisor_of_the_trade() -> None:
    """1 / (1 - 2^(-1/12)) = 17.817153745105777: each fret stands this share of the remaining string farther on."""
    divisor = 648.0 / float(fret_position_mm(1, 648.0))
    assert divisor == pytest.approx(17.817153745105777, rel=1e-14)
