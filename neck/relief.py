"""Relief: how far the crowns sag below, or stand above, the chord through two end crowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .errors import InputError
from .posterior import crown_posterior
from .profile import Array, GapProfile, Relief, Shape
from .straightness import chord_matrix

BODY_JOINT_FRET = 15
# Under this size a bow cannot be told from the scatter of well-dressed frets (common practice, no published source).
STRAIGHT_MM = 0.04
# The lesser lobe of an S-bend against the greater one.
S_BEND_SHARE = 0.3
# A fret may be worn, proud, or not driven home by the first; a crown off its neighbours by the second was misread
# (common practice, no published source).
BAD_FRET_MM = (0.13, 0.2)


def compute_relief(profile: GapProfile, *, chord: tuple[int, int] | None = None, coverage_k: float = 2.0) -> Relief:
    """Return the relief of a gap profile: the depth of largest size strictly inside the chord.

    Parameters
    ----------
    profile
        Gaps with their covariance. A common constant and a tilt of the straightedge do not matter.
    chord
        The two end frets. Default: the first crown, and the last one; when the profile reaches past fret 15 the crown
        nearest fret 15, since the tongue over the body is not bent by the rod.
    coverage_k
        Coverage factor of the expanded uncertainty.

    Returns
    -------
    Relief
        Positive for an up-bow: depth_i = gap_i minus the straight line through the two end gaps, by position.

    Raises
    ------
    InputError
        When a chord end is not in the profile, or no crown lies between the ends.

    Notes
    -----
    The depth is a linear combination of correlated gaps, so its variance is A C A^T (JCGM 100:2008, 5.2). The largest
    of noisy depths is biased high; the depths are therefore taken from `crown_posterior`, which leaves them alone when
    the noise is small against the differences between frets and draws them to a smooth neck when it is not. Relief is
    the depth so found at the fret where it is largest, and U covers, k times, the root mean square distance of the
    true relief (which may be at another fret) from it. A crown that would lie deeper, and was drawn to the smooth neck
    by more than the standard uncertainty of its depth, may be a bad fret: U covers it as it was read.
    """
    first, last = _chord_indices(profile, chord or default_chord(profile))
    post = crown_posterior(profile)
    matrix = chord_matrix(profile.position_mm, (first, last))
    depth = matrix @ post.mean_mm
    inside = np.arange(first + 1, last)
    at = int(inside[np.argmax(np.abs(depth[inside]))])
    draws = post.draws_mm @ matrix[inside].T
    truth = np.take_along_axis(draws, np.argmax(np.abs(draws), axis=1)[:, None], axis=1)[:, 0]
    # The linear variance exactly, and what the choice of the fret adds, from the draws.
    linear = float(matrix[at] @ post.covariance_mm2 @ matrix[at])
    here = draws[:, at - first - 1]
    choice = float(np.mean((truth - depth[at]) ** 2) - np.mean((here - depth[at]) ** 2))
    expanded = coverage_k * float(np.sqrt(linear + max(0.0, choice)))
    own = np.sqrt(np.clip(np.diag(matrix @ profile.covariance_mm2 @ matrix.T), 0, None))
    bare = matrix @ profile.gap_mm
    rivals = np.where(np.abs(bare) > np.maximum(own, np.abs(depth)), bare, depth)
    expanded = max(expanded, _rival_reach(rivals[inside], float(depth[at]), expanded=expanded))
    moved = np.abs(bare - depth)
    levelled = inside[((np.abs(bare) > np.abs(depth[at])) & (moved > own))[inside]]
    fade = np.interp(moved[levelled], BAD_FRET_MM, (1.0, 0.0))
    expanded = max([expanded, *(fade * np.abs(bare[levelled] - depth[at])).tolist()])
    sd = np.sqrt(np.clip(np.diag(matrix @ post.covariance_mm2 @ matrix.T), 0, None))
    shape = _shape(depth[inside], coverage_k * sd[inside], relief=float(depth[at]), expanded=expanded)
    ends = (profile.frets[first], profile.frets[last])
    return Relief(float(depth[at]), expanded, coverage_k, profile.frets[at], ends, shape)


@dataclass(frozen=True, slots=True)
class Lobe:
    """The crown farthest from the chord on one side of it.

    Attributes
    ----------
    depth_mm, U_mm
        Positive below the chord, with the expanded uncertainty by the relief's coverage factor.
    at_fret
        Where.
    """

    depth_mm: float
    U_mm: float
    at_fret: int


def lobes(profile: GapProfile, relief: Relief) -> tuple[Lobe, Lobe]:
    """Return the deepest crown below the chord of a relief, and the highest above it: of an S one number says little.

    Parameters
    ----------
    profile, relief
        The relief is one of this profile.
    """
    first, last = _chord_indices(profile, relief.chord)
    post = crown_posterior(profile)
    matrix = chord_matrix(profile.position_mm, (first, last))[first + 1 : last]
    depth, sd = matrix @ post.mean_mm, np.sqrt(np.clip(np.diag(matrix @ post.covariance_mm2 @ matrix.T), 0, None))
    below, above = (
        Lobe(float(depth[i]), relief.k * float(sd[i]), profile.frets[first + 1 + i])
        for i in (int(np.argmax(depth)), int(np.argmin(depth)))
    )
    return below, above


def default_chord(profile: GapProfile) -> tuple[int, int]:
    """Return the chord used when none is asked for: first crown to last, or to the one nearest fret 15."""
    frets = [f for f in profile.frets if f > 0]
    if len(frets) < 3:
        raise InputError(f"relief needs at least three frets, the profile has {_named(profile.frets)}")
    if frets[-1] <= BODY_JOINT_FRET or profile.numbers_relative:
        return frets[0], frets[-1]
    near = min(frets[2:], key=lambda f: (abs(f - BODY_JOINT_FRET), -f))
    return frets[0], near


def _rival_reach(depth: Array, relief: float, *, expanded: float) -> float:
    """Return how far the deepest crown on the other side of the chord lies, when it is a rival for the relief.

    On a neck bent both ways the crown of largest depth changes sides within the uncertainty; a relief of either sign
    must then be covered, so that nobody turns a rod on the sign of a tie. A depth larger than its own standard
    uncertainty counts as it was read: smoothing may have levelled the lesser lobe of an S, or a single bad fret.
    """
    other = depth[np.sign(depth) == -np.sign(relief)]
    if not len(other):
        return 0.0
    rival = float(np.abs(other).max())
    return abs(relief) + rival if abs(relief) - rival < expanded else 0.0


def _chord_indices(profile: GapProfile, chord: tuple[int, int]) -> tuple[int, int]:
    missing = [f for f in chord if f not in profile.frets]
    if missing:
        raise InputError(f"chord end fret {missing[0]} is not in the profile; it has frets {_named(profile.frets)}")
    first, last = (profile.frets.index(f) for f in sorted(chord))
    if last - first < 2:
        raise InputError(
            f"no crown lies between the chord ends {chord[0]} and {chord[1]}; choose ends farther apart "
            f"from frets {_named(profile.frets)}"
        )
    return first, last


def _named(frets: tuple[int, ...]) -> str:
    return ", ".join(str(f) for f in frets) or "none"


def _shape(depth: Array, bound: Array, *, relief: float, expanded: float) -> Shape:
    """Name the bow as far as the uncertainty allows; an S needs two neighbouring frets beyond doubt on either side."""
    below, above = _pair_beyond(depth, bound), _pair_beyond(-depth, bound)
    if min(below, above) > S_BEND_SHARE * max(below, above) and min(below, above) > 0:
        return "s-bend"
    if abs(relief) + expanded <= STRAIGHT_MM:
        return "straight"
    if relief > expanded:
        return "up-bow"
    if relief < -expanded:
        return "back-bow"
    return "cannot-tell"


def _pair_beyond(depth: Array, bound: Array) -> float:
    """The largest depth shown by two neighbouring frets that are both positive beyond their uncertainty, or 0."""
    sure = depth > bound
    pairs = sure[:-1] & sure[1:]
    if not pairs.any():
        return 0.0
    return float(np.max(np.minimum(depth[:-1], depth[1:])[pairs]))
