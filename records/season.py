"""The season line: relief over the year, against the room's humidity and the wood's moisture content."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from lightgap.neck.climate import equilibrium_moisture_percent
from lightgap.neck.profile import Array

from .book import Book
from .entries import Climate, StoredMeasurement, Turn
from .instruments import Instrument
from .visits import Visit, read_visit

SEASON_SCHEMA = "lightgap/season/1"

MIN_VISITS = 5
"""Fewer points carry no line worth a prediction; a line through three always looks good (common practice)."""
MIN_FREEDOM = 3
"""Degrees of freedom: at 3 the 95 % factor of Student's t is 3.2, below it grows without use."""
MIN_MOISTURE_SPAN_PCT = 1.0
MIN_TIME_SPAN_DAYS = 90.0
COVERAGE = 0.95
NORMAL_FACTOR = 1.96
"""95 % of a normal distribution (JCGM 100:2008, table G.2, infinite degrees of freedom)."""


@dataclass(frozen=True, slots=True)
class SeasonPoint:
    """One measurement of the season line.

    Attributes
    ----------
    when
        Time of recording, UTC.
    relief_mm, U_relief_mm, k
        As measured.
    temperature_degc, relative_humidity_pct, moisture_content_pct
        Of the room at that stage of the visit, and the equilibrium moisture content of wood there.
    rod_state
        Counts the changes at the rod before this measurement: points of one number are of one neck.
    """

    visit_id: int
    stage: str
    when: datetime
    relief_mm: float
    U_relief_mm: float
    k: float
    temperature_degc: float | None
    relative_humidity_pct: float | None
    moisture_content_pct: float | None
    rod_state: int

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of the relief."""
        return self.U_relief_mm / self.k


@dataclass(frozen=True, slots=True)
class LineFit:
    """A weighted straight-line fit with one slope and one level for each group of points.

    Attributes
    ----------
    coefficients
        (1 + groups,) slope, then levels at `centre`.
    covariance
        Of the coefficients, from the points' own uncertainties.
    centre
        The abscissa the levels stand at.
    chi_square, freedom
        Weighted sum of squared residuals, and degrees of freedom.
    """

    coefficients: Array
    covariance: Array
    centre: float
    chi_square: float
    freedom: int

    @property
    def birge(self) -> float:
        """Birge ratio: how much more, or less, the points scatter than their uncertainties say."""
        return float(np.sqrt(self.chi_square / self.freedom))

    @property
    def t_factor(self) -> float:
        """Factor of Student's t for 95 % coverage."""
        from scipy.special import stdtrit

        return float(stdtrit(self.freedom, 0.5 + COVERAGE / 2))

    @property
    def factor(self) -> float:
        """Standard to expanded uncertainty: by the scatter seen, but no less than the stated uncertainties give."""
        return max(NORMAL_FACTOR, self.t_factor * self.birge)

    @property
    def U_slope(self) -> float:
        """Expanded uncertainty of the slope, 95 %."""
        return self.factor * float(np.sqrt(self.covariance[0, 0]))

    def at(self, x: float, *, group: int, u_new: float = 0.0) -> tuple[float, float]:
        """Return the line's value and half-width of its 95 % interval at `x`.

        With `u_new`, the interval is for a new measurement of that standard uncertainty, not for the line.
        """
        row = np.zeros(len(self.coefficients))
        row[0], row[1 + group] = x - self.centre, 1.0
        variance = float(row @ self.covariance @ row) + u_new**2
        return float(row @ self.coefficients), self.factor * float(np.sqrt(variance))


