"""Whether what came is a picture at all."""

from __future__ import annotations

import io

from PIL import Image, UnidentifiedImageError

from audit.collect.addresses import Address
from audit.collect.refusal import no_picture

__all__ = ["ending_of"]

_ENDINGS = {"JPEG": ".jpg", "PNG": ".png"}
#: No camera's still picture is smaller or larger (our default); the pixels themselves are decoded by intake, guarded.
_LEAST_PX, _LARGEST_PX = 64, 200_000_000


def ending_of(address: Address, data: bytes, said: str = "") -> str:
    """The file ending of a picture, from its header.

    Parameters
    ----------
    said : str
        The content type that came with it.

    Raises
    ------
    NoPicture
        Where it is none, or none that a camera makes.
    """
    try:
        with Image.open(io.BytesIO(data), formats=tuple(_ENDINGS)) as header:
            width, height, form = header.width, header.height, header.format or ""
    except Image.DecompressionBombError:
        raise no_picture(address, "too large", "gives a picture of more pixels than are taken in; take its main stream") from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        what = f" but {said}" if said and not said.startswith("image/") else ""
        raise no_picture(address, "not a picture", f"gives no picture{what}; name the address of its still picture") from None
    if min(width, height) < _LEAST_PX:
        raise no_picture(address, "not a picture", f"gives a picture of {width} × {height} px; take its main stream")
    if width * height > _LARGEST_PX:
        raise no_picture(address, "too large", f"gives a picture of {width} × {height} px, which is not taken in")
    return _ENDINGS[form]
