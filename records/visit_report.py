"""The sheet that goes home with the instrument: how it came, what was done, how it leaves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lightgap.neck.errors import InputError, LightgapError
from lightgap.vision.types import Measurement

from .book import Book
from .compare import Comparison, verdict_sentence
from .entries import (
    Action,
    BridgeMove,
    Climate,
    Closing,
    NutHeight,
    Reading,
    Remark,
    Turn,
)
from .files import photo_path
from .instruments import Facts
from .page_html import sheet_html
from .page_pdf import PageFormat, sheet_pdf
from .plots import LabelledProfile
from .quantities import Units, length, turns_text, with_uncertainty
from .report import all_cautions, now_text, profile_picture, settings_text, warning_listing
from .report_parts import (
    RELIEF_EXPLAINED,
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
from .sheet import KeyFigure, Listing, Picture, Sheet, Table, note_picture, photo_picture
from .sides import Side, sides_of
from .text import one_line
from .visits import Visit, visit_comparison

_STAGE_WORDS = {"intake": "as it came", "in-work": "during the work", "after": "as it leaves", "season-check": "today"}

# Findings of a plan that speak of the next turn; there is none when the instrument goes home.
_FOR_THE_NEXT_STEP = frozenset({"cannot-tell", "rod-learned", "visit-cap", "not-at-pitch"})


def visit_report_html(book: Book, visit: Visit, *, units: Units = "mm") -> str:
    """Return a visit's report as one self-contained HTML page.

    Raises
    ------
    InputError
        When nothing has been measured in the visit.
    """
    return sheet_html(visit_sheet(book, visit, units=units))


def visit_report_pdf(book: Book, visit: Visit, *, units: Units = "mm", page: PageFormat = "A4") -> bytes:
    """Return a visit's report as a PDF; as `visit_report_html`, on A4 or Letter pages."""
    return sheet_pdf(visit_sheet(book, visit, units=units, plot="png"), page=page)


def visit_sheet(book: Book, visit: Visit, *, units: Units = "mm", plot: str = "svg") -> Sheet:
    """Return what a visit's report says: intake beside after where both were measured.

    Raises
    ------
    InputError
        When nothing has been measured in the visit.
    """
    sides = sides_of(book, visit)
    if not sides:
        raise InputError(
            f"visit {visit.id} has no measurement yet: `lightgap measure PHOTO --visit {visit.id}`, or by hand "
            f"`lightgap visit add {visit.id} --reading`"
        )
    comparison = visit_comparison(visit) if len(sides) > 1 else None
    plan = sides[-1].plan
    facts = visit.instrument.facts
    named = [(side.name if len(sides) > 1 else "", side.findings) for side in sides]
    return Sheet(
        title=facts.name,
        subtitle=_subtitle(visit),
        figures=_figures(sides, comparison, units=units),
        story=_story(visit, sides, comparison=comparison, units=units),
        pictures=(
            *(
                _overlay(book, side, measurement=side.measurement, pair=len(sides) > 1)
                for side in sides
                if side.measurement is not None
            ),
            profile_picture(
                [LabelledProfile(side.name, side.profile, side.relief) for side in sides], units=units, plot=plot
            ),
        ),
        listings=(
            *_done(visit, units=units),
            *_remarks(visit),
            *warning_listing(named),
            *_advice(visit, sides),
        ),
        tables=(
            *_setup_table(visit, sides, units=units),
            *_reading_table(visit, units=units),
            crown_table([(side.word, side.profile) for side in sides], units=units),
            *_budgets(sides, units=units),
            *_instrument_table(facts, units=units),
        ),
        provenance=_provenance(visit, sides, comparison=comparison),
        cautions=all_cautions(plan),
    )


def _subtitle(visit: Visit) -> str:
    facts = visit.instrument.facts
    closed = [entry.recorded_utc[:10] for entry in visit.current if isinstance(entry.detail, Closing)]
    parts = [f"Visit {visit.id}, opened {visit.opened_utc[:10]}", f"closed {closed[-1]}" if closed else "still open"]
    if facts.owner_reference:
        parts.append(f"reference {one_line(facts.owner_reference)}")
    return ", ".join(parts)


