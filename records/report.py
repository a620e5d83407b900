"""The report of one photo: the sheet that goes with a measurement when there is no bench book."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from lightgap.neck.profile import Finding
from lightgap.vision.types import Measurement

from .page_html import sheet_html
from .page_pdf import PageFormat, sheet_pdf
from .plots import LabelledProfile, profile_plot
from .quantities import Units
from .report_parts import (
    BENCH_CAUTIONS,
    RELIEF_EXPLAINED,
    Plan,
    budget_table,
    crown_table,
    photo_provenance,
    plan_listings,
    program_version,
    relief_figure,
    shape_sentence,
    target_figure,
    turn_sentence,
)
from .sheet import Listing, Picture, Sheet, photo_picture
from .text import one_line

Settings = Mapping[str, object]


def photo_report_html(
    measurement: Measurement,
    *,
    overlays: Sequence[bytes],
    plan: Plan | None = None,
    settings: Settings | None = None,
    units: Units = "mm",
) -> str:
    """Return the report of one photo, or several of one neck, as one self-contained HTML page.

    Parameters
    ----------
    measurement
        What the photo gave.
    overlays
        Each photo with the measurement drawn on it (any picture Pillow reads).
    plan
        The plan for this relief as its JSON document (`lightgap/plan/1`), when there is one.
    settings
        Measuring settings, by name, listed among what is needed to repeat the measurement.
    units
        Of every length in the text and the plot.

    Returns
    -------
    str
        The page: no script, no link outside, pictures embedded.

    Raises
    ------
    ValueError
        When one of `overlays` is no picture.
    """
    return sheet_html(photo_sheet(measurement, overlays=overlays, plan=plan, settings=settings, units=units))


def photo_report_pdf(
    measurement: Measurement,
    *,
    overlays: Sequence[bytes],
    plan: Plan | None = None,
    settings: Settings | None = None,
    units: Units = "mm",
    page: PageFormat = "A4",
) -> bytes:
    """Return the report of one photo as a PDF; as `photo_report_html`, on A4 or Letter pages."""
    sheet = photo_sheet(measurement, overlays=overlays, plan=plan, settings=settings, units=units, plot="png")
    return sheet_pdf(sheet, page=page)


def photo_sheet(
    measurement: Measurement,
    *,
    overlays: Sequence[bytes],
    plan: Plan | None = None,
    settings: Settings | None = None,
    units: Units = "mm",
    plot: str = "svg",
) -> Sheet:
    """Return what the report of one photo says; `plot` is "svg" for a page, "png" for a PDF."""
    relief = measurement.relief
    figures = [relief_figure(relief, name="Relief", units=units, plan=plan)]
    story = [shape_sentence(relief, units=units), RELIEF_EXPLAINED]
    if plan is not None:
        figures.append(target_figure(plan, units=units))
        story.insert(1, turn_sentence(plan))
    budget = budget_table(measurement, name="", units=units)
    return Sheet(
        title=f"Neck relief: {one_line(', '.join(facts.file for facts in measurement.photos))}",
        subtitle=_made_of(measurement),
        figures=tuple(figures),
        story=tuple(story),
        pictures=(
            *_overlay_pictures(measurement, overlays),
            profile_picture([LabelledProfile.of(measurement, _of_what(measurement))], units=units, plot=plot),
        ),
        listings=(*warning_listing([("", measurement.warnings)]), *(plan_listings(plan) if plan is not None else ())),
        tables=(
            crown_table([("", measurement.profile)], units=units),
            *((budget,) if budget is not None else ()),
        ),
        provenance=(
            *photo_provenance(measurement),
            *((("Settings", settings_text(settings)),) if settings else ()),
            ("Program", program_version()),
            ("Report made", now_text()),
        ),
        cautions=all_cautions(plan),
    )


def _overlay_pictures(measurement: Measurement, overlays: Sequence[bytes]) -> tuple[Picture, ...]:
    several = len(measurement.photos) > 1
    return tuple(
        photo_picture(
            overlay,
            caption=f"{facts.file if several else 'The photo'} with what was found: straightedge, crowns, gap at each"
            + (", this photo by itself." if several else "."),
        )
        for facts, overlay in zip(measurement.photos, overlays, strict=True)
    )


def _of_what(measurement: Measurement) -> str:
    return "this photo" if not measurement.others else f"{len(measurement.photos)} photos together"


def profile_picture(lines: Sequence[LabelledProfile], *, units: Units, plot: str) -> Picture:
    """Return the gap profile plot as a picture of the sheet."""
    caption = "Gap at each fret below the straightedge, drawn larger than life; bars show U (k = 2)."
    if plot == "svg":
        return Picture(profile_plot(lines, units=units, image_format="svg"), "image/svg+xml", caption)
    return Picture(profile_plot(lines, units=units), "image/png", caption)


def warning_listing(named: Sequence[tuple[str, Sequence[Finding]]]) -> tuple[Listing, ...]:
    """Return the doubts about one or several measurements as a list, or nothing when there is none."""
    lines = tuple(
        f"{name}: {finding.message}" if name else finding.message for name, found in named for finding in found
    )
    return (Listing("Doubts about the measurement", lines),) if lines else ()


def all_cautions(plan: Plan | None) -> tuple[str, ...]:
    """Return the plan's cautions, or the bench's standing ones where there is no plan."""
    own = tuple(str(line) for line in plan.get("cautions", ())) if plan is not None else ()
    return own or BENCH_CAUTIONS


def settings_text(settings: Settings) -> str:
    """Return measuring settings on one line, unset ones left out."""
    return ", ".join(f"{name} = {value}" for name, value in settings.items() if value is not None) or "none given"


def now_text() -> str:
    """Return the time now, UTC, to the minute."""
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _made_of(measurement: Measurement) -> str:
    profile = measurement.profile
    length = f"scale length {profile.scale_length_mm:g} mm" if profile.scale_length_mm else "scale length not given"
    read = [c.fret for c in profile.crowns if not c.extrapolated]
    return f"{len(read)} crowns measured, frets {read[0]} to {read[-1]}; {length}"
