"""One picture of an RTSP stream, over TCP."""

from __future__ import annotations

import io
import time
from urllib.parse import quote, urlsplit, urlunsplit

from audit.collect.addresses import Address
from audit.collect.credentials import Credentials
from audit.collect.refusal import no_picture

__all__ = ["key_frame"]

_LARGEST_PX = 200_000_000
_QUALITY = 95


def key_frame(address: Address, credentials: Credentials | None, timeout_s: float = 5.0, url: str | None = None) -> bytes:
    """The first whole picture of a stream, as JPEG.

    Parameters
    ----------
    url : str or None
        Stream on the same host that the device itself named; the address's own without it.

    Raises
    ------
    NoPicture
        With the reason; neither user nor password is ever part of it.
    """
    import av
    from av.error import FFmpegError, HTTPUnauthorizedError

    av.logging.set_level(None)
    bare = url or address.url
    if not address.is_at(bare) or urlsplit(bare).scheme != "rtsp":
        raise no_picture(address, "redirect", "names a stream on another host")
    options = {"rtsp_transport": "tcp", "allowed_media_types": "video", "max_delay": "500000"}
    ends = time.monotonic() + timeout_s
    try:
        with av.open(_with(bare, credentials), options=options, timeout=(timeout_s, timeout_s)) as stream:
            video = next(iter(stream.streams.video), None)
            if video is None:
                raise no_picture(address, "not a picture", "its stream holds no picture")
            if video.width * video.height > _LARGEST_PX:
                raise no_picture(address, "too large", f"its picture has {video.width} × {video.height} px")
            for frame in stream.decode(video):
                if frame.key_frame:
                    kept = io.BytesIO()
                    frame.to_image().save(kept, "JPEG", quality=_QUALITY, subsampling=0)
                    return kept.getvalue()
                if time.monotonic() > ends:
                    break
    except HTTPUnauthorizedError:
        if credentials is None:
            text = "asks for a user and password; give them with --credentials FILE.csv"
            raise no_picture(address, "password needed", text) from None
        raise no_picture(address, "wrong password", "does not take the user or password; correct it before the next try") from None
    except (FFmpegError, OSError, ValueError, MemoryError):
        if time.monotonic() >= ends:
            raise no_picture(address, "timeout", f"sent no whole picture within {timeout_s:g} s") from None
        raise no_picture(address, "no answer", "does not answer by RTSP; is it on, and is the address right?") from None
    raise no_picture(address, "timeout", f"sent no whole picture within {timeout_s:g} s")


def _with(url: str, credentials: Credentials | None) -> str:
    """The address as the library wants it; it is given to it alone and never shown."""
    if credentials is None:
        return url
    parts = urlsplit(url)
    who = f"{quote(credentials.user, safe='')}:{quote(credentials.password, safe='')}"
    return urlunsplit((parts.scheme, f"{who}@{parts.netloc}", parts.path, parts.query, ""))
