"""Invented necks, adjusted by following the plan to the letter; prints what becomes of them.

    python tests/benchmarks/simulated_benches.py [--necks 500] [--seed 1]

Each neck has a bow of its own shape, uneven frets, a rod with its own response, play when the direction is reversed, a
response that differs from step to step, settling, a hand that turns a little more or less than asked, and is measured
by feeler leaves or by photo with the uncertainty that goes with it. Whoever follows the plan knows only the readings.
"""

from __future__ import annotations

import argparse
import platform
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from lightgap.neck.advise import advise
from lightgap.neck.bench import Bench
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.neck.readings import Reading, parse_reading, profile_from_readings
from lightgap.neck.rod_response import TurnRecord
from lightgap.neck.straightness import chord_matrix

FRETS = np.arange(1, 16)
PLACES_MM = fret_position_mm(FRETS, 648.0)
SHARE = (PLACES_MM - PLACES_MM[0]) / (PLACES_MM[-1] - PLACES_MM[0])
MATRIX = chord_matrix(PLACES_MM, (0, len(FRETS) - 1))
MOST_MEASURES = 25
Way = Literal["feeler", "photo"]


@dataclass
class Neck:
    """One invented neck on the bench."""

    rng: np.random.Generator
    target_mm: tuple[float, float]
    way: Way
    rod: Literal["single-action", "two-way", "unknown"]
    bow_mm: float
    skew: float
    response_mm_per_turn: float
    play_turns: float
    slack_bow_mm: float
    frets_mm: np.ndarray
    last_way: int = 0
    lowest_mm: float = field(default=np.inf)

    @classmethod
    def invent(cls, rng: np.random.Generator) -> Neck:
        """Draw a neck whose rod can reach the target."""
        low = float(rng.choice([0.0, 0.05, 0.10, 0.12, 0.20]))
        target = (low, low + float(rng.choice([0.12, 0.15, 0.20])))
        start = float(rng.uniform(-0.2, 0.8))
        neck = cls(
            rng=rng,
            target_mm=target,
            way="feeler" if rng.random() < 0.6 else "photo",
            rod=str(rng.choice(["single-action", "two-way", "unknown"])),  # type: ignore[arg-type]
            bow_mm=start,
            skew=float(rng.uniform(-0.35, 0.35)),
            response_mm_per_turn=float(np.clip(np.exp(rng.normal(np.log(0.55), 0.45)), 0.15, 1.6)),
            play_turns=float(rng.uniform(0.0, 0.05)),
            slack_bow_mm=max(start, target[1]) + float(rng.uniform(0.1, 0.6)),
            frets_mm=rng.normal(0, rng.uniform(0.004, 0.012), len(FRETS)),
        )
        neck.lowest_mm = neck.relief_mm
        return neck

    def gaps_mm(self) -> np.ndarray:
        """True gaps below a straightedge on the end crowns."""
        bow = 4 * SHARE * (1 - SHARE) * (1 + self.skew * (2 * SHARE - 1)) * self.bow_mm
        return np.asarray(MATRIX @ (bow + self.frets_mm))

    @property
    def relief_mm(self) -> float:
        """True relief."""
        depth = self.gaps_mm()[1:-1]
        return float(depth[np.argmax(np.abs(depth))])

    def turn(self, turns: float) -> None:
        """Turn the nut: + tightens."""
        way = int(np.sign(turns))
        moved = abs(turns) * float(self.rng.normal(1.0, 0.08))
        if self.last_way not in (0, way):
            moved = max(0.0, moved - self.play_turns)
        self.last_way = way
        change = self.response_mm_per_turn * moved * float(self.rng.normal(1.0, 0.10))
        self.bow_mm = min(self.bow_mm - way * change + float(self.rng.normal(0, 0.006)), self.slack_bow_mm)
        self.lowest_mm = min(self.lowest_mm, self.relief_mm)

    def settle(self) -> None:
        """Leave the neck for a day."""
        self.bow_mm += float(self.rng.normal(0, 0.006))

    def measure(self, *, fine: bool) -> GapProfile:
        """Read the neck; `fine` with closer leaves, or a second and nearer photo."""
        return self._photo(fine) if self.way == "photo" else self._feeler(fine)

    def _photo(self, fine: bool) -> GapProfile:
        u = 0.004 if fine else 0.010
        seen = self.gaps_mm() + self.rng.normal(0, u, len(FRETS)) + self.rng.normal(0, 0.02)
        crowns = tuple(
            CrownGap(int(f), float(x), float(g), float(np.hypot(u, 0.02)))
            for f, x, g in zip(FRETS, PLACES_MM, seen, strict=True)
        )
        return GapProfile(crowns, np.eye(len(FRETS)) * u**2 + 0.02**2, scale_length_mm=648.0)

    def _feeler(self, fine: bool) -> GapProfile:
        """The straightedge rests on the crowns (or rocks on a back-bow): gaps are read where a leaf goes under it."""
        true = self.gaps_mm()
        true = true - true.min() if self.relief_mm < 0 else np.clip(true, 0, None)
        step = 0.01 if fine else 0.05
        at = (1, 3, 4, 5, 6, 7, 8, 9, 11, 13, 15)
        readings: list[Reading] = []
        for fret in at:
            felt = max(0.0, true[fret - 1] + self.rng.normal(0, 0.004))
            goes = np.floor(felt / step + 1e-9) * step
            if self.relief_mm >= 0 and fret in (1, 15):
                continue
            readings.append(parse_reading(f"{fret}={goes:.3f}..{goes + step:.3f}mm", method="feeler"))
        return profile_from_readings(readings, scale_length_mm=648.0, chord=(1, 15))[0]


