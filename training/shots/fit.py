"""Fits the head that says what a shot shows, calibrates it, and measures it on pictures of places and sources it has not seen.

    python -m training.shots.fit --drawn FOLDER… --else FOLDER… --check KIND=FOLDER… -o audit/match/weights

``--drawn`` holds the pictures of :mod:`training.shots.scenes` and :mod:`training.shots.flat`; ``--else`` photographs that show none of the
kinds; ``--check`` pictures that are only looked at. Drawn pictures are split by place, photographs by package (folder): a fifth of the
places fixes the strength of the fit and its temperature, another fifth is held out. Each picture is seen as it is and twice
changed: cut, mirrored, brightened, blurred, compressed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from audit.match.look import looks
from audit.match.shots import ANSWERS, ANSWERS_ELSE, KINDS

__all__ = ["CHANGED", "PHOTOGRAPH", "SEED", "main", "seen", "softmax"]

SEED = 20261130
OF_NAME = {"label": 0, "bracket": 1, "wide": 2, "screen": 3}
STRENGTHS = (0.0003, 0.001, 0.003)
CHANGED = 2
#: How many times a photograph counts against a drawn picture: there are few of them.
PHOTOGRAPH = 4.0
#: Places without buildings, by their names.
COUNTRY = re.compile("forest|meadow|field|grass|beach|snow|pines|trail|park|ground|horn|quarry|moor|lagoon|"
                     "creek|mountain|canyon|kiara|dikhololo|sunrise|kloofendal|valley|lake|hill|dune|rock")
Floats = NDArray[np.float64]


def _read(file: Path) -> NDArray[np.uint8] | None:
    raw = cv2.imread(str(file), cv2.IMREAD_COLOR)
    return None if raw is None else np.ascontiguousarray(raw[..., ::-1])


def changed(pixels: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """The picture as another phone might have taken and sent it."""
    height, width = pixels.shape[:2]
    share = rng.uniform(0.75, 1.0)
    h, w = int(height * share), int(width * share)
    top, left = int(rng.integers(height - h + 1)), int(rng.integers(width - w + 1))
    part = pixels[top : top + h, left : left + w].astype(np.float32)
    if rng.random() < 0.5:
        part = part[:, ::-1]
    part = (part / 255.0) ** np.exp(rng.normal(0, 0.25)) * np.exp(rng.normal(0, 0.06, 3)) * 255.0
    if rng.random() < 0.15:
        part = np.repeat(part.mean(axis=2, keepdims=True), 3, axis=2)
    if rng.random() < 0.4:
        part = cv2.GaussianBlur(part, (0, 0), float(rng.uniform(0.4, 1.6)))
    part = np.clip(part + rng.normal(0, rng.uniform(0, 6), part.shape), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", part, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(40, 95))])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)


def seen(files: list[Path], times: int, store: Path) -> tuple[Floats, NDArray[np.int64]]:
    """What the network makes of pictures, each as it is and ``times`` changed, (n, 608), and which file each row is of; kept."""
    key = hashlib.sha256("\n".join([str(times), *(str(f) for f in files)]).encode()).hexdigest()[:16]
    kept = store / f"{key}.npz"
    if kept.exists():
        with np.load(kept) as stored:
            return stored["rows"], stored["of"]
    rows, of = [], []
    for number, file in enumerate(files):
        pixels = _read(file)
        if pixels is None:
            continue
        scale = 480 / max(pixels.shape[:2])
        if scale < 1:
            pixels = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
        rng = np.random.default_rng([SEED, number])
        for picture in (pixels, *(changed(pixels, rng) for _ in range(times))):
            rows.append(looks(picture))
            of.append(number)
    store.mkdir(parents=True, exist_ok=True)
    np.savez(kept, rows=np.array(rows), of=np.array(of))
    return np.array(rows), np.array(of)


class _Pictures(NamedTuple):
    """Rows of the network's numbers (n, 608); whether a row is of an unchanged picture; its kind, its place or package, whether it
    is a photograph, and whether it could as well be a wide view whose camera can't be seen."""

    rows: Floats
    plain: NDArray[np.bool_]
    kind: NDArray[np.int64]
    source: NDArray[np.str_]
    photograph: NDArray[np.bool_]
    hedged: NDArray[np.bool_]