def _figures(sides: Sequence[Side], comparison: Comparison | None, *, units: Units) -> tuple[KeyFigure, ...]:
    figures = [
        relief_figure(side.relief, name=f"Relief {_STAGE_WORDS[side.stage]}", units=units, plan=side.plan)
        for side in sides
    ]
    if comparison is not None:
        real = comparison.verdict != "cannot-tell"
        where = "" if comparison.same_chord else f", frets {comparison.chord[0]} to {comparison.chord[1]}"
        figures.append(
            KeyFigure(
                name="Change",
                value=with_uncertainty(comparison.change_mm, comparison.U_change_mm, units=units),
                note=("a real change" if real else "no change shown") + where,
            )
        )
    plan = sides[-1].plan
    return (*figures, *((target_figure(plan, units=units),) if plan is not None else ()))


def _story(visit: Visit, sides: Sequence[Side], *, comparison: Comparison | None, units: Units) -> tuple[str, ...]:
    story = [
        f"{_STAGE_WORDS[side.stage].capitalize()}: {_lower_first(shape_sentence(side.relief, units=units))}"
        for side in sides
    ]
    if comparison is not None:
        change = with_uncertainty(comparison.change_mm, comparison.U_change_mm, units=units)
        story.append(verdict_sentence(comparison, text_change=change))
    story.append(RELIEF_EXPLAINED)
    if visit.instrument.facts.wishes:
        story.append(f"Wanted: {visit.instrument.facts.wishes}")
    return tuple(story)


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _overlay(book: Book, side: Side, *, measurement: Measurement, pair: bool) -> Picture:
    """Return the picture kept with the measurement, else the photo with the measurement drawn on it now."""
    name = side.name.capitalize()
    row = book.row(
        "SELECT photo.sha256, photo.suffix FROM overlay JOIN photo ON photo.sha256 = overlay.photo_sha256 "
        "WHERE entry_id = ?",
        (side.entries[0].id,),
    )
    if row is not None:
        kept = photo_path(book.photos, row["sha256"], suffix=row["suffix"])
        if kept.exists():
            return Picture(kept.read_bytes(), "image/jpeg", _caption(name), wide=not pair)
    return _missing_picture(book, measurement, name=name, pair=pair)


def _caption(name: str) -> str:
    return f"{name}: straightedge, crowns and the gap at each."


def _missing_picture(book: Book, measurement: Measurement, *, name: str, pair: bool) -> Picture:
    """Return the photo with the measurement drawn on it now, or a grey field that says what is missing."""
    from lightgap.vision.overlay import draw_overlay

    row = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (measurement.photo.sha256,))
    photo = photo_path(book.photos, measurement.photo.sha256, suffix=row["suffix"] if row else "")
    if not photo.exists():
        return note_picture(f"{name}: the photo is missing from the book's folder.", wide=not pair)
    try:
        drawn = draw_overlay(photo, measurement)
    except LightgapError as problem:
        return note_picture(f"{name}: {problem}", wide=not pair)
    return photo_picture(drawn, caption=_caption(name), wide=not pair)


def _done(visit: Visit, *, units: Units) -> tuple[Listing, ...]:
    lines = []
    for entry in visit.current:
        day = entry.recorded_utc[:10]
        if isinstance(entry.detail, Turn):
            way = "tightened" if entry.detail.direction == "tighten" else "loosened"
            feel = "" if entry.detail.feel == "unknown" else f"; the nut felt {entry.detail.feel}"
            lines.append(f"{day}: truss rod {way} by {turns_text(entry.detail.amount_turns)}{feel}")
        elif isinstance(entry.detail, BridgeMove):
            bass = length(entry.detail.bass_mm, units=units, signed=True)
            treble = length(entry.detail.treble_mm, units=units, signed=True)
            lines.append(f"{day}: bridge moved {bass} at the bass side, {treble} at the treble side (+ is up)")
        elif isinstance(entry.detail, Closing) and entry.detail.remark:
            lines.append(f"{day}: {entry.detail.remark}")
    return (Listing("What was done", tuple(lines)),) if lines else ()


