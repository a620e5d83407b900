"""Hand readings against a photo's profile, fret by fret, below one common chord."""

from __future__ import annotations

import numpy as np

from .agreement import Crosscheck, PairCheck, e_n, judge_pairs
from .errors import InputError
from .profile import GapProfile
from .relief import default_chord
from .straightness import chord_matrix
from .units import LengthUnit

K = 2.0


def crosscheck(
    photo: GapProfile, hand: GapProfile, *, chord: tuple[int, int] | None = None, unit: LengthUnit = "mm"
) -> Crosscheck:
    """Return how far hand and photo agree.

    Parameters
    ----------
    photo, hand
        Two profiles of the same neck.
    chord
        End frets common to both; default: the hand's first and last fret that the photo has too.
    unit
        Unit of the lengths in the sentence.

    Raises
    ------
    InputError
        When the profiles share no chord with a crown inside it.

    Notes
    -----
    Single gaps depend on how the straightedge lay; depths below a common chord do not. Their uncertainties come from
    each profile's covariance. E_n after ISO 13528.
    """
    common = [f for f in hand.frets if f in photo.frets]
    if chord is None:
        if len(common) < 3:
            raise InputError(
                f"hand and photo share {len(common)} frets; a comparison needs two chord ends and one between"
            )
        limit = default_chord(photo)[1]
        inside = [f for f in common if f <= limit]
        chord = (common[0], inside[-1] if len(inside) >= 3 else common[-1])
    missing = [f for f in chord if f not in common]
    if missing:
        raise InputError(f"chord end fret {missing[0]} must be in both, the hand readings and the photo's profile")
    between = [f for f in common if chord[0] < f < chord[1]]
    if not between:
        raise InputError(f"no fret between {chord[0]} and {chord[1]} was read by hand and by photo")
    by_hand, by_photo = (_depths(profile, chord) for profile in (hand, photo))
    pairs = []
    for fret in between:
        (h, uh), (p, up) = by_hand[fret], by_photo[fret]
        score = e_n(h, p, U_value=K * uh, U_reference=K * up)
        pairs.append(PairCheck(fret, h, K * uh, p, K * up, score))
    return judge_pairs(pairs, unit=unit)


def _depths(profile: GapProfile, chord: tuple[int, int]) -> dict[int, tuple[float, float]]:
    matrix = chord_matrix(profile.position_mm, (profile.frets.index(chord[0]), profile.frets.index(chord[1])))
    depth = matrix @ profile.gap_mm
    u = np.sqrt(np.clip(np.diag(matrix @ profile.covariance_mm2 @ matrix.T), 1e-12, None))
    return {f: (float(d), float(s)) for f, d, s in zip(profile.frets, depth, u, strict=True)}
