"""Pictures drawn for the sky's tests: what must not pass for sky, and skies that must be found."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
SIZE = (720, 1280)


def noisy(picture: NDArray[np.floating], sd: float = 2.0, seed: int = 3) -> Picture:
    """A camera's noise on a drawing."""
    noise = np.random.default_rng(seed).normal(0, sd, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def plain(red: int, green: int, blue: int) -> Picture:
    return np.full((*SIZE, 3), (red, green, blue), np.uint8)


def waves(scale_px: float, seed: int = 1) -> NDArray[np.float32]:
    """Smooth random field of zero mean and unit sd."""
    field = np.random.default_rng(seed).normal(0, 1, SIZE).astype(np.float32)
    field = np.asarray(cv2.GaussianBlur(field, (0, 0), scale_px))
    return np.asarray((field - field.mean()) / field.std(), dtype=np.float32)


def open_field(sky_rows: int, top: tuple[int, int, int], bottom: tuple[int, int, int],
               ground: tuple[int, int, int] = (96, 112, 62)) -> NDArray[np.float32]:
    """Clouded gradient above ``sky_rows``, ground whose grain grows towards the bottom below it."""
    height, width = SIZE
    picture = np.zeros((height, width, 3), np.float32)
    t = np.linspace(0, 1, sky_rows)[:, None, None]
    picture[:sky_rows] = np.array(top) * (1 - t) + np.array(bottom) * t
    picture[:sky_rows] += 4 * waves(60)[:sky_rows, :, None]
    rng = np.random.default_rng(5)
    for y in range(sky_rows, height):
        grain = max(2, int(2 + (y - sky_rows) / 8))
        line = np.repeat(rng.normal(0, 22, -(-width // grain)), grain)[:width]
        picture[y] = np.array(ground) + line[:, None]
    return picture


def day_field(sky_rows: int = 288) -> Picture:
    return noisy(open_field(sky_rows, (90, 140, 215), (205, 220, 235)))


def sunset() -> Picture:
    return noisy(open_field(288, (88, 84, 130), (245, 160, 90), (62, 56, 48)))


def fog() -> Picture:
    field = open_field(288, (196, 198, 200), (200, 201, 202), (120, 122, 118))
    veil = np.clip((np.arange(SIZE[0]) - 200) / 400, 0, 1)[:, None, None]
    return noisy(field * veil + 198 * (1 - veil))


def tarpaulin() -> Picture:
    """Blue sheet with folds over the whole picture, seams and eyelets."""
    picture = np.array([32, 92, 190]) + 22 * waves(14)[..., None] + 12 * waves(50, 2)[..., None]
    for x in range(60, SIZE[1], 200):
        cv2.line(picture, (x, 0), (x + 30, SIZE[0]), (20, 60, 130), 4)
        for y in range(40, SIZE[0], 160):
            cv2.circle(picture, (x + 14, y), 9, (150, 150, 140), 3)
    return noisy(picture)


def pool() -> Picture:
    """Water seen from above, tiles and lane lines below the ripples."""
    picture = np.zeros((*SIZE, 3), np.float32) + np.array([92, 188, 214])
    for x in range(0, SIZE[1], 40):
        cv2.line(picture, (x, 0), (x, SIZE[0]), (80, 168, 196), 2)
    for y in range(0, SIZE[0], 40):
        cv2.line(picture, (0, y), (SIZE[1], y), (80, 168, 196), 2)
    for x in (300, 640, 980):
        cv2.rectangle(picture, (x - 14, 0), (x + 14, SIZE[0]), (24, 60, 120), -1)
    ripples = 3 * waves(8), 3 * waves(8, 2)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float32)
    moved = cv2.remap(picture, x + ripples[0], y + ripples[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return noisy(moved + 16 * np.abs(waves(6, 3))[..., None])


def ceiling_with_lamps() -> Picture:
    """White ceiling of panels in perspective, lit lamps, a wall below."""
    picture = np.zeros((*SIZE, 3), np.float32) + 214
    for k in range(-12, 13):
        cv2.line(picture, (640 + 30 * k, 430), (640 + 190 * k, 0), (178, 178, 176), 3)
    for d in (1.0, 1.25, 1.6, 2.2, 3.4):
        cv2.line(picture, (0, int(430 - 330 / d * 0.9)), (1280, int(430 - 330 / d * 0.9)), (178, 178, 176), 3)
    for x0, y0, x1, y1 in ((300, 60, 520, 96), (760, 60, 980, 96), (420, 230, 540, 246), (740, 230, 860, 246)):
        cv2.rectangle(picture, (x0, y0), (x1, y1), (255, 255, 250), -1)
    picture[430:] = (158, 148, 132)
    cv2.rectangle(picture, (200, 470), (380, 719), (92, 66, 44), -1)
    cv2.rectangle(picture, (700, 500), (1100, 640), (70, 80, 90), -1)
    cv2.rectangle(picture, (0, 690), (1280, 719), (96, 90, 84), -1)
    return noisy(picture)


def snow_field() -> Picture:
    """Snow to above the frame's top: a slope with tracks, stakes and their shadows."""
    picture = np.array([232, 236, 242]) + 5 * waves(30)[..., None]
    track = np.array([[100, 719], [420, 480], [560, 260], [900, 0]])
    cv2.polylines(picture, [track], False, (190, 200, 216), 14)
    cv2.polylines(picture, [track + (50, 0)], False, (190, 200, 216), 14)
    for x, y, size in ((250, 300, 50), (700, 420, 90), (1050, 560, 150), (900, 180, 30)):
        cv2.line(picture, (x, y), (x, y - size), (92, 60, 40), max(3, size // 12))
        cv2.line(picture, (x, y), (x + size, y + size // 4), (178, 188, 210), max(3, size // 12))
    return noisy(picture)


def city_glow() -> Picture:
    """Night: dark sky, orange glow above roofs, lit windows."""
    picture = np.zeros((*SIZE, 3), np.float32)
    t = np.linspace(0, 1, SIZE[0])[:, None, None] ** 3
    picture += np.array([10, 11, 18]) * (1 - t) + np.array([96, 62, 34]) * t
    rng = np.random.default_rng(4)
    for x in range(0, SIZE[1], 128):
        top = int(rng.integers(300, 480))
        picture[top:, x : x + 120] = (16, 15, 17)
        for wx, wy in rng.integers((x + 8, top + 10), (x + 100, 700), (8, 2)):
            picture[wy : wy + 14, wx : wx + 10] = (240, 200, 120)
    return noisy(picture)


def infrared_night() -> Picture:
    """Grey picture: lit ground that fades with distance below a black sky."""
    picture = np.zeros((*SIZE, 3), np.float32) + 9
    light = np.clip((np.arange(300, 720) - 300) / 420, 0, 1) ** 0.7 * 190
    picture[300:] += light[:, None, None] * (1 + 0.12 * waves(3)[300:, :, None])
    cv2.rectangle(picture, (900, 250), (1100, 640), (150, 150, 150), -1)
    return noisy(picture.mean(axis=2, keepdims=True).repeat(3, axis=2), 0)


def glass_facade() -> Picture:
    """A wall of window panes that mirror a clouded sky, mullions between them, no sky in the frame."""
    picture = np.zeros((*SIZE, 3), np.float32) + np.array([118, 104, 92])
    mirrored = np.array([150, 176, 205]) + 14 * waves(40)[..., None]
    for x in range(30, SIZE[1] - 150, 180):
        for y in range(24, SIZE[0] - 120, 172):
            picture[y : y + 140, x : x + 144] = mirrored[y : y + 140, x : x + 144] * (0.84 + 0.1 * ((x + y) % 3))
            cv2.rectangle(picture, (x, y), (x + 144, y + 140), (52, 48, 46), 5)
            cv2.line(picture, (x + 72, y), (x + 72, y + 140), (52, 48, 46), 4)
    picture[660:] = (84, 82, 80)
    return noisy(picture, 3)


def with_flare(picture: Picture) -> Picture:
    """The sun in the sky and ghosts of the lens over the ground."""
    light = np.zeros((*SIZE, 3), np.float32)
    cv2.circle(light, (980, 110), 40, (255, 250, 230), -1)
    light = cv2.GaussianBlur(light, (0, 0), 25) * 1.2
    ghosts = np.zeros((*SIZE, 3), np.float32)
    for x, y, r in ((560, 420, 46), (460, 520, 26), (300, 640, 60)):
        cv2.circle(ghosts, (x, y), r, (50, 70, 46), -1)
    return np.clip(picture + light + cv2.GaussianBlur(ghosts, (0, 0), 3), 0, 255).astype(np.uint8)


def with_text(picture: Picture) -> Picture:
    """A burnt-in date and camera name over the top rows, white with black outline."""
    written = picture.copy()
    for text, x in (("2026-06-16 10:42:07", 24), ("CAM 12 GATE", 960)):
        cv2.putText(written, text, (x, 52), cv2.FONT_HERSHEY_SIMPLEX, 1.3, (0, 0, 0), 7, cv2.LINE_AA)
        cv2.putText(written, text, (x, 52), cv2.FONT_HERSHEY_SIMPLEX, 1.3, (255, 255, 255), 3, cv2.LINE_AA)
    return written
