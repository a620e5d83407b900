"""What the stages of a measurement hand to each other; the renderer returns its truth in the same words.

Pixel frame: the upright image (after the EXIF turn), pixel centres at integer coordinates, x to the right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from lightgap.neck.profile import Array, Finding, GapProfile, Relief

ReferenceKind = Literal["card", "coin", "marker", "straightedge", "frets"]


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What is known of the file itself."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken: str | None = None


@dataclass(frozen=True, slots=True)
class Straightedge:
    """Lower edge of the straightedge.

    Attributes
    ----------
    points_px
        (n, 2) points along the lower edge, left to right, upright image.
    """

    points_px: Array = field(repr=False)


@dataclass(frozen=True, slots=True)
class ScaleCheck:
    """A second opinion on the scale."""

    reference: ReferenceKind
    px_per_mm: float


@dataclass(frozen=True, slots=True)
class Scale:
    """Image scale in the plane of the straightedge's line.

    Attributes
    ----------
    px_per_mm, u_px_per_mm
        At the middle of the measured span, with standard uncertainty.
    outline_px
        (n, 2) outline of the reference object in the image, empty when there is none.
    """

    reference: ReferenceKind
    px_per_mm: float
    u_px_per_mm: float
    check: ScaleCheck | None = None
    outline_px: Array | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of the uncertainty budget of the relief."""

    name: str
    u_mm: float
    kind: Literal["A", "B"]
    cure: str


@dataclass(frozen=True, slots=True)
class Measurement:
    """The whole result of one photo, or of several: what the JSON document, the overlay and the report are made of.

    Attributes
    ----------
    photo, scale, straightedge
        Of the photo; of the first when there are several.
    others
        The other photos of the same neck that went into the profile, in order.
    shown_in
        For each crown of the profile, the first photo that shows it (0 is `photo`); empty when there is one photo.
    """

    photo: PhotoFacts
    scale: Scale
    straightedge: Straightedge
    profile: GapProfile
    relief: Relief
    warnings: tuple[Finding, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    facts: dict[str, float] = field(default_factory=dict)
    others: tuple[PhotoFacts, ...] = ()
    shown_in: tuple[int, ...] = ()

    @property
    def photos(self) -> tuple[PhotoFacts, ...]:
        """All photos the profile comes from, in order."""
        return (self.photo, *self.others)
