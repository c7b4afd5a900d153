"""A picture as a file."""

import io
from pathlib import Path
from typing import TYPE_CHECKING

from volest.sheet.target import write_whole

if TYPE_CHECKING:
    from PIL.Image import Image


def save_picture(picture: "Image", target: Path) -> None:
    """Save a picture, whole or not at all; the target's ending says the kind."""
    from PIL import Image

    stream = io.BytesIO()
    picture.save(stream, Image.registered_extensions()[target.suffix.lower()])
    write_whole(target, stream.getvalue())
