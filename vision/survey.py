"""What a photo shows before any scale is known: level edges, and objects of known size."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from .edge import Line, find_lines, sharpest_px
from .findings import refusal
from .photo import Photo
from .reference import ReferenceObject, ReferenceRequest, find_references

# Nothing in the picture is sharper than this: no gap of a tenth of a millimetre can be read in it.
MAX_PICTURE_BLUR_PX = 3.5


@dataclass(frozen=True, slots=True)
class Survey:
    """A photo, what was looked for in it, and what was found.

    Attributes
    ----------
    lines
        Level edges, strongest first.
    objects
        Of the kind wanted, likeliest first.
    """

    photo: Photo
    request: ReferenceRequest
    lines: tuple[Line, ...]
    objects: tuple[ReferenceObject, ...]


def survey(photo: Photo, request: ReferenceRequest) -> Survey:
    """Find lines and reference objects side by side: each is a few passes over the whole picture.

    Raises
    ------
    Refusal
        `blurred` when nothing in the picture is sharp.
    """
    if request.kind in ("straightedge", "frets"):
        return Survey(photo, request, _lines(photo), ())
    with ThreadPoolExecutor(1) as other:
        objects = other.submit(find_references, photo, request)
        lines = _lines(photo)
        return Survey(photo, request, lines, tuple(objects.result()))


def _lines(photo: Photo) -> tuple[Line, ...]:
    blur_px = sharpest_px(photo.luminance)
    if blur_px > MAX_PICTURE_BLUR_PX:
        raise refusal("blurred", f"by {blur_px:.1f} px even where it is sharpest")
    return tuple(find_lines(photo.luminance))
