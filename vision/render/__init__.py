"""lightgap.vision.render: photos with known truth, a 3-D scene through a real camera."""

from .draw import board_slope_deg, draw_scene_settings
from .photo import RenderedPhoto, render_photo
from .presets import INSTRUMENTS
from .settings import Blade, Camera, Imaging, Light, Neck, Reference, SceneSettings

__all__ = [
    "INSTRUMENTS",
    "Blade",
    "Camera",
    "Imaging",
    "Light",
    "Neck",
    "Reference",
    "RenderedPhoto",
    "SceneSettings",
    "board_slope_deg",
    "draw_scene_settings",
    "render_photo",
]