@dataclass(frozen=True)
class Outcome:
    """What became of a neck."""

    inside: bool
    ended: str
    measures: int
    turned_turns: float
    overshoot_mm: float
    way: Way
    rod: str


def follow_the_plan(neck: Neck) -> Outcome:
    """Do what the plan says until it says no more."""
    log: list[TurnRecord] = []
    visit, turned, measures, fine = 0.0, 0.0, 0, False
    begin = neck.relief_mm
    before = None
    ended = "gave up"
    while measures < MOST_MEASURES:
        profile = neck.measure(fine=fine)
        measures += 1
        advice = advise(
            profile,
            neck.target_mm,
            bench=Bench(rod=neck.rod, nut_feel="snug", turned_turns=visit, repeated=fine),
            chord=(1, 15),
            log=log,
        )
        if before is not None:
            turns, old = before
            new = advice.plan.relief
            log.append(TurnRecord(turns, old.relief_mm, new.relief_mm, old.U_mm, new.U_mm))
            before = None
            advice = advise(
                profile,
                neck.target_mm,
                bench=Bench(rod=neck.rod, nut_feel="snug", turned_turns=visit, repeated=fine),
                chord=(1, 15),
                log=log,
            )
        plan = advice.plan
        if plan.direction == "none":
            codes = {f.code for f in plan.findings}
            if plan.judgement == "cannot-tell" and not fine:
                fine = True
                continue
            if "visit-cap" in codes:
                neck.settle()
                visit = 0.0
                continue
            ended = plan.judgement if plan.judgement in ("inside", "cannot-tell") else ", ".join(sorted(codes))
            break
        step = plan.step_turns if plan.direction == "tighten" else -plan.step_turns
        neck.turn(step)
        visit, turned = visit + abs(step), turned + abs(step)
        before = (step, plan.relief)
    low, high = neck.target_mm
    # The back-bow limit: straight, or where it stood when it came in.
    overshoot = max(0.0, min(0.0, begin) - neck.lowest_mm)
    inside = low <= neck.relief_mm <= high
    return Outcome(inside, ended, measures - 1, turned, overshoot, neck.way, neck.rod)


def run(necks: int, seed: int) -> list[Outcome]:
    """Adjust so many invented necks."""
    rng = np.random.default_rng(seed)
    return [follow_the_plan(Neck.invent(rng)) for _ in range(necks)]


def table(outcomes: list[Outcome]) -> str:
    """Return the figures as text."""
    lines = [f"{'class':24s} {'necks':>5s} {'inside':>7s} {'re-measures':>12s} {'turned':>7s} {'worst overshoot':>16s}"]
    classes = [("all", outcomes)]
    classes += [(f"measured by {w}", [o for o in outcomes if o.way == w]) for w in ("feeler", "photo")]
    classes += [(f"rod {r}", [o for o in outcomes if o.rod == r]) for r in ("single-action", "two-way", "unknown")]
    for name, rows in classes:
        if not rows:
            continue
        inside = np.mean([o.inside for o in rows])
        measures = np.median([o.measures for o in rows])
        turned = np.median([o.turned_turns for o in rows])
        worst = max(o.overshoot_mm for o in rows)
        lines.append(f"{name:24s} {len(rows):5d} {inside:7.1%} {measures:12.0f} {turned:7.2f} {worst:13.3f} mm")
    ends = {o.ended for o in outcomes}
    lines.append("ended: " + "; ".join(f"{e} {sum(o.ended == e for o in outcomes)}" for e in sorted(ends)))
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--necks", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(f"python {platform.python_version()}, numpy {np.__version__}, {given.necks} necks, seed {given.seed}")
    print(table(run(given.necks, given.seed)))


if __name__ == "__main__":
    main()