def _remarks(visit: Visit) -> tuple[Listing, ...]:
    condition, notes = [], []
    for entry in visit.current:
        if isinstance(entry.detail, Remark):
            place = f" ({entry.detail.place})" if entry.detail.place else ""
            if entry.detail.topic == "note":
                notes.append(entry.detail.text)
            else:
                condition.append(f"{entry.detail.topic.replace('-', ' ').capitalize()}{place}: {entry.detail.text}")
    listings = (Listing("Condition", tuple(condition)), Listing("Notes", tuple(notes)))
    return tuple(item for item in listings if item.lines)


def _advice(visit: Visit, sides: Sequence[Side]) -> tuple[Listing, ...]:
    """Return the step planned at intake, and, while the visit is open, the plan that holds now."""
    listings: list[Listing] = []
    if len(sides) > 1 and sides[0].plan is not None:
        listings.append(Listing("Planned at intake", (turn_sentence(sides[0].plan),)))
    plan = sides[-1].plan
    if plan is not None and visit.is_open:
        listings += plan_listings(plan)
    elif plan is not None:
        findings = tuple(str(f["message"]) for f in plan.get("findings", ()) if f["code"] not in _FOR_THE_NEXT_STEP)
        listings += [Listing("Findings", findings)] if findings else []
    return tuple(listings)


def _newest(visit: Visit, kind: type, *stages: str) -> Any:
    found = [entry.detail for entry in visit.current if isinstance(entry.detail, kind) and entry.stage in stages]
    return found[-1] if found else None


def _setup_table(visit: Visit, sides: Sequence[Side], *, units: Units) -> tuple[Table, ...]:
    """Return action, nut height, string clearance and climate, intake beside after."""
    columns = [("as it came", ("intake", "season-check")), ("as it leaves", ("after",))]
    rows: dict[str, list[str]] = {}
    for index, (_, stages) in enumerate(columns):
        for name, text in _setup_values(visit, sides, stages=stages, units=units):
            rows.setdefault(name, ["", ""])[index] = text
    if not rows:
        return ()
    used = [i for i in range(2) if any(values[i] for values in rows.values())]
    table = Table(
        heading="Action and room",
        columns=("", *(columns[i][0] for i in used)),
        rows=tuple((name, *(values[i] for i in used)) for name, values in rows.items()),
        note="String heights from the crown to the underside of the open string.",
    )
    return (table,)


def _setup_values(
    visit: Visit, sides: Sequence[Side], *, stages: tuple[str, ...], units: Units
) -> list[tuple[str, str]]:
    action, nut = _newest(visit, Action, *stages), _newest(visit, NutHeight, *stages)
    climate = _newest(visit, Climate, *stages)
    values: list[tuple[str, str]] = []
    for side in ("bass", "treble"):
        if action is not None and getattr(action, f"{side}_mm") is not None:
            values.append(
                (f"Action over fret {action.at_fret}, {side}", length(getattr(action, f"{side}_mm"), units=units))
            )
        if nut is not None and getattr(nut, f"{side}_mm") is not None:
            values.append((f"Height over fret 1, {side}", length(getattr(nut, f"{side}_mm"), units=units)))
        clearance = _least_clearance(sides, stages, action=action, nut=nut, side=side)
        if clearance is not None:
            least_mm, U_mm, fret = clearance
            text = f"{with_uncertainty(least_mm, U_mm, units=units, signed=False)} at fret {fret}"
            values.append((f"Least clearance, open string, {side}", text))
    if climate is not None and climate.temperature_degc is not None:
        values.append(("Temperature", f"{climate.temperature_degc:.1f} °C"))
    if climate is not None and climate.relative_humidity_pct is not None:
        values.append(("Relative humidity", f"{climate.relative_humidity_pct:.0f} %"))
    return values


