"""lightgap.vision.render: photos with known truth, a 3-D scene through a real camera."""

from .draw import draw_scene_settings
from .photo import RenderedPhoto, render_photo
from .settings import Blade, Camera, Imaging, Light, Neck, Reference, SceneSettings

__all__ = [
    "Blade",
    "Camera",
    "Imaging",
    "Light",
    "Neck",
    "Reference",
    "RenderedPhoto",
    "SceneSettings",
    "draw_scene_settings",
    "render_photo",
]
