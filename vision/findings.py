"""The registry of findings: every warning and refusal of a photo, once, with what it means and how to cure it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Finding


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of finding.

    Attributes
    ----------
    code
        Stable name, as in the JSON documents.
    severity
        "refusal": no number is given; "warning": a number is given, with this said beside it.
    short
        One line.
    long
        What it means.
    cure
        What to change in the next photo.
    """

    code: str
    severity: Literal["warning", "refusal"]
    short: str
    long: str
    cure: str


_KINDS = (
    FindingKind(
        "too-coarse",
        "refusal",
        "too few pixels per millimetre",
        "The picture is too small, or the neck too far away: below 4 px per mm of board a gap of 0.1 mm is under half "
        "a pixel, less than the blur of any lens.",
        "use the camera's original file, fill the frame with the neck, or photograph half of it at a time",
    ),
    FindingKind(
        "no-crowns",
        "refusal",
        "nothing spaced like frets was found under a straight edge",
        "No row of marks with the spacing of equal temperament stands under any long straight edge of the picture, at "
        "the scale the reference object gives. It may be a photo of something else, or the scale may be wrong.",
        "photograph the neck from the side, level with the board, the straightedge on the frets, with a light card or "
        "dark cloth close behind; check the reference object and the scale length",
    ),
    FindingKind(
        "no-straightedge",
        "refusal",
        "no straightedge resting on the frets was found",
        "Frets were found, but no edge above them could be followed along the board. Strings in front of the edge, or "
        "a background as bright as the blade, hide it.",
        "lay the straightedge on the crowns with its lower edge in view; lower the camera until the strings clear the "
        "edge; keep a plain light card or dark cloth behind the gap",
    ),
    FindingKind(
        "too-few-crowns",
        "refusal",
        "too few crowns could be read",
        "Relief needs the two ends of the chord and crowns between them. An end of --chord is carried on over two "
        "frets at most, and never without saying so.",
        "light the frets from the camera's side, put a light card or dark cloth close behind the neck, keep strings "
        "out of the gap, or choose chord ends that are in view",
    ),
    FindingKind(
        "blurred",
        "refusal",
        "the straightedge's edge is blurred",
        "The edge is spread over too much of a millimetre for a gap to be read.",
        "rest the camera, focus on the straightedge, and use more light",
    ),
    FindingKind(
        "low-contrast",
        "refusal",
        "blade and gap are equally bright",
        "The light in the gap is hardly brighter or darker than the blade: the boundary cannot be placed.",
        "put a light card (or a dark cloth) close behind the neck",
    ),
    FindingKind(
        "reference-not-found",
        "refusal",
        "the reference object was not found",
        "The object of known size is not in the picture, is partly hidden, or is seen at a slant.",
        "stand it against the straightedge's face, square to the camera and whole in the picture, give the "
        "straightedge's height, or, with the nut in view, use --reference frets with the scale length",
    ),
    FindingKind(
        "reference-contradicts-frets",
        "refusal",
        "the reference object and the fret spacing disagree",
        "The scale from the reference object and the scale from the fret spacing differ by more than both allow. One "
        "of them is not what was said: another card or coin, another scale length, or the object is not at the blade.",
        "check the size given for the object, its place against the straightedge, and the scale length",
    ),
    FindingKind(
        "reference-contradicts-height",
        "refusal",
        "the reference object and the straightedge's height disagree",
        "The straightedge stands higher or lower in the picture than the scale from the reference object allows. A "
        "scale wrong by 6 % calls every fret by its neighbour's number.",
        "check the size given for the object and the straightedge's height, and show the straightedge's upper edge",
    ),
    FindingKind(
        "numbering-ambiguous",
        "refusal",
        "which fret is which could not be told",
        "Two numberings of the frets explain the picture almost equally well, or dots on the board's side stand where "
        "no fret so numbered has them.",
        "say which fret is the first in view (--first-fret), show the nut or more frets, use a reference object, or "
        "give the straightedge's height",
    ),
    FindingKind(
        "nut-contradicts",
        "refusal",
        "the nut is seen elsewhere than the fret numbers have it",
        "Where the board ends a bar stands that can only be the nut, and by the frets found it is not where fret 0 "
        "should be. The first fret's number, the size given for the object or the scale length is wrong.",
        "check --first-fret, the size given for the object, and the scale length",
    ),
    FindingKind(
        "tilted",
        "refusal",
        "the camera looks too steeply on the board",
        "Seen from too high or too low, far frets rise behind the gap and hide its light.",
        "bring the camera level with the fingerboard",
    ),
    FindingKind(
        "shapes-disagree",
        "refusal",
        "the outlines of the frets do not agree with one another",
        "The crowns scatter too much about one common shape, or only a shape unlike any fret's explains them, or the "
        "board would have a step by them: something other than the frets was followed, or something stands in the gap.",
        "clear the gap of strings and clutter, put a plain light card or dark cloth behind it, and photograph again",
    ),
    FindingKind(
        "no-contact",
        "refusal",
        "the crowns found would leave the straightedge floating",
        "A rigid straightedge rests on the crowns on either side of its middle. The heights found would have it touch "
        "on one side only, or not at all: something other than the crowns was followed.",
        "put a plain light card or dark cloth behind the gap, clear it of strings and clutter, and photograph again",
    ),
    FindingKind(
        "no-depth",
        "refusal",
        "crowns and fret ends stand in one plane, as in a drawing",
        "The ends of the frets lie before the straightedge's edge: from where a camera stands they shift against the "
        "crowns from one end of the picture to the other. Here they do not: it is a drawing, or a picture of one.",
        "photograph the neck itself, from half a metre to a metre away",
    ),
    FindingKind(
        "rests-on-board",
        "refusal",
        "a straightedge that stands on the board hides the crowns in its notches",
        "What is measured is the light between the straightedge's edge and the crowns it lies on. A notched "
        "straightedge stands on the board between the frets; its edge tells the board's shape, not that of the crowns.",
        "lay a plain straightedge on the crowns",
    ),
    FindingKind(
        "strings-in-front",
        "refusal",
        "strings run along the edge",
        "Strings before the straightedge's face do no harm while they stay above its edge. These cross it, or the gap "
        "below it, over many frets and hide what is measured; or one of them does as well as the edge itself.",
        "lower the camera until the strings clear the edge, stand a reference object at the straightedge, or rest the "
        "straightedge beside the outer string's path",
    ),
    FindingKind(
        "too-uncertain",
        "refusal",
        "the relief is too uncertain to be of use",
        "The photo was measured, but the expanded uncertainty of the relief is wider than --want-U allows, or than "
        "0.3 mm, by which no neck is judged. The line names the largest part of the uncertainty and what shrinks that "
        "part.",
        "change what the largest line of the budget names (--budget), measure several photos together, or allow more",
    ),
    FindingKind(
        "photos-apart",
        "refusal",
        "the photos do not show enough of the same frets",
        "Photos of parts of a neck are joined by the frets they share: two of them tie the parts together, the third "
        "shows whether they agree. Every part must share three frets with the rest.",
        "let neighbouring photos overlap by three frets or more, or measure each photo by itself",
    ),
    FindingKind(
        "photos-disagree",
        "refusal",
        "the photos contradict one another",
        "Where they show the same frets, their gaps differ by more than their uncertainties allow (less than 1 chance "
        "in 1000). A crown is misread in one of them, or they do not show the same neck in the same state.",
        "look at the overlay of each photo and leave out the one whose marks miss the crowns; use photos taken with "
        "nothing turned or restrung in between",
    ),
    FindingKind(
        "photo-left-out",
        "warning",
        "one of several photos could not be measured and was left out",
        "The result comes from the other photos alone; the crowns that only this one shows are missing.",
        "photograph that part again if the result must hold it",
    ),
    FindingKind(
        "numbers-relative",
        "warning",
        "fret numbers count from the first crown in view",
        "Without the scale length, spacing alone cannot tell which fret is which.",
        "give --scale-length",
    ),
    FindingKind(
        "scale-by-frets",
        "warning",
        "scale and fret numbers come from the fret spacing alone",
        "No object of known size checks them. They hang on the number of the first fret: were it wrong by one, every "
        "gap and the relief would be wrong by 6 %, and its direction still right.",
        "see on the overlay that every mark bears its own fret's number; a card or coin guards against a slip",
    ),
    FindingKind(
        "outer-line",
        "warning",
        "the straightedge lies along the outer string's path",
        "What is measured is the relief along that line; on a radiused board the slanted line adds about 0.01 mm.",
        "compare only with readings along the same line",
    ),
    FindingKind(
        "by-feet",
        "warning",
        "read by the feet of the frets: the crowns could not be read well enough",
        "The feet stand on the board's border and tell how it is bent. Crowns are taken for equally high over their "
        "feet, or over their ends where these were read: a fret that is worn does not show, nor always one that is "
        "high or loose. A string before the straightedge, as straight, may have passed for its edge: see the overlay.",
        "try every three frets with a short straightedge, or put a plain light card or dark cloth behind the gap",
    ),
    FindingKind(
        "crowns-left-out",
        "warning",
        "some crowns could not be read",
        "Crowns whose outline did not stand out, that stand off their feet as no others do, or that stand at an end "
        "of the row without a foot to bear them out, are not reported, unless the fret's foot speaks for its crown: "
        "where the row of feet is sure, and of a crown that stood off where the fret's end bears the foot out. A fret "
        "worn by itself does not show there.",
        "light the frets from the camera's side, put a light card or dark cloth behind the neck, and lower the camera "
        "until strings clear the edge; try a fret that stands off its foot with a short straightedge over three",
    ),
    FindingKind(
        "crown-off-foot",
        "warning",
        "a crown stands off its foot by as much as a bad fret does, and may be misread instead",
        "It stands alone between others that do not, and no end of its fret tells which it is. Its gap is given as "
        "read, or between what crown and foot tell by how often such a one is a bad fret's, with a wider U.",
        "try that fret with a short straightedge over three: it rocks on a high one, and light shows over a low one",
    ),
    FindingKind(
        "end-extrapolated",
        "warning",
        "a crown at an end of the chord could not be read and is carried on from its neighbours",
        "Its gap is that of a neck that bends on smoothly from the crowns that were read; U holds how far a neck may "
        "bend, or a fret stand off, in between.",
        "choose --chord between crowns that were read, or let the straightedge and the light reach past the chord's "
        "ends",
    ),
    FindingKind(
        "no-focal-length",
        "warning",
        "the file does not tell the lens",
        "The 35 mm focal length is missing; the camera's distance was assumed and its uncertainty widened.",
        "use the camera's original file",
    ),
    FindingKind(
        "height-unseen",
        "warning",
        "the straightedge's upper edge is not seen",
        "It is out of the picture, or too like what is behind it. The height given was not held against the reference "
        "object: a wrong size of that would show in the fret spacing alone.",
        "show the whole straightedge before something lighter or darker than it, or measure the reference object again",
    ),
    FindingKind(
        "bends-both-ways",
        "warning",
        "the neck bends both ways along the chord",
        "Of an S the relief is the deeper of two bends, and its U covers the other one: each is told by itself, with "
        "its own U (k = 2), below the chord first.",
        "read both on the plot; a --chord over one of the bends tells it alone",
    ),
    FindingKind(
        "scale-unchecked",
        "warning",
        "nothing in the photo bears out the size given",
        "Without the scale length the frets fit any size, and there is no second object: if the size is wrong, every "
        "number is wrong by as much.",
        "give --scale-length, or both a reference object and the straightedge's height",
    ),
    FindingKind(
        "gaps-not-zeroed",
        "warning",
        "all gaps may be off alike, the relief is not: what the straightedge rests on is not in view",
        "Without the contact a constant and a tilt are common to all gaps; how much is in the uncertainty of each. "
        "Relief, a depth below a chord, has neither.",
        "show the crowns at both ends of the straightedge",
    ),
)

REGISTRY: dict[str, FindingKind] = {kind.code: kind for kind in _KINDS}


def refusal(code: str, detail: str = "", *, cure: str = "") -> Refusal:
    """Return a refusal with the registry's one line: what is wrong, the detail, what to change (`cure` when given)."""
    kind = REGISTRY[code]
    return Refusal(code, f"{kind.short}{f' ({detail})' if detail else ''}: {cure or kind.cure}")


def warning(code: str, detail: str = "") -> Finding:
    """Return a warning with the registry's short text and cure."""
    kind = REGISTRY[code]
    return Finding(code, f"{kind.short}{f' ({detail})' if detail else ''}; {kind.cure}")