def _least_clearance(
    sides: Sequence[Side], stages: tuple[str, ...], *, action: Action | None, nut: NutHeight | None, side: str
) -> tuple[float, float, int] | None:
    """Return the least height of an open string over the measured crowns, its U (k = 2) and the fret."""
    from lightgap.neck.action import string_line

    profile = next((s.profile for s in sides if s.stage in stages), None)
    action_mm = getattr(action, f"{side}_mm", None)
    nut_mm = getattr(nut, f"{side}_mm", None)
    if profile is None or not profile.scale_length_mm or action_mm is None or nut_mm is None:
        return None
    if action is None or action.at_fret != 12 or not {1, 12} <= set(profile.frets):
        return None
    line = string_line(profile, scale_length_mm=profile.scale_length_mm, action_mm=action_mm, first_fret_mm=nut_mm)
    at = int(line.height_mm.argmin())
    return float(line.height_mm[at]), 2 * float(line.u_height_mm[at]), line.frets[at]


def _reading_table(visit: Visit, *, units: Units) -> tuple[Table, ...]:
    readings = [(entry.stage, entry.detail) for entry in visit.current if isinstance(entry.detail, Reading)]
    if not readings:
        return ()
    decimals = 3
    rows = tuple(
        (
            stage,
            str(read.fret),
            length(read.gap_mm, units=units, decimals=decimals),
            length(2 * read.u_gap_mm, units=units, decimals=decimals),
            read.method,
            read.as_written,
        )
        for stage, read in readings
    )
    columns = ("When", "Fret", "Gap", "U", "Method", "As written")
    return (Table("Read by hand", columns, rows, note="U: expanded uncertainty, k = 2.", numeric=frozenset({1, 2, 3})),)


def _budgets(sides: Sequence[Side], *, units: Units) -> tuple[Table, ...]:
    """Return the budget of the newest measurement, if it is a photo's; the older one stays in the book."""
    side = sides[-1]
    if side.measurement is None:
        return ()
    name = f", {side.name}" if len(sides) > 1 else ""
    table = budget_table(side.measurement, name=name, units=units)
    return (table,) if table is not None else ()


def _instrument_table(facts: Facts, *, units: Units) -> tuple[Table, ...]:
    scale, radius = facts.scale_length_mm, facts.board_radius_mm
    rows = (
        ("Family", facts.family),
        ("Scale length", length(scale, units=units, decimals=1) if scale else None),
        ("Frets", str(facts.fret_count) if facts.fret_count else None),
        ("Body joint", f"fret {facts.body_joint_fret}" if facts.body_joint_fret else None),
        ("Board radius", length(radius, units=units, decimals=0) if radius else None),
        ("Truss rod", ", ".join(filter(None, (facts.rod_kind, facts.rod_access, facts.rod_drive))) or None),
        ("Strings", facts.string_set),
        ("Tuning", facts.tuning),
    )
    known = tuple((name, value) for name, value in rows if value)
    return (Table("Instrument", ("", ""), known),) if known else ()


def _provenance(visit: Visit, sides: Sequence[Side], *, comparison: Comparison | None) -> tuple[tuple[str, str], ...]:
    pairs: list[tuple[str, str]] = []
    for side in sides:
        name = f", {side.word}" if len(sides) > 1 else ""
        if side.measurement is None:
            numbers = ", ".join(str(entry.id) for entry in side.entries)
            pairs.append((f"Read by hand{name}", f"entries {numbers}; what was not read at the chord's ends touches"))
            continue
        pairs += photo_provenance(side.measurement, name=name)
        settings = side.document.get("settings")
        entry = side.entries[0]
        measured = [f"entry {entry.id}", str(getattr(entry.detail, "program", ""))]
        pairs.append((f"Measured{name}", "; ".join([*measured, *([settings_text(settings)] if settings else [])])))
    if comparison is not None:
        rule = "real when the change exceeds its U (k = 2), both measurements taken as independent"
        pairs.append(("Decision rule", "; ".join([rule, *comparison.notes])))
    return (*pairs, ("Report made", f"{now_text()}, visit {visit.id}, {program_version()}"))
