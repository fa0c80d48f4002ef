"""Type labels of the demo's cameras: serial in print and as a QR code. No maker, no model."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import segno

__all__ = ["write_labels"]


def write_labels(serials: dict[str, str], folder: Path, worn: frozenset[str] = frozenset()) -> None:
    """One PNG of 912 × 456 pixels a camera; ``worn`` labels lose their right half to dirt and scratches."""
    folder.mkdir(parents=True, exist_ok=True)
    for camera, serial in serials.items():
        sheet = np.full((456, 912, 3), 238, np.uint8)
        cv2.rectangle(sheet, (6, 6), (905, 449), (40, 40, 40), 3)
        code = np.array([[bool(c) for c in row] for row in segno.make(f"S/N {serial}", error="m", micro=False, boost_error=False).matrix])
        size = 300 // len(code)
        qr = np.kron(np.where(code, 20, 238).astype(np.uint8), np.ones((size, size), np.uint8))
        sheet[86:86 + len(qr), 44:44 + len(qr)] = qr[..., None]
        font = cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(sheet, f"S/N {serial}", (370, 150), font, 1.9, (20, 20, 20), 5, cv2.LINE_AA)
        for k, text in enumerate(("NETWORK CAMERA", "12 V DC 0.6 A / IEEE 802.3af", "IP66  -30..+50 C", "850 nm IR: do not look into lamp")):
            cv2.putText(sheet, text, (372, 215 + 50 * k), font, 0.88, (45, 45, 45), 2, cv2.LINE_AA)
        if camera in worn:
            rng = np.random.default_rng(6)
            stain = cv2.GaussianBlur(rng.uniform(0, 1, sheet.shape[:2]).astype(np.float32), (0, 0), 22)
            stain = np.clip((stain - stain.mean()) / stain.std() * 0.5 + 0.75, 0, 1)
            reach = np.clip((np.arange(912) - 455) / 120, 0, 1)[None, :] * np.clip((stain + 0.35), 0, 1)
            reach[:, :350] = np.maximum(reach[:, :350], np.clip(1.3 - np.abs(np.arange(350) - 150) / 85, 0, 1)[None, :])
            dirt = np.array([70, 88, 104], np.float32)
            sheet = (sheet * (1 - reach[..., None]) + dirt * reach[..., None]).astype(np.uint8)
            for _ in range(26):
                a = rng.integers(0, 912, 2)
                cv2.line(sheet, (int(a[0]), int(rng.integers(0, 456))), (int(a[1]), int(rng.integers(0, 456))), (150, 160, 165), int(rng.integers(1, 4)), cv2.LINE_AA)
        cv2.imwrite(str(folder / f"{camera}.png"), sheet)
