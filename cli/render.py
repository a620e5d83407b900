"""`lightgap render`: make a photo with known truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from lightgap.neck.errors import InputError

from .options import spread
from .output import check_outputs, dump_json, say, show, write_bytes

if TYPE_CHECKING:
    import numpy as np

    from lightgap.vision.render import SceneSettings

Framing = Literal["full", "half", "macro"]
Background = Literal["card", "cloth", "wall", "bench", "gradient"]
Place = Literal["middle", "outer"]
Reference = Literal["card", "coin", "marker", "none"]
Light = Literal["window", "rake", "overhead", "mixed", "behind"]

EXAMPLES = """
Examples:

  lightgap render practice.jpg --seed 4 --instrument dreadnought --bow-mm 0.30

  lightgap render hard.jpg --seed 9 --framing macro --background bench --strings
"""


@dataclass(frozen=True, slots=True)
class ChoiceOptions:
    """What is held fixed; the rest is drawn at random."""

    instrument: Annotated[
        str | None, typer.Option(help="Instrument, for example dreadnought, bass, mandolin, tenor-ukulele.")
    ] = None
    framing: Annotated[Framing | None, typer.Option(help="Whole neck, half of it, or a few frets.")] = None
    bow_mm: Annotated[
        float | None, typer.Option(help="Depth of the bow in mm: positive sags (up-bow), negative is a back-bow.")
    ] = None
    background: Annotated[Background | None, typer.Option(help="What stands behind the neck.")] = None
    light: Annotated[Light | None, typer.Option(help="Main light.")] = None
    reference: Annotated[Reference | None, typer.Option(help="Object of known size before the straightedge.")] = None
    strings: Annotated[bool | None, typer.Option("--strings/--no-strings", help="Strung to pitch, or bare.")] = None
    place: Annotated[
        Place | None, typer.Option(help="Straightedge over the board's middle, or along the outer string's path.")
    ] = None
    width_px: Annotated[int | None, typer.Option(help="Width of the photo in pixels (64 to 8064).")] = None

    def settings(self, rng: np.random.Generator, name: str) -> SceneSettings:
        """Return a scene drawn at random but for what is held fixed."""
        from lightgap.vision.render import draw_scene_settings

        settings = draw_scene_settings(
            rng,
            framing=self.framing,
            background=self.background,
            strings=self.strings,
            place=self.place,
            instrument=self.instrument,
        )
        settings = replace(settings, name=name)
        if self.bow_mm is not None:
            settings = replace(settings, neck=replace(settings.neck, bow_mm=self.bow_mm))
        if self.light is not None:
            settings = replace(settings, light=replace(settings.light, kind=self.light))
        if self.reference is not None:
            settings = replace(settings, reference=replace(settings.reference, kind=self.reference))
        return settings if self.width_px is None else _resized(settings, self.width_px)


@spread
def render(
    out: Annotated[
        Path, typer.Argument(metavar="OUT.jpg", help="Photo to write; its truth goes to OUT.json beside it.")
    ],
    *,
    seed: Annotated[int, typer.Option(help="Number that fixes every random choice: the same one, the same photo.")] = 1,
    choices: ChoiceOptions,
) -> None:
    """Make a photo with known relief, and its truth beside it.

    A straightedge on the frets, as a phone would see it.

    Whatever is not asked for is drawn at random over the conditions of a repair bench.
    """
    import numpy as np

    from lightgap.vision.render import render_photo

    check_outputs(out, out.with_suffix(".json"))
    rng = np.random.default_rng(_checked_seed(seed))
    settings = choices.settings(rng, out.stem)
    photo = render_photo(settings, rng=rng)
    write_bytes(out, photo.jpeg)
    write_bytes(out.with_suffix(".json"), (dump_json(photo.sidecar) + "\n").encode("utf-8"))
    relief = photo.truth.relief
    show(
        f"{out}: relief {relief.relief_mm:+.3f} mm at fret {relief.at_fret}, frets {relief.chord[0]}-{relief.chord[1]}"
    )
    say(f"truth: {out.with_suffix('.json')}")


def _checked_seed(seed: int) -> int:
    if seed < 0:
        raise InputError(f"--seed must be 0 or more; got {seed}")
    return seed


def _resized(settings: SceneSettings, width_px: int) -> SceneSettings:
    """Return the same picture with another number of pixels."""
    if not 64 <= width_px <= 8064:
        raise InputError(f"--width-px must be 64 to 8064; got {width_px}")
    camera = settings.camera
    ratio = width_px / camera.width_px
    return replace(
        settings,
        camera=replace(
            camera,
            width_px=width_px,
            height_px=round(camera.height_px * ratio),
            px_per_mm=camera.px_per_mm * ratio,
            principal_offset_px=camera.principal_offset_px * ratio,
        ),
    )
