"""What the tests of the records share."""

from __future__ import annotations

import io

import pytest
from PIL import Image, ImageDraw


@pytest.fixture(scope="session")
def overlay_png() -> bytes:
    """A picture as wide as a phone photo, for the place of the overlay."""
    image = Image.new("RGB", (2400, 800), (150, 152, 148))
    draw = ImageDraw.Draw(image)
    draw.rectangle((200, 240, 2200, 380), fill=(190, 195, 200))
    draw.line((200, 380, 2200, 380), fill=(200, 40, 40), width=3)
    stream = io.BytesIO()
    image.save(stream, format="PNG")
    return stream.getvalue()