def fit_line(x: Array, y: Array, *, u: Array, groups: Sequence[int] | None = None) -> LineFit:
    """Fit one slope and a level for each group by weighted least squares.

    Parameters
    ----------
    x, y, u
        (n,) abscissae, ordinates and standard uncertainties of the ordinates.
    groups
        (n,) group of each point, 0 upward; default: all one.

    Raises
    ------
    ValueError
        When there are not more points than unknowns, or the abscissae do not spread.
    """
    number = np.zeros(len(x), dtype=int) if groups is None else np.asarray(groups, dtype=int)
    levels = int(number.max()) + 1
    freedom = len(x) - 1 - levels
    if freedom < 1:
        raise ValueError(f"x has {len(x)} points: too few for a slope and {levels} levels")
    centre = float(np.average(x, weights=u**-2.0))
    design = np.zeros((len(x), 1 + levels))
    design[:, 0] = x - centre
    design[np.arange(len(x)), 1 + number] = 1.0
    # By QR of the weighted design, which keeps the digits the normal equations lose.
    q, r = np.linalg.qr(design / u[:, None])
    if abs(np.diag(r)).min() < 1e-10 * abs(np.diag(r)).max():
        raise ValueError("x does not spread within any group: no slope can be had")
    coefficients = np.linalg.solve(r, q.T @ (y / u))
    inverse = np.linalg.inv(r)
    residual = (y - design @ coefficients) / u
    return LineFit(
        coefficients=coefficients,
        covariance=inverse @ inverse.T,
        centre=centre,
        chi_square=float(residual @ residual),
        freedom=freedom,
    )


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the next measurement is expected to show if nothing is done to the neck.

    Attributes
    ----------
    low_mm, high_mm
        95 % interval.
    moisture_content_pct
        The moisture content it holds for; nothing when the line is over time.
    when
        The time it holds for, when the line is over time.
    """

    low_mm: float
    high_mm: float
    moisture_content_pct: float | None = None
    when: datetime | None = None


@dataclass(frozen=True, slots=True)
class SeasonLine:
    """An instrument's relief over time.

    Attributes
    ----------
    points
        Oldest first.
    against
        "moisture content", "time", or nothing when there is no line.
    fit
        Slope in mm per % moisture content, or in mm per year.
    silence
        Why there is no line, or no expectation.
    """

    instrument: str
    points: tuple[SeasonPoint, ...]
    against: str | None
    fit: LineFit | None
    expectation: Expectation | None
    silence: str

    def document(self) -> dict[str, Any]:
        """Return the season line as its JSON document (schema lightgap/season/1)."""
        fit = self.fit
        per = "pct" if self.against == "moisture content" else "year"
        return {
            "schema": SEASON_SCHEMA,
            "instrument": self.instrument,
            "points": [_point_document(point) for point in self.points],
            "line": None
            if fit is None
            else {
                "against": self.against,
                f"slope_mm_per_{per}": round(float(fit.coefficients[0]), 6),
                f"U_slope_mm_per_{per}": round(fit.U_slope, 6),
                "coverage": COVERAGE,
                "points": fit.freedom + len(fit.coefficients),
                "freedom": fit.freedom,
                "birge_ratio": round(fit.birge, 4),
            },
            "next": None if self.expectation is None else _expectation_document(self.expectation),
            "silence": self.silence,
        }


def season_line(
    book: Book, instrument: Instrument, *, moisture_pct: float | None = None, when: datetime | None = None
) -> SeasonLine:
    """Return an instrument's season line, with a fit when the visits carry one.

    Parameters
    ----------
    moisture_pct
        Moisture content the expectation is for; default: the mean of the visits.
    when
        Time the expectation is for when the line is over time; default: half a year after the last visit.

    Notes
    -----
    Points between two changes at the rod share a level; the slope is common to all. The fit stands only on at least
    `MIN_VISITS` points with `MIN_FREEDOM` degrees of freedom, over moisture contents that differ by 1 % or, without
    climate, over 90 days; otherwise it is left out and the reason said.
    """
    points, rod_state = _points_and_rod(book, instrument)
    moist = [point for point in points if point.moisture_content_pct is not None]
    reason = "no measurement yet"
    if points:
        x = np.array([point.moisture_content_pct or 0.0 for point in moist])
        fit, reason = _try_fit(moist, x, least_span=MIN_MOISTURE_SPAN_PCT, what="moisture content differs too little")
        if fit is not None:
            target = float(x.mean()) if moisture_pct is None else moisture_pct
            if moist[-1].rod_state != rod_state:
                return SeasonLine(instrument.name, points, "moisture content", fit, None, TURNED_SINCE)
            low, high = _interval(fit, moist, x=target)
            next_one = Expectation(low, high, moisture_content_pct=target)
            return SeasonLine(instrument.name, points, "moisture content", fit, next_one, "")
    if points and len(moist) < MIN_VISITS:
        origin = points[0].when
        years = np.array([(point.when - origin).total_seconds() / _YEAR_S for point in points])
        fit, reason = _try_fit(
            list(points), years, least_span=MIN_TIME_SPAN_DAYS / 365.25, what="the visits lie too close together"
        )
        if fit is not None:
            target = float(years[-1]) + 0.5 if when is None else (when - origin).total_seconds() / _YEAR_S
            if points[-1].rod_state != rod_state:
                return SeasonLine(instrument.name, points, "time", fit, None, TURNED_SINCE)
            low, high = _interval(fit, list(points), x=target)
            moment = origin + timedelta(seconds=target * _YEAR_S)
            return SeasonLine(instrument.name, points, "time", fit, Expectation(low, high, when=moment), "")
    return SeasonLine(instrument.name, points, None, None, None, reason)


TURNED_SINCE = "the rod was turned after the last measurement on this line: measure in the usual air first"
_YEAR_S = 365.25 * 86_400.0


def season_points(book: Book, instrument: Instrument) -> tuple[SeasonPoint, ...]:
    """Return the newest measurement of each stage of each visit of an instrument, oldest first."""
    return _points_and_rod(book, instrument)[0]


def _points_and_rod(book: Book, instrument: Instrument) -> tuple[tuple[SeasonPoint, ...], int]:
    """Return the points, and the state of the rod now, counted in turns made."""
    points: list[SeasonPoint] = []
    rod_state = 0
    for row in book.rows("SELECT id FROM visit WHERE instrument_id = ? ORDER BY id", (instrument.id,)):
        visit = read_visit(book, row["id"])
        newest = {entry.stage: entry.id for entry in visit.measurements()}
        for entry in visit.current:
            if isinstance(entry.detail, Turn):
                rod_state += 1
            elif isinstance(entry.detail, StoredMeasurement) and newest[entry.stage] == entry.id:
                points.append(
                    _point(
                        visit, entry.stage, recorded_utc=entry.recorded_utc, measured=entry.detail, rod_state=rod_state
                    )
                )
    return tuple(points), rod_state


def _point(visit: Visit, stage: str, *, recorded_utc: str, measured: StoredMeasurement, rod_state: int) -> SeasonPoint:
    climate = _climate_of(visit, stage)
    temperature = climate.temperature_degc if climate else None
    humidity = climate.relative_humidity_pct if climate else None
    moisture = None
    if temperature is not None and humidity is not None:
        moisture = equilibrium_moisture_percent(temperature, humidity)
    return SeasonPoint(
        visit_id=visit.id,
        stage=stage,
        when=datetime.fromisoformat(recorded_utc.replace("Z", "+00:00")),
        relief_mm=measured.relief_mm,
        U_relief_mm=measured.U_relief_mm,
        k=measured.k,
        temperature_degc=temperature,
        relative_humidity_pct=humidity,
        moisture_content_pct=moisture,
        rod_state=rod_state,
    )


def _climate_of(visit: Visit, stage: str) -> Climate | None:
    """Return the newest climate of this stage, else of the visit."""
    entries = [(entry.stage, entry.detail) for entry in visit.current if isinstance(entry.detail, Climate)]
    same = [climate for where, climate in entries if where == stage]
    chosen = same or [climate for _, climate in entries]
    return chosen[-1] if chosen else None


def _groups(points: Sequence[SeasonPoint]) -> list[int]:
    states = sorted({point.rod_state for point in points})
    return [states.index(point.rod_state) for point in points]


def _try_fit(points: Sequence[SeasonPoint], x: Array, *, least_span: float, what: str) -> tuple[LineFit | None, str]:
    """Return the fit, or nothing and why."""
    if len(points) < MIN_VISITS:
        count = "1 measurement" if len(points) == 1 else f"{len(points)} measurements"
        return None, f"{count}: a line needs {MIN_VISITS} (with temperature and humidity to tell more)"
    groups = _groups(points)
    within = max(float(np.ptp(x[np.array(groups) == g])) for g in set(groups))
    if len(points) - 1 - len(set(groups)) < MIN_FREEDOM:
        return None, "too many changes at the rod for so few measurements"
    if within < least_span:
        return None, f"{what} between two changes at the rod"
    y = np.array([point.relief_mm for point in points])
    u = np.array([point.u_mm for point in points])
    return fit_line(x, y, u=u, groups=groups), ""


def _interval(fit: LineFit, points: Sequence[SeasonPoint], *, x: float) -> tuple[float, float]:
    u_new = float(np.median([point.u_mm for point in points]))
    value, half = fit.at(x, group=_groups(points)[-1], u_new=u_new)
    return value - half, value + half


def _point_document(point: SeasonPoint) -> dict[str, Any]:
    moisture = point.moisture_content_pct
    return {
        "visit": point.visit_id,
        "stage": point.stage,
        "when": point.when.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "relief_mm": round(point.relief_mm, 5),
        "U_relief_mm": round(point.U_relief_mm, 5),
        "k": point.k,
        "temperature_degc": point.temperature_degc,
        "relative_humidity_pct": point.relative_humidity_pct,
        "moisture_content_pct": None if moisture is None else round(moisture, 3),
        "rod_state": point.rod_state,
    }


def _expectation_document(expected: Expectation) -> dict[str, Any]:
    moisture = expected.moisture_content_pct
    return {
        "low_mm": round(expected.low_mm, 4),
        "high_mm": round(expected.high_mm, 4),
        "coverage": COVERAGE,
        "moisture_content_pct": None if moisture is None else round(moisture, 3),
        "when": None if expected.when is None else expected.when.date().isoformat(),
    }