def _pictures(drawn: list[Path], others: list[Path], store: Path) -> _Pictures:
    parts = []
    for folder in (*drawn, *others):
        files = sorted(folder.rglob("*.jpg"))
        rows, of = seen(files, CHANGED, store)
        photograph = folder in others
        names = [file.name.split("_") for file in files]
        kind = np.array([len(KINDS) - 1 if photograph else OF_NAME.get(name[0], len(KINDS) - 1) for name in names])
        source = np.array([folder.name if photograph else name[1] for name in names])
        built = np.array([not photograph and name[0] == "place" and COUNTRY.search(name[1]) is None for name in names])
        plain = np.concatenate([[True], np.diff(of) > 0])
        parts.append(_Pictures(rows, plain, kind[of], source[of], np.full(len(of), photograph), built[of]))
    return _Pictures(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def softmax(score: Floats) -> Floats:
    """Shares (n, k) of scores."""
    share = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))


def told(probability: Floats, kind: NDArray[np.int64]) -> dict[str, float]:
    """Of pictures of known kinds: share answered, and share right of those."""
    likeliest = probability.argmax(axis=1)
    sure = probability.max(axis=1) >= np.where(likeliest == KINDS.index("something else"), ANSWERS_ELSE, ANSWERS)
    right = likeliest == kind
    loss = float(-np.log(np.maximum(probability[np.arange(len(kind)), kind], 1e-6)).mean())
    return {"pictures": len(kind), "answered": round(float(sure.mean()), 3), "right": round(float(right[sure].mean()) if sure.any() else 0.0, 3), "loss": round(loss, 3)}


def main() -> None:
    """Fit, calibrate, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drawn", type=Path, nargs="+", required=True)
    parser.add_argument("--else", dest="others", type=Path, nargs="+", default=[])
    parser.add_argument("--check", nargs="*", default=[])
    parser.add_argument("--store", type=Path, default=Path(".train/looks"))
    parser.add_argument("-o", "--output", type=Path, default=Path("audit/match/weights"))
    given = parser.parse_args()
    pictures = _pictures(given.drawn, given.others, given.store)
    rows, plain, kind_of, source, photograph, hedged = (getattr(pictures, name) for name in _Pictures._fields)
    names = sorted(set(source[~photograph].tolist()))
    np.random.default_rng(SEED).shuffle(names)
    fold = {name: ("tune" if k % 5 == 0 else "held" if k % 5 == 1 else "fit") for k, name in enumerate(names)}
    split = np.array([fold.get(name, "fit") for name in source])
    weight = np.where(photograph, PHOTOGRAPH, 1.0)
    weight = weight / np.bincount(kind_of, weights=weight * (split == "fit"), minlength=len(KINDS))[kind_of]
    use = split == "fit"
    mean, scale = rows[use].mean(axis=0), rows[use].std(axis=0) + 1e-3
    tune, held = (split == "tune") & plain & ~hedged, (split == "held") & plain & ~hedged
    fitted, target = (rows[use] - mean) / scale, kind_of[use]
    # a view of built surroundings without a camera that could be seen is as well a wide view whose camera is too small
    fitted = np.concatenate([fitted, fitted[hedged[use]]])
    target = np.concatenate([target, np.full(int(hedged[use].sum()), KINDS.index("wide view"))])
    weighed = np.concatenate([weight[use] * np.where(hedged[use], 0.5, 1.0), 0.5 * weight[use][hedged[use]]])
    best: tuple[float, LogisticRegression, float] | None = None
    for strength in STRENGTHS:
        head = LogisticRegression(C=strength * use.sum(), max_iter=400)
        head.fit(fitted, target, sample_weight=weighed * len(KINDS) / weighed.sum())
        score = head.decision_function((rows[tune] - mean) / scale)
        for heat in np.exp(np.linspace(-1, 1.5, 26)):
            loss = told(softmax(score / heat), kind_of[tune])["loss"]
            if best is None or loss < best[0]:
                best = loss, head, float(heat)
        print(strength, "best loss so far", best and best[0], flush=True)
    assert best is not None
    _, head, heat = best
    figures: dict[str, object] = {"heat": round(heat, 2), "strength": head.C}
    probability = softmax(head.decision_function((rows[held] - mean) / scale) / heat)
    figures["held out places"] = told(probability, kind_of[held])
    for number, name in enumerate(KINDS):
        one = kind_of[held] == number
        figures[f"held out places: {name}"] = told(probability[one], kind_of[held][one])
    for pair in given.check:
        name, _, folder = pair.partition("=")
        check = sorted(f for f in Path(folder).rglob("*") if f.suffix.lower() in (".jpg", ".jpeg", ".png"))
        looked, _ = seen(check, 0, given.store)
        figures[f"{name}: {folder}"] = told(softmax(head.decision_function((looked - mean) / scale) / heat), np.full(len(looked), KINDS.index(name)))
    given.output.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(given.output / "shots_head.npz", mean=mean.astype(np.float32), scale=scale.astype(np.float32),
                        weight=(head.coef_ / heat).astype(np.float32), bias=(head.intercept_ / heat).astype(np.float32))  # fmt: skip
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
