"""Beam formulas against published worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.neck.beam import (
    arc_radius_mm,
    arc_sagitta_mm,
    cantilever_load_deflection_mm,
    cantilever_moment_deflection_mm,
    cantilever_shape,
    central_load_deflection_mm,
    end_moment_deflection_mm,
    uniform_load_deflection_mm,
)


def test_central_load() -> None:
    """pickedshares.com, beam calculator: I = 1 670 000 mm4, E = 210 000 N/mm2, L = 3 m; 1.60 and 15.04 mm printed."""
    stiffness = 210_000 * 1_670_000
    got = [central_load_deflection_mm(f, span_mm=3000, stiffness_N_mm2=stiffness) for f in (1000, 9375)]
    np.testing.assert_allclose(got, [1.60, 15.04], atol=0.0051)


def test_uniform_load() -> None:
    """Engineering Toolbox, beam stress and deflection: L = 100 in, I = 285 in4, E = 29e6 psi, 100 lb/in: 0.016 in.

    Consistent units give inches: http://mobile.engineeringtoolbox.com/beam-stress-deflection-d_1312.php
    """
    assert uniform_load_deflection_mm(100, span_mm=100, stiffness_N_mm2=29e6 * 285) == pytest.approx(0.016, abs=0.00051)
    # Derived from the printed data.
    assert central_load_deflection_mm(10_000, span_mm=100, stiffness_N_mm2=29e6 * 285) == pytest.approx(
        0.025207, abs=1e-6
    )


def test_uniform_load_metric() -> None:
    """w = 6 N/mm, L = 5 m, E = 200 000 N/mm2, I = 81.96e6 mm4: printed 5 w L^4 / (384 E I), value derived."""
    got = uniform_load_deflection_mm(6, span_mm=5000, stiffness_N_mm2=200_000 * 81.96e6)
    assert got == pytest.approx(2.97878, abs=1e-5)


def test_end_moments_bend_to_an_arc() -> None:
    """Uniform bending is a circular arc of radius E I / M (strength-of-materials course notes, eq. 13.1)."""
    stiffness, moment, span = 3.0e8, 5000.0, 400.0
    deflection = end_moment_deflection_mm(moment, span_mm=span, stiffness_N_mm2=stiffness)
    radius = stiffness / moment
    assert deflection == pytest.approx(span**2 / (8 * radius), rel=1e-12)
    # The small-angle formula against the true circle: relative difference (c / 4R)^2, three parts in a million here.
    assert deflection == pytest.approx(arc_sagitta_mm(span, radius_mm=radius), rel=1e-5)


def test_arc_geometry() -> None:
    """Derived: c = 400, s = 0.25 gives R = 80 000.125; c = 500, s = 0.30 gives 104 166.817."""
    assert arc_radius_mm(400, sagitta_mm=0.25) == pytest.approx(80_000.125, abs=1e-6)
    assert arc_radius_mm(500, sagitta_mm=0.30) == pytest.approx(104_166.817, abs=1e-3)
    assert arc_sagitta_mm(400, radius_mm=80_000.125) == pytest.approx(0.25, rel=1e-12)


def test_cantilever() -> None:
    """P L^3 / (3 E I) and M L^2 / (2 E I), beam tables; the integrated shape agrees with the closed form."""
    assert cantilever_load_deflection_mm(10, length_mm=300, stiffness_N_mm2=1e8) == pytest.approx(0.9)
    assert cantilever_moment_deflection_mm(1000, length_mm=300, stiffness_N_mm2=1e8) == pytest.approx(0.45)
    s = np.linspace(0, 300, 2001)
    assert cantilever_shape(s)[-1] * 1000 / 1e8 == pytest.approx(0.45)
    # Trapezoid rule on 2000 steps: error of the order of 1e-7.
    assert cantilever_shape(s, taper=1 - 1e-12)[-1] == pytest.approx(300**2 / 2, rel=1e-6)
    assert cantilever_shape(s, taper=0.8)[-1] > cantilever_shape(s)[-1]
