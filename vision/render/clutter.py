"""Tools and boxes on a bench behind the neck."""

from __future__ import annotations

import numpy as np

from lightgap.neck.profile import Array

from .settings import SceneSettings

COLOURS = (
    (0.55, 0.55, 0.56), (0.05, 0.05, 0.055), (0.10, 0.16, 0.40), (0.06, 0.18, 0.10), (0.50, 0.38, 0.14),
    (0.62, 0.52, 0.36), (0.40, 0.08, 0.08), (0.30, 0.30, 0.32), (0.70, 0.66, 0.58),
)  # fmt: skip


def strew_clutter(settings: SceneSettings, *, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return the things behind the neck (none unless the background is a bench) and their colours."""
    if settings.light.background != "bench":
        return np.zeros((0, 17)), np.zeros((0, 3))
    bench, far = -settings.light.bench_below_mm, settings.light.background_distance_mm
    things, colours = [], []
    for _ in range(26):
        x = rng.uniform(-180.0, 620.0)
        z = -rng.uniform(0.45, 0.95) * far
        colours.append(COLOURS[rng.integers(len(COLOURS))])
        if rng.random() < 0.45:
            half = np.array([rng.uniform(10, 34), rng.uniform(10, 65), rng.uniform(10, 25)])
            a = rng.uniform(-0.6, 0.6)
            c, s = np.cos(a), np.sin(a)
            axes = [c, 0.0, s, 0.0, 1.0, 0.0, -s, 0.0, c]
            things.append([0.0, x, bench + half[1], z, *axes, *half, 0.0])
            continue
        radius, length = rng.uniform(2.0, 12.0), rng.uniform(40.0, 190.0)
        lean = rng.normal(0.0, 0.30, 2) if radius < 6.0 else np.zeros(2)
        axis = np.array([lean[0], 1.0, lean[1]])
        axis /= np.linalg.norm(axis)
        # columns 7 to 9 hold the axis, 13 and 14 the length and radius
        things.append([1.0, x, bench, z, 0, 0, 0, *axis, 0, 0, 0, length, radius, 0, 0.0])
    return np.array(things), np.array(colours)
