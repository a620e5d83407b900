"""Visits: stages, measurements, corrections that leave the old readable, and the comparison."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lightgap.neck.documents import profile_from_document, relief_document
from lightgap.neck.errors import FileProblem, InputError
from lightgap.neck.relief import compute_relief
from lightgap.records.advice import plan_for, turn_log
from lightgap.records.book import Book
from lightgap.records.by_hand import hand_document, hand_readings
from lightgap.records.check import check_book
from lightgap.records.compare import compare_profiles
from lightgap.records.entries import KINDS, Action, Climate, Reading, Remark, StoredMeasurement, Turn, Withdrawal
from lightgap.records.files import photo_path
from lightgap.records.inputs import details_from
from lightgap.records.instruments import Facts, add_instrument, change_instrument, find_instrument, instrument_history
from lightgap.records.visits import (
    Visit,
    add_entries,
    add_entry,
    close_visit,
    correct_entry,
    find_entry,
    find_visit,
    open_visit,
    read_visit,
    reopen_visit,
    visit_comparison,
    withdraw_entry,
)

from .makers import keep, make_document, make_photo


def test_filled_visit_reads_back_whole(filled: Book) -> None:
    visit = find_visit(filled, "blue ARCHTOP")
    assert not visit.is_open
    assert [entry.stage for entry in visit.measurements()] == ["intake", "after"]
    assert visit.turns() == (Turn("tighten", 0.125, "snug"),)
    assert {entry.detail.table for entry in visit.entries} == set(KINDS)
    assert check_book(filled).faults == ()


def test_photo_is_kept_by_its_content(filled: Book, tmp_path: Path) -> None:
    entry = find_visit(filled, 1).measurements()[0]
    assert isinstance(entry.detail, StoredMeasurement)
    kept = photo_path(filled.photos, entry.detail.photo_sha256, suffix=".jpg")
    assert kept.read_bytes() == (tmp_path / "before.jpg").read_bytes()
    assert not list(filled.photos.glob(".incoming-*"))


def test_same_photo_in_two_visits_is_kept_once(book: Book, tmp_path: Path) -> None:
    photo, renamed = make_photo(tmp_path, "a.jpg"), make_photo(tmp_path, "b.jpeg")
    for name, path in (("one", photo), ("two", renamed)):
        keep(book, open_visit(book, add_instrument(book, Facts(name))), make_document(path), path)
    assert book.rows("SELECT count(*) FROM photo")[0][0] == 1
    result = check_book(book)
    assert (result.faults, result.spare_files) == ((), 0)


def test_another_photo_than_the_measured_one_is_refused(book: Book, tmp_path: Path) -> None:
    photo = make_photo(tmp_path, seed=1)
    document = make_document(photo)
    make_photo(tmp_path, seed=2)
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    with pytest.raises(FileProblem, match="no longer the photo that was measured"):
        keep(book, visit, document, photo)
    assert read_visit(book, visit.id).entries == ()


def test_after_is_compared_with_intake_by_itself(book: Book, tmp_path: Path) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue", family="acoustic")))
    photo = make_photo(tmp_path)
    first = keep(book, visit, make_document(photo, 0.31), photo)
    assert (first.stage, first.comparison) == ("intake", None)
    assert first.plan is not None
    assert first.plan["turn"]["direction"] == "none" or first.plan["judgement"] == "above"
    add_entry(book, visit, detail=Turn("tighten", 0.125))
    second = keep(book, visit, make_document(photo, 0.15, seed=2), photo)
    assert second.stage == "after"
    assert second.comparison is not None
    assert second.comparison.verdict == "lower"
    assert second.comparison.change_mm == pytest.approx(
        make_document(photo, 0.15, seed=2)["relief"]["relief_mm"] - make_document(photo, 0.31)["relief"]["relief_mm"],
        abs=1e-9,
    )


def test_season_check_has_one_stage(book: Book, tmp_path: Path) -> None:
    photo = make_photo(tmp_path)
    visit = open_visit(book, add_instrument(book, Facts("Blue")), purpose="season-check")
    assert keep(book, visit, make_document(photo), photo).stage == "season-check"


def test_correction_is_a_later_entry_and_the_old_stays(filled: Book) -> None:
    visit = find_visit(filled, 1)
    action = next(entry for entry in visit.current if isinstance(entry.detail, Action))
    later = correct_entry(filled, action.id, detail=Action(1.8, 1.6))
    _, old = find_entry(filled, action.id)
    assert (old.detail, old.corrected_by, old.is_current) == (action.detail, later, False)
    assert find_entry(filled, later)[1].detail == Action(1.8, 1.6)
    with pytest.raises(InputError, match=f"corrected by entry {later}: correct that one"):
        correct_entry(filled, action.id, detail=Action(1.0, 1.0))
    with pytest.raises(InputError, match="not a turn"):
        correct_entry(filled, later, detail=Turn("loosen", 0.1))


def test_withdrawn_measurement_no_longer_counts_and_stays_readable(filled: Book) -> None:
    visit = find_visit(filled, 1)
    after = visit.measurements("after")[0]
    number = withdraw_entry(filled, after.id, reason="wrong instrument")
    visit = find_visit(filled, 1)
    assert visit.measurements("after") == ()
    assert visit_comparison(visit) is None
    assert isinstance(find_entry(filled, number)[1].detail, Withdrawal)
    assert find_entry(filled, after.id)[1].detail == after.detail
    assert check_book(filled).faults == ()


def test_closed_visit_takes_nothing_until_reopened(filled: Book) -> None:
    visit = find_visit(filled, 1)
    with pytest.raises(InputError, match="is closed"):
        add_entry(filled, visit, detail=Remark("note", "late"))
    reopen_visit(filled, visit)
    add_entry(filled, visit, detail=Remark("note", "late"))
    with pytest.raises(InputError, match="is open"):
        reopen_visit(filled, find_visit(filled, 1))


def test_one_open_visit_for_an_instrument(book: Book) -> None:
    instrument = add_instrument(book, Facts("Blue"))
    visit = open_visit(book, instrument)
    with pytest.raises(InputError, match=f"visit {visit.id} .*still open"):
        open_visit(book, instrument)
    close_visit(book, visit)
    assert open_visit(book, instrument).id == visit.id + 1


def test_a_closed_visit_is_not_reopened_beside_an_open_one(book: Book) -> None:
    instrument = add_instrument(book, Facts("Blue"))
    first = open_visit(book, instrument)
    close_visit(book, first)
    second = open_visit(book, instrument)
    with pytest.raises(InputError, match=f"visit {second.id} of 'Blue' is still open"):
        reopen_visit(book, first)
    close_visit(book, second)
    reopen_visit(book, first)
    assert read_visit(book, first.id).is_open


def test_what_a_correction_leaves_open_stays_as_it_was(book: Book) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    climate, action = add_entries(book, visit, details=[Climate(21.0, 45.0), Action(2.3, 1.9)])
    correct_entry(book, climate, detail=Climate(22.0, None))
    correct_entry(book, action, detail=Action(None, 1.8))
    assert [e.detail for e in read_visit(book, visit.id).current] == [Climate(22.0, 45.0), Action(2.3, 1.8)]


@pytest.mark.parametrize("reference", ["99999999999999999999", "9" * 5000, "\u00b2"])
def test_no_number_is_too_odd_to_look_for(book: Book, reference: str) -> None:
    with pytest.raises(InputError):
        find_visit(book, reference)


def with_measurements(book: Book, folder: Path, *documents: dict[str, Any]) -> Visit:
    """Return a visit with these measurements, an eighth of a turn before each but the first."""
    photo = make_photo(folder)
    visit = open_visit(book, add_instrument(book, Facts("Blue", family="electric")))
    for number, document in enumerate(documents):
        if number:
            add_entry(book, visit, detail=Turn("tighten", 0.125))
        keep(book, visit, document | {"photos": make_document(photo, 0.3)["photos"]}, photo, advise=False)
    return read_visit(book, visit.id)


def test_a_corrected_turn_stays_where_it_was_made(book: Book, tmp_path: Path) -> None:
    photo = make_photo(tmp_path)
    before, after = make_document(photo, 0.40), make_document(photo, 0.32)
    visit = with_measurements(book, tmp_path, before, after)
    wrong = next(e for e in visit.entries if isinstance(e.detail, Turn))
    correct_entry(book, wrong.id, detail=Turn("tighten", 0.25))
    visit = read_visit(book, visit.id)
    assert [type(e.detail).__name__ for e in visit.current] == ["StoredMeasurement", "Turn", "StoredMeasurement"]
    again = make_document(photo, 0.31)
    (step,) = turn_log(book, visit, now=again)  # measured once more, the newest tells what the turn did
    assert (step.turns, step.before_mm, step.after_mm) == pytest.approx(
        (0.25, before["relief"]["relief_mm"], again["relief"]["relief_mm"])
    )


def test_a_nut_that_felt_stiff_stays_so_when_the_turn_is_corrected(book: Book) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    (turn,) = add_entries(book, visit, details=[Turn("tighten", 0.125, "stiff")])
    correct_entry(book, turn, detail=Turn("tighten", 0.0625))
    assert read_visit(book, visit.id).turns() == (Turn("tighten", 0.0625, "stiff"),)


def test_steps_of_the_rod_are_read_on_one_chord(book: Book, tmp_path: Path) -> None:
    """A chord over part of the neck shows less of its bow: beside the whole one the rod would seem to push."""
    photo = make_photo(tmp_path)
    part, whole = make_document(photo, 0.40), make_document(photo, 0.33)
    part["relief"] = relief_document(compute_relief(profile_from_document(part), chord=(1, 9)))
    assert part["relief"]["relief_mm"] < whole["relief"]["relief_mm"]
    visit = with_measurements(book, tmp_path, part, whole)
    (step,) = turn_log(book, visit, now=whole)
    # The documents' own bow, to the scatter of their crowns (0.002 mm each).
    assert step.before_mm - step.after_mm == pytest.approx(0.07, abs=0.01)


def test_a_step_counted_from_anywhere_is_left_out(book: Book, tmp_path: Path) -> None:
    before, after = (make_document(make_photo(tmp_path), value) for value in (0.40, 0.33))
    visit = with_measurements(book, tmp_path, before | {"numbers_relative": True}, after)
    assert turn_log(book, visit, now=after) == []


def test_what_a_turn_did_is_read_by_hand_where_no_photo_was_taken(book: Book) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue", family="electric")))
    for number, gap in enumerate(("0.40mm", "0.40mm", "0.41mm")):
        if number:
            add_entry(book, visit, detail=Turn("tighten", 0.125))
        add_entries(book, visit, details=list(details_from({"reading": [f"7={gap}"]}, method="feeler")))
    visit = read_visit(book, visit.id)
    readings = hand_readings(visit.current, "after")
    assert [e.detail.as_written for e in readings if isinstance(e.detail, Reading)] == ["7=0.41mm"]
    document = hand_document(readings, scale_length_mm=None)
    assert document is not None
    log = turn_log(book, visit, now=document)
    assert [(step.turns, step.before_mm, step.after_mm) for step in log] == [
        (0.125, pytest.approx(0.40, abs=0.005), pytest.approx(0.40, abs=0.005)),
        (0.125, pytest.approx(0.40, abs=0.005), pytest.approx(0.41, abs=0.005)),
    ]  # to what a smooth neck may draw a reading by
    plan = plan_for(visit.instrument.facts, document, turns=visit.turns(), log=log)
    assert plan["turn"]["direction"] == "none"
    assert "rod-no-answer" in [finding["code"] for finding in plan["findings"]]


def test_visit_is_found_by_number_or_name(filled: Book) -> None:
    assert find_visit(filled, "1").id == find_visit(filled, 1).id == find_visit(filled, "Blue archtop").id == 1
    with pytest.raises(InputError, match="no visit 7"):
        find_visit(filled, 7)
    with pytest.raises(InputError, match="no instrument 'Bleu'; there is Blue archtop"):
        find_visit(filled, "Bleu")


def test_instrument_facts_are_added_to_and_stay_readable(book: Book) -> None:
    instrument = add_instrument(book, Facts("Blue", scale_length_mm=648.0))
    changed = change_instrument(book, instrument, name="Azure", scale_length_mm=650.0)
    history = instrument_history(book, changed)
    assert [(item.facts.name, item.facts.scale_length_mm) for item in history] == [("Blue", 648.0), ("Azure", 650.0)]
    with pytest.raises(InputError, match="no instrument 'Blue'"):
        find_instrument(book, "Blue")
    with pytest.raises(InputError, match="already has an instrument 'AZURE'"):
        add_instrument(book, Facts("AZURE"))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Turn("tighten", 3.0), "a turn of 3 makes no sense"),
        (lambda: Turn("tighten", float("nan")), "makes no sense"),
        (lambda: Action(40.0, 1.0), "an action of 40 mm makes no sense: expected 0 to 15 mm"),
        (lambda: Action(), "give at least one value"),
        (lambda: Climate(relative_humidity_pct=140.0), "a relative humidity of 140 % makes no sense"),
        (lambda: Climate(temperature_degc=451.0), "a temperature of 451 °C makes no sense"),
        (lambda: Facts("x", scale_length_mm=25.5), "a scale length of 25.5 mm makes no sense"),
        (lambda: Facts("x", fret_count=99), "a number of frets of 99"),
        (lambda: Facts("  "), "name must not be empty"),
        (lambda: Facts("12"), "bare number"),
        (lambda: Facts("x", rod_kind="magic"), "rod kind: 'magic' is not one of single-action"),
        (lambda: Facts("x", target_low_mm=0.3, target_high_mm=0.1), "low and a higher limit"),
        (lambda: Remark("note", "  "), "the text is empty"),
    ],
)
def test_nonsense_is_refused_in_one_line(make, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=message):
        make()


_MM = st.floats(0.0, 5.0, allow_nan=False)
_DETAILS = st.one_of(
    st.builds(Turn, st.sampled_from(["tighten", "loosen"]), st.floats(0.001, 1.0), st.sampled_from(["free", "snug"])),
    st.builds(Action, _MM, _MM, st.integers(1, 24)),
    st.builds(Climate, st.floats(-40, 60), st.floats(0, 100)),
    st.builds(
        Remark,
        st.sampled_from(["note", "crack", "lifted-fret", "buzz"]),
        st.text(st.characters(blacklist_categories=["Cs"]), min_size=1).filter(lambda text: text.strip() != ""),
        st.none() | st.text(st.characters(blacklist_categories=["Cs"])),
    ),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(detail=_DETAILS)
def test_saved_entry_reads_back_equal(book: Book, detail: Turn) -> None:
    name = "Blue"
    try:
        visit = find_visit(book, name)
    except InputError:
        visit = open_visit(book, add_instrument(book, Facts(name)))
    number = add_entry(book, visit, detail=detail)
    back = find_entry(book, number)[1].detail
    assert type(back) is type(detail)
    assert dataclasses.astuple(back) == dataclasses.astuple(detail)


# --- comparison --------------------------------------------------------------------------------------------------


def documents(tmp_path: Path, before_mm: float, after_mm: float, *, U_mm: float = 0.014, frets: int = 15):  # type: ignore[no-untyped-def]
    photo = make_photo(tmp_path)
    before = make_document(photo, before_mm, U_mm=U_mm)
    after = make_document(photo, after_mm, U_mm=U_mm, frets=frets)
    for document, relief_mm in ((before, before_mm), (after, after_mm)):
        document["relief"]["relief_mm"] = relief_mm
    return before, after


def test_expanded_uncertainty_of_a_difference(tmp_path: Path) -> None:
    before, after = documents(tmp_path, 0.30, 0.28, U_mm=0.03)
    before["relief"]["k"] = 3.0
    comparison = compare_profiles(before, after)
    # JCGM 100:2008, 5.1.2 for y = x2 - x1 with independent inputs: u^2 = u1^2 + u2^2; U = 2 u
    assert comparison.U_change_mm == pytest.approx(2 * (0.01**2 + 0.015**2) ** 0.5, rel=1e-12)
    assert comparison.verdict == "cannot-tell"


@pytest.mark.parametrize(
    ("after_mm", "verdict"), [(0.25, "lower"), (0.35, "higher"), (0.281, "cannot-tell"), (0.319, "cannot-tell")]
)
def test_change_is_real_only_beyond_its_uncertainty(tmp_path: Path, after_mm: float, verdict: str) -> None:
    before, after = documents(tmp_path, 0.30, after_mm)  # U of the change: 0.014 * sqrt(2) = 0.0198
    assert compare_profiles(before, after).verdict == verdict


def test_shared_causes_are_noted_and_only_narrow_the_bound(tmp_path: Path) -> None:
    before, after = documents(tmp_path, 0.30, 0.20)
    comparison = compare_profiles(before, after)
    assert comparison.shared == ("straightedge straightness", "scale")
    assert comparison.U_least_mm is not None
    # JCGM 100:2008, 5.2.2 with correlation 1 between the two type B causes of the made-up budget (0.004, 0.001 mm)
    assert comparison.U_least_mm == pytest.approx(2 * (2 * 0.007**2 - 2 * (0.004**2 + 0.001**2)) ** 0.5, rel=1e-9)
    assert comparison.U_least_mm < comparison.U_change_mm
    assert any("cancels in part" in note for note in comparison.notes)


def test_different_chords_are_brought_to_one(tmp_path: Path) -> None:
    photo = make_photo(tmp_path)
    before, after = make_document(photo, 0.30, frets=15), make_document(photo, 0.30, frets=15, seed=3)
    after["relief"]["chord"] = [2, 13]
    comparison = compare_profiles(before, after)
    assert comparison.chord == (2, 13)
    # the same bow seen twice: after bringing both to one chord no change is left
    assert comparison.verdict == "cannot-tell"
    assert comparison.before_mm < before["relief"]["relief_mm"]


def test_profiles_without_common_frets_cannot_be_compared(tmp_path: Path) -> None:
    before, after = documents(tmp_path, 0.3, 0.2)
    after["relief"]["chord"] = [14, 16]
    with pytest.raises(InputError, match="fewer than three frets"):
        compare_profiles(before, after)
