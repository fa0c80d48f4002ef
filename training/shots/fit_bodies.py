"""Fits the head that says whether a camera is on a bracket, and of which form, and measures it on what it has not seen.

    python -m training.shots.fit_bodies --drawn FOLDER --none FOLDER… --check WHAT=FOLDER… -o audit/match/weights

``--drawn`` holds the pictures of :mod:`training.shots.bodies`; ``--none`` photographs without any camera. Pictures are split by place: a
fifth fixes the strength of the fit and its temperature, another fifth is held out. What is said of a form or of a carrier that is not in the
training is measured by leaving each out in turn.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from audit.match.bodies import FORMS, LONG, NO_BODY, OTHER_FORM
from training.shots.fit import CHANGED, PHOTOGRAPH, SEED, seen, softmax

__all__ = ["main"]

STRENGTHS = (0.0001, 0.0003, 0.001)
Floats = NDArray[np.float64]
NONE = len(FORMS)


class _Pictures(NamedTuple):
    """Rows of the network's numbers; whether a row is of an unchanged picture; its form or none; what carries it; its place; and how
    much it counts."""

    rows: Floats
    plain: NDArray[np.bool_]
    kind: NDArray[np.int64]
    carrier: NDArray[np.str_]
    place: NDArray[np.str_]
    weight: Floats


class _Head(NamedTuple):
    mean: Floats
    scale: Floats
    fitted: LogisticRegression
    heat: float

    def of(self, rows: Floats) -> Floats:
        """Probabilities (n, forms and none)."""
        score = np.full((len(rows), NONE + 1), -30.0)
        score[:, self.fitted.classes_] = self.fitted.decision_function((rows - self.mean) / self.scale) / self.heat
        return softmax(score)


def _pictures(drawn: Path, none: list[Path], store: Path) -> _Pictures:
    parts = []
    for folder in (drawn, *none):
        files = sorted(folder.rglob("*.jpg"))
        rows, of = seen(files, CHANGED, store)
        own = folder == drawn
        names = [file.name.split("_") for file in files] if own else [["other-", folder.name] for _ in files]
        kind = np.array([FORMS.index(n[0].split("-")[0]) if n[0].split("-")[0] in FORMS else NONE for n in names])
        carrier, place = np.array([n[0].split("-")[1] for n in names]), np.array([n[1] for n in names])
        plain = np.concatenate([[True], np.diff(of) > 0])
        parts.append(_Pictures(rows, plain, kind[of], carrier[of], place[of], np.full(len(of), 1.0 if own else PHOTOGRAPH)))
    return _Pictures(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _split(place: NDArray[np.str_]) -> NDArray[np.str_]:
    names = sorted(set(place.tolist()))
    np.random.default_rng(SEED).shuffle(names)
    fold = {name: ("tune" if k % 5 == 0 else "held" if k % 5 == 1 else "fit") for k, name in enumerate(names)}
    return np.array([fold[name] for name in place])


def _fit(p: _Pictures, use: NDArray[np.bool_], tune: NDArray[np.bool_], strengths: tuple[float, ...] = STRENGTHS) -> _Head:
    """The head that loses least on places that it was not fitted on."""
    mean, scale = p.rows[use].mean(axis=0), p.rows[use].std(axis=0) + 1e-3
    kinds = np.bincount(p.kind[use], weights=p.weight[use], minlength=NONE + 1)
    # a bracket with a camera and one without are alike likely before the look, and so are the forms
    share = np.where(np.arange(NONE + 1) == NONE, 0.5, 0.5 / NONE) / np.maximum(kinds, 1e-9)
    weight = p.weight[use] * share[p.kind[use]]
    best: tuple[float, _Head] | None = None
    for strength in strengths:
        fitted = LogisticRegression(C=strength * use.sum(), max_iter=400)
        fitted.fit((p.rows[use] - mean) / scale, p.kind[use], sample_weight=weight * use.sum() / weight.sum())
        for heat in np.exp(np.linspace(-0.5, 1.5, 21)):
            head = _Head(mean, scale, fitted, float(heat))
            found = head.of(p.rows[tune])[np.arange(tune.sum()), p.kind[tune]]
            loss = float(-np.log(np.maximum(found, 1e-6)).mean())
            if best is None or loss < best[0]:
                best = loss, head
    assert best is not None
    return best[1]


def told(found: Floats, kind: NDArray[np.int64]) -> dict[str, float]:
    """How often a camera is missed where one is, and found missing where none is; and how often its kind of body is told, and wrongly."""
    none = found[:, NONE] >= NO_BODY
    long_ = np.array([form in LONG for form in FORMS])
    long = found[:, :NONE][:, long_].sum(axis=1) / np.maximum(found[:, :NONE].sum(axis=1), 1e-9)
    there = kind < NONE
    sure = there & (found[:, NONE] < 0.5) & ((long >= OTHER_FORM) | (long <= 1 - OTHER_FORM))
    other = sure & ((long >= 0.5) != np.append(long_, False)[kind])

    def share(which: NDArray[np.bool_], of: NDArray[np.bool_]) -> float:
        return round(float(which[of].mean()), 4) if of.any() else 0.0

    return {"with a camera": int(there.sum()), "said to have none": share(none, there), "kind of body told": share(sure, there),
            "told wrongly": share(other, there), "without": int((~there).sum()), "said to have none, of those": share(none, ~there)}  # fmt: skip


def main() -> None:
    """Fit, calibrate, measure, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drawn", type=Path, required=True)
    parser.add_argument("--none", type=Path, nargs="*", default=[])
    parser.add_argument("--check", nargs="*", default=[])
    parser.add_argument("--store", type=Path, default=Path(".train/looks"))
    parser.add_argument("-o", "--output", type=Path, default=Path("audit/match/weights"))
    given = parser.parse_args()
    p = _pictures(given.drawn, given.none, given.store)
    split = _split(p.place)
    tune, held = (split == "tune") & p.plain, (split == "held") & p.plain
    head = _fit(p, split == "fit", tune)
    figures: dict[str, object] = {"heat": round(head.heat, 2), "strength": head.fitted.C, "pictures": int(p.plain.sum()),
                                  "places held out": told(head.of(p.rows[held]), p.kind[held])}  # fmt: skip
    strength = (head.fitted.C / (split == "fit").sum(),)
    for number, form in enumerate(FORMS):
        without = _fit(p, (split == "fit") & (p.kind != number), tune & (p.kind != number), strength)
        one = held & (p.kind == number)
        figures[f"form left out: {form}"] = told(without.of(p.rows[one]), p.kind[one])
    for carrier in sorted(set(p.carrier.tolist()) - {""}):
        without = _fit(p, (split == "fit") & (p.carrier != carrier), tune & (p.carrier != carrier), strength)
        one = held & (p.carrier == carrier)
        figures[f"carrier left out: {carrier}"] = told(without.of(p.rows[one]), p.kind[one])
    for pair in given.check:
        what, _, folder = pair.partition("=")
        files = sorted(f for f in Path(folder).rglob("*") if f.suffix.lower() in (".jpg", ".jpeg", ".png"))
        rows, _ = seen(files, 0, given.store)
        figures[pair] = told(head.of(rows), np.full(len(rows), FORMS.index(what) if what in FORMS else NONE))
    given.output.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(given.output / "bodies_head.npz", mean=head.mean.astype(np.float32), scale=head.scale.astype(np.float32),
                        weight=(head.fitted.coef_ / head.heat).astype(np.float32), bias=(head.fitted.intercept_ / head.heat).astype(np.float32))  # fmt: skip
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
